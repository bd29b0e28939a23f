"""A played example dive for a page: the drawing, and the same in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup

from service.documents.ladder_svg import Row, Shape, Stroke, key, to_svg
from service.domain.dive import Phase
from service.domain.grace import GracePeriods, Step
from service.domain.local_time import say
from service.domain.people import ADMINS, Channel
from service.domain.wording import MessageKind
from service.operations.example_dive import Example, Happening, Moment, Place, Played, Said, play

_SHAPES: Final = {
    MessageKind.START_NOTICE: Shape.NOTICE,
    MessageKind.OTHER: Shape.NOTICE,
    MessageKind.REMINDER: Shape.REMINDER,
    MessageKind.REPLY: Shape.REPLY,
    MessageKind.STAND_DOWN: Shape.REPLY,
    MessageKind.ALERT: Shape.ALERT,
    MessageKind.DISTRESS: Shape.DISTRESS,
}
_SHAPE_WORDS: Final = {
    Shape.NOTICE: "the plan, to keep",
    Shape.REMINDER: "reminder or question",
    Shape.REPLY: "answer",
    Shape.ALERT: "alert",
    Shape.DISTRESS: "call rescue now",
}
_STROKES: Final = {
    Phase.FILED: Stroke.WAITING,
    Phase.IN_WATER: Stroke.CALM,
    Phase.UNCERTAINTY: Stroke.UNCERTAIN,
    Phase.ALERT: Stroke.ALARMED,
    Phase.DISTRESS: Stroke.ALARMED,
    Phase.CLOSED: Stroke.ENDED,
}
PHASE_WORDS: Final = {
    Phase.FILED: "not started",
    Phase.IN_WATER: "in the water",
    Phase.UNCERTAINTY: "uncertainty",
    Phase.ALERT: "alert",
    Phase.DISTRESS: "distress",
    Phase.CLOSED: "closed",
}
_ORDINALS: Final = ("1st", "2nd", "3rd", "4th", "5th", "6th")


@dataclass(frozen=True, slots=True)
class Told:
    """One message in words: to whom, by which way, and what the first of them reads."""

    to: str
    way: str
    text: str
    what: str


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the words: when, what happens, what follows from it, the phase, and how often it comes."""

    at: datetime
    offset: str
    what: str
    told: tuple[Told, ...]
    phase: str
    again: str = ""


@dataclass(frozen=True, slots=True)
class Drawn:
    """All that a page shows of a played dive."""

    svg: Markup
    keys: tuple[tuple[Markup, str], ...]
    lines: tuple[Line, ...]
    summary: str
    zone: str
    goes_on_at: datetime | None


def draw(grace: GracePeriods, example: Example, place: Place) -> Drawn:
    """Play the example and show it. Raises ValueError for periods that contradict each other."""
    played = play(grace, example, place)
    lines = tuple(line for moment in played.moments for line in _lines(moment, played))
    summary = _summary(played, place.zone)
    rows = [_row(moment, played, place.zone) for moment in played.moments]
    svg = to_svg(
        _columns(example.contacts),
        rows,
        title="Who would be told what, and when",
        description=f"{summary} The list below says the same in words.",
    )
    used = {shape for row in rows for _, shape in row.marks}
    keys = tuple((Markup(key(shape)), _SHAPE_WORDS[shape]) for shape in Shape if shape in used)  # noqa: S704 - ours
    return Drawn(Markup(svg), keys, lines, summary, place.zone, played.goes_on_at)  # noqa: S704 - escaped where made


def _columns(contacts: int) -> list[str]:
    narrow = contacts > 3  # noqa: PLR2004 - as many as have room for a word
    names = [ordinal[0] if narrow else ordinal for ordinal in _ORDINALS[:contacts]]
    return ["Party", *names, "Club"]


def _row(moment: Moment, played: Played, zone: str) -> Row:
    contacts = len(played.dive.plan.contacts)
    marks: dict[int, Shape] = {}
    for happening in moment.happenings:
        for said in happening.said:
            for column in _columns_of(said, contacts):
                # Of two at once the graver is drawn: the words have both.
                marks[column] = max(marks.get(column, Shape.NOTICE), _SHAPES[said.kind], key=list(Shape).index)
    return Row(
        minute=(moment.at - played.started_at).total_seconds() / 60,
        time=f"{moment.at.astimezone(ZoneInfo(zone)):%H:%M}",
        labels=tuple(happening.name for happening in moment.happenings),
        marks=tuple(sorted(marks.items())),
        stroke=_STROKES[moment.phase],
        again=any(happening.times > 1 for happening in moment.happenings),
    )


def _columns_of(said: Said, contacts: int) -> Iterator[int]:
    for person in said.to:
        role, _, place = person.partition("-")
        if person == ADMINS:
            yield contacts + 1
        elif role == "contact":
            yield int(place) + 1
        else:
            yield 0


def _lines(moment: Moment, played: Played) -> Iterator[Line]:
    for happening in moment.happenings:
        yield Line(
            at=moment.at,
            offset=_offset(moment.at, played),
            what=happening.name,
            told=tuple(_told(said, happening, played) for said in happening.said),
            phase=PHASE_WORDS[moment.phase],
            again=_again(happening, played),
        )


def _offset(at: datetime, played: Played) -> str:
    """From due out; before there is one, from the planned time in."""
    due_out_at = played.dive.first_due_out_at
    since, name = (due_out_at, "due out") if due_out_at else (played.started_at, "planned time in")
    minutes = (at - since).total_seconds() / 60
    if minutes == 0:
        return f"at {name}"
    return f"{abs(minutes):g} min {'after' if minutes > 0 else 'before'} {name}"


def _again(happening: Happening, played: Played) -> str:
    if happening.last_at is None:
        return ""
    every = played.dive.grace.distress_every.total_seconds() / 60
    return f"{happening.times} times, every {every:g} min"


def _told(said: Said, happening: Happening, played: Played) -> Told:
    way = {Channel.TEXT: "text", Channel.CALL: "voice call", Channel.EMAIL: "e-mail"}[said.channel]
    return Told(_people(said.to, played), way, said.text, happening.name)


def _people(keys: Sequence[str], played: Played) -> str:
    """To whom, as an admin would say it."""
    contacts = [int(one.partition("-")[2]) for one in keys if one.startswith("contact-")]
    divers = [one for one in keys if one.startswith("diver-")]
    found = []
    if divers:
        every = len(divers) == len(played.dive.party_phones)
        found.append(f"every phone of the party ({len(divers)})" if every and len(divers) > 1 else "the lead's phone")
    if contacts and len(contacts) == len(played.dive.plan.contacts) > 1:
        found.append(f"all {len(contacts)} contacts")
    elif contacts:
        found.append(" and ".join(f"the {_ORDINALS[place]} contact" for place in contacts))
    if ADMINS in keys:
        found.append("every admin of the club")
    return ", ".join(found)


_SUMMED: Final = {Step.ALERT: "Alert", Step.DISTRESS: "distress", Step.HAND_UP: "hand-up"}


def _summary(played: Played, zone: str) -> str:
    """The times that matter most, in one sentence."""
    times = {
        happening.step: say(moment.at, zone, played.started_at)
        for moment in played.moments
        for happening in moment.happenings
        if happening.step in _SUMMED
    }
    if not times:
        return "The plan lapses, and nobody is alerted."
    words = ", ".join(f"{name} {times[step]}" for step, name in _SUMMED.items() if step in times)
    due = played.dive.due_out_at
    return f"Due out {say(due, zone, played.started_at)}. {words}." if due else f"{words}."
