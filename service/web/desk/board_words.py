"""The lines of the water board in words: what a dive is, how late, who was told, and who cannot be reached.

A phase has a word and a shape, so that it is told apart without colour. Everything that somebody wrote is shortened,
and what cannot be seen in it is written out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.domain.dive import Dive, Phase
from service.domain.handover.situation import counted_and_named
from service.operations.board import LOST, Ashore, Board, Line, Reach, Unread, is_trouble
from service.web.dive_words import ENDED, not_called_after_all
from service.web.speaking import clock, heads, span, visible, zone_name

WHOLE_MAX: Final = 20  # so many dives are shown with all that is known; the rest of many in a line each
HEARD_MAX: Final = 500  # characters of what was last heard
HEARD_LEFT: Final = 6_000  # for all of them together: the page must come through a thin line
HEARD_LEAST: Final = 60
SHORT_MAX: Final = 28

TITLES: Final = {
    Phase.FILED: "Planned",
    Phase.IN_WATER: "In the water",
    Phase.UNCERTAINTY: "Overdue",
    Phase.ALERT: "Alert",
    Phase.DISTRESS: "Distress",
}
_REACH: Final = {
    Reach.UNCONFIRMED: "not confirmed",
    Reach.ON_ITS_WAY: "on its way",
    Reach.FAILS: "messages fail",
    Reach.OPTED_OUT: "opted out",
    Reach.DECLINED: "declined",
}
_BEFORE: Final = {
    Reach.REACHED: "has the plan",
    Reach.UNCONFIRMED: "plan sent, not confirmed",
    Reach.ON_ITS_WAY: "plan on its way",
    Reach.UNTRIED: "not told yet",
}


@dataclass(frozen=True, slots=True)
class Shown:
    """One dive as the board shows it. `mark` is its shape, `late` how it stands to due out, `more` lines of facts.

    `due_s`: due out in seconds since 1970, for a script that counts on. `cry` is there while an alarm waits for
    somebody, and another one for each alarm of this dive. `short`: the rest in one line, where there are very many.
    """

    dive_id: str
    reference: str
    mark: str
    title: str
    late: str
    due_s: int | None
    site: str
    who: str
    since: str = ""
    more: tuple[tuple[str, str], ...] = ()
    short: str = ""
    cry: str | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the board. `whole` are shown with all their facts, `brief` in a line each."""

    key: str
    title: str
    none: str
    whole: tuple[Shown, ...]
    brief: tuple[Shown, ...] = ()


@dataclass(frozen=True, slots=True)
class Drawn:
    """The board in words. `cries`: how many alarms wait for somebody; `held`: how many dives are asked first."""

    parts: tuple[Part, ...]
    tally: str
    left_out: int
    cries: int
    held: int


def drawn(board: Board) -> Drawn:
    """All parts of the board; the gravest dives are shown whole, as many as there is room for."""
    room = _Room(board.now, board.zone)
    alarms = [_unread(one, board) for one in board.unread]
    parts = (
        _part("trouble", "Needs somebody now", "Nobody is overdue, and no alarm is up.", board.trouble, room, alarms),
        _part("water", "In the water", "Nobody else is known to be in the water.", board.water, room),
        _part("planned", "Planned today", "", board.planned, room),
        _part("drills", "EXERCISE: nobody is in danger", "", board.drills, room),
        Part("closed", "Over within the last two hours", "", (), tuple(_over(one, board.now) for one in board.closed)),
    )
    kept = tuple(part for part in parts if part.none or part.whole or part.brief)
    cries = sum(line.cries for line in board.trouble) + len(board.unread)
    return Drawn(kept, _tally(board), board.left_out, cries, len(held_lines(board)))


def held_lines(board: Board) -> tuple[Line, ...]:
    """The dives, drills among them, whose party is asked before any contact is alerted, since a restore."""
    shown = (*board.trouble, *board.water, *board.planned, *board.drills)
    return tuple(line for line in shown if line.held_until_at is not None)


def shown_alone(line: Line, now: datetime, zone: str) -> Shown:
    """One dive with all its facts, for a page of its own; `zone` is the club's."""
    return _over(line, now) if line.dive.phase is Phase.CLOSED else _shown(line, _Room(now, zone), whole=True)


def _part(key: str, title: str, none: str, lines: Sequence[Line], room: _Room, before: Sequence[Shown] = ()) -> Part:
    most = room.dives(len(before) + len(lines)) - len(before)
    whole = (*before, *(_shown(line, room, whole=True) for line in lines[: max(most, 0)]))
    return Part(key, title, none, whole, tuple(_shown(line, room, whole=False) for line in lines[max(most, 0) :]))


def _tally(board: Board) -> str:
    alarms = sum(line.dive.alarmed for line in board.trouble) + len(board.unread)
    overdue = len(board.trouble) + len(board.unread) - alarms
    said = [f"{alarms} in alarm" if alarms else "", f"{overdue} overdue" if overdue else ""]
    dives = len(board.trouble) + len(board.water) + len(board.unread)
    counted = f"{heads(board.divers)} in the water on {dives} {'dive' if dives == 1 else 'dives'}" if dives else ""
    return ", ".join(words for words in (*said, counted) if words) or "Nobody is known to be in the water"


class _Room:
    """How many dives, and how many characters of what was heard, there is still room for; the gravest come first."""

    def __init__(self, now: datetime, zone: str) -> None:
        self.now = now
        self.zone = zone  # the club's
        self._dives = WHOLE_MAX
        self._left = HEARD_LEFT

    def dives(self, wanted: int) -> int:
        """How many of so many dives are shown whole."""
        given = min(wanted, self._dives)
        self._dives -= given
        return given

    def words(self, words: str) -> str:
        """As much of the words as there is room for, at least a line."""
        shown = visible(words, max(min(HEARD_MAX, self._left), HEARD_LEAST))
        self._left -= len(shown)
        return shown


def _shown(line: Line, room: _Room, *, whole: bool) -> Shown:
    dive, now, zone = line.dive, room.now, line.dive.plan.site.zone
    mark, title = _mark(line, now)
    return Shown(
        dive_id=dive.id,
        reference=dive.reference,
        mark=mark,
        title=f"EXERCISE, {title.lower()}" if dive.drill else title,
        late=_late(dive, now, zone),
        due_s=None if dive.due_out_at is None or not dive.live else int(dive.due_out_at.timestamp()),
        site=visible(dive.plan.site.name, 60 if whole else SHORT_MAX),
        who=_who(dive) if whole else "",
        since=_since(dive, now, zone) if whole else "",
        more=(*_times(line, room), *_facts(line, now, zone, room)) if whole else (),
        short="" if whole else _short(line, now, zone),
        cry=f"{dive.raises}{dive.phase[0]}" if line.cries and not dive.drill else None,
    )


def _mark(line: Line, now: datetime) -> tuple[str, str]:
    dive = line.dive
    if dive.phase is Phase.IN_WATER:
        if is_trouble(dive, now):
            return "uncertainty", TITLES[Phase.UNCERTAINTY]
        if dive.armed_at is None:
            return "unarmed", "In the water, not armed"
    return dive.phase.value, TITLES[dive.phase]


def _late(dive: Dive, now: datetime, zone: str) -> str:
    if dive.due_out_at is None:
        planned = dive.plan.time_in_at
        if dive.phase is Phase.FILED:
            return "no time in planned" if planned is None else f"time in {clock(planned, zone, now)}"
        return "never said that they went in"
    away = (dive.due_out_at - now).total_seconds()
    return f"due out in {span(away)}" if away > 0 else f"{span(away)} overdue"


def _since(dive: Dive, now: datetime, zone: str) -> str:
    if dive.started_at is None:
        return ""
    assumed = " (as planned; nobody said so)" if dive.assumed and not dive.start_said else ""
    return f"in since {clock(dive.started_at, zone, now)}{assumed}"


def _times(line: Line, room: _Room) -> list[tuple[str, str]]:
    """Due out and the raise-by time, with the zone where it is not the club's."""
    dive, now, zone = line.dive, room.now, line.dive.plan.site.zone
    found = []
    if dive.due_out_at is not None and dive.raise_by_at is not None:
        elsewhere = "" if zone == room.zone else f" ({zone_name(zone)})"
        due, raise_by = clock(dive.due_out_at, zone, now), clock(dive.raise_by_at, zone, now)
        found.append(
            ("Times", f"{_since(dive, now, zone)}, due out {due}, raise-by {raise_by}{elsewhere}".lstrip(", "))
        )
    elif dive.alarm_at is not None:
        found.append(("Times", f"alarm raised {clock(dive.alarm_at, zone, now)}"))
    if dive.extension is not None:
        found.append(("Asked", f"due out {clock(dive.extension.due_out_at, zone, now)}, not in force yet"))
    if line.held_until_at is not None:
        held = clock(line.held_until_at, zone, now)
        found.append(("Restored", f"the party is asked first; contacts are alerted from {held} on"))
    return found


def _facts(line: Line, now: datetime, zone: str, room: _Room) -> list[tuple[str, str]]:
    dive = line.dive
    found = [("Lead", visible(dive.lead.name, 60))]
    if dive.partly_out is not None:
        found.append(("Counted", f"{dive.partly_out} of {dive.head_count} said to be out"))
    found += [("Heard", _heard(dive, now, zone, room)), ("Position", _position(dive, now))]
    if dive.raised_note:
        found.append(("Raised", room.words(dive.raised_note)))
    found.append(("Ashore", "; ".join(_ashore(one, dive, now, zone) for one in line.ashore) or "nobody"))
    if line.officer_answered_at is not None:
        found.append(("Club", f"an officer acts since {clock(line.officer_answered_at, zone, now)}"))
    if dive.called_at is not None:
        by = visible(dive.called_by.name, 60) if dive.called_by is not None else "somebody"
        found.append(("Rescue", f"called {clock(dive.called_at, zone, now)} by {by}"))
    elif (not_so := not_called_after_all(dive)) is not None:
        found.append(("Rescue", f"not called: {visible(not_so, 160)}"))
    found.append(("Phones", "; ".join(_phone(name, reach) for name, reach in line.phones)))
    return found


def _heard(dive: Dive, now: datetime, zone: str, room: _Room) -> str:
    heard = dive.last_heard
    if heard is None:
        return "nothing from them"
    ago = span((now - heard.at).total_seconds())
    quoted = f"\N{LEFT DOUBLE QUOTATION MARK}{room.words(heard.words)}\N{RIGHT DOUBLE QUOTATION MARK}"
    doubt = " (may be about another dive)" if heard.asked_which else ""
    return f"{clock(heard.at, zone, now)}, {ago} ago, {visible(heard.name, 60)}: {quoted}{doubt}"


def _position(dive: Dive, now: datetime) -> str:
    fix = dive.last_position
    if fix is None:
        return "none but the site"
    entry = "where they went in, " if fix is not dive.fix else ""
    return f"{entry}{span((now - fix.at).total_seconds())} old"


def _ashore(one: Ashore, dive: Dive, now: datetime, zone: str) -> str:
    name = visible(one.name, 60)
    if one.answered_at is not None:
        return f"{name} answered {clock(one.answered_at, zone, now)}"
    if one.reach in LOST:
        told = "" if one.told_at is None else f"told {clock(one.told_at, zone, now)}, "
        return f"{name}: {told}cannot be reached ({_REACH[one.reach]})"
    if one.told_at is not None:
        doubt = "" if one.reach is Reach.REACHED else f", {_REACH.get(one.reach, 'not confirmed')}"
        return f"{name} told {clock(one.told_at, zone, now)}, no answer{doubt}"
    if dive.alarmed or dive.phase is Phase.FILED:
        return f"{name} not told yet"
    return f"{name} {_BEFORE.get(one.reach, 'not told yet')}"


def _phone(name: str, reach: Reach) -> str:
    shown = visible(name, 60)
    if reach in LOST:
        return f"{shown} cannot be reached ({_REACH[reach]})"
    said = {Reach.REACHED: "reached", Reach.UNTRIED: "nothing sent yet", Reach.NO_PHONE: "no phone"}
    return f"{shown} {said.get(reach) or _REACH[reach]}"


def _who(dive: Dive) -> str:
    """The names of the plan, and how many went in: where these are not the same, nobody is to be taken for in."""
    names = [visible(diver.name, 60) for diver in dive.divers]
    if dive.head_count in (0, len(names)):
        return f"{', '.join(names)} ({heads(len(names))})"
    return counted_and_named(dive, names)


def _short(line: Line, now: datetime, zone: str) -> str:
    """The same facts in a line, counted instead of named."""
    dive = line.dive
    others = (dive.head_count or len(dive.plan.party)) - 1
    said = [f"{visible(dive.lead.name, SHORT_MAX)}{f' +{others}' if others > 0 else ''}"]
    if dive.last_heard is not None:
        said.append(f"heard {clock(dive.last_heard.at, zone, now)}")
    if dive.last_position is not None:
        said.append(f"position {_brief(dive.last_position.at, now)} old")
    told = len(dive.alerted) if dive.alarmed else sum(one.reach is Reach.REACHED for one in line.ashore)
    said.append(f"{told} of {len(line.ashore)} told" + (f", {len(dive.acknowledged)} answered" if dive.alarmed else ""))
    lost = sum(one.reach in LOST for one in line.ashore) + sum(reach in LOST for _, reach in line.phones)
    said += [f"{lost} unreachable"] if lost else []
    said += [f"raise-by {clock(dive.raise_by_at, zone, now)}"] if dive.raise_by_at is not None else []
    return ", ".join(said)


def _brief(at: datetime, now: datetime) -> str:
    return f"{int((now - at).total_seconds() // 60)} min"


def _over(line: Line, now: datetime) -> Shown:
    dive, zone = line.dive, line.dive.plan.site.zone
    ended = "Closed" if dive.outcome is None else ENDED[dive.outcome]
    by = "" if dive.closed_by is None else f", said by {visible(dive.closed_by.name, SHORT_MAX)}"
    at = "" if dive.closed_at is None else clock(dive.closed_at, zone, now)
    others = (dive.head_count or len(dive.plan.party)) - 1
    return Shown(
        dive_id=dive.id,
        reference=dive.reference,
        mark=Phase.CLOSED.value,
        title=ended,
        late=at,
        due_s=None,
        site=visible(dive.plan.site.name, SHORT_MAX),
        who="",
        short=f"{visible(dive.lead.name, SHORT_MAX)}{f' +{others}' if others > 0 else ''}{by}",
    )


def _unread(one: Unread, board: Board) -> Shown:
    """Its phase is that of its row; what it says of itself cannot be read, so somebody has to look."""
    late = "" if one.due_out_at is None else f"due out {clock(one.due_out_at, board.zone, board.now)}"
    return Shown(
        dive_id=one.dive_id,
        reference=one.reference,
        mark="unread",
        title="Cannot be read",
        late=late,
        due_s=None,
        site=visible(one.site_name, 60),
        who=f"{visible(one.lead_name, 60)} ({heads(one.head_count)})",
        more=(
            ("Fault", "Our record of this dive is damaged, so its contacts are alerted. Phone them and the divers."),
        ),
        cry="unread",
    )
