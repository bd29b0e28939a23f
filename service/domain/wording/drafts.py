"""What a message is before it is queued: to whom, how urgent, which text, until when it makes sense."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import IntEnum, StrEnum

from service.domain import encoding
from service.domain.dive.state import Dive, Phase
from service.domain.encoding import fit, takes
from service.domain.language import say
from service.domain.people import ADMINS, ENGLISH, Actor, Channel, Recipient, Role, Via
from service.domain.wording.parts import Part, as_text, in_full, keep, worded_parts

# A link is added only where it still fits behind the whole text: it adds, it never carries.
LINK_ROOM = 72  # septets: a blank, a usual host name, the path and 22 characters of token
GOOD_TO_KNOW = 4  # parts that may go and rank above this give way to a link
SEGMENTS_MAX = 6
SERVICE_NAME = "Linetender"
REPLY_LASTS = timedelta(minutes=15)
EVERY_ADMIN = Recipient(key=ADMINS, name="admins", phone=None)
# How the name of a step begins whose words say that rescue was called, or that nobody has called it.
CALLED = "called"
UNCALLED = "uncalled"
AN_ADMIN = f"{Role.ADMIN}-"  # how the key of one admin of the club begins


class MessageKind(IntEnum):
    """Priority: a lower number is never delayed by a higher one."""

    DISTRESS = 0
    ALERT = 1
    STAND_DOWN = 2
    REMINDER = 3
    REPLY = 4
    START_NOTICE = 5
    OTHER = 6


SEGMENTS = {
    MessageKind.DISTRESS: 3,
    MessageKind.ALERT: 3,
    MessageKind.STAND_DOWN: 2,
    MessageKind.REMINDER: 1,
    MessageKind.REPLY: 1,
    MessageKind.START_NOTICE: 3,
    MessageKind.OTHER: 2,
}


# Segments of an answer about a position: it is given whole and in several forms, or told what is wrong with it.
ABOUT_A_POSITION = 2


class LinkKind(StrEnum):
    """Which page of ours a message may lead to."""

    DIVE = "dive"
    ALARM = "alarm"
    HANDOVER = "handover"
    CONTACT = "contact"  # whether somebody will be a shore contact


@dataclass(frozen=True, slots=True)
class Draft:
    """One message to one person, caused by one event. `rank` orders the contacts of one step.

    `text` is for its channel: a text is in the GSM 7-bit alphabet, what is spoken or mailed has every letter.
    `whole` is all that a text would say with room for it. `subject` is that of an e-mail.
    """

    to: Recipient
    kind: MessageKind
    step: str
    text: str
    due_at: datetime
    expires_at: datetime | None = None
    link: LinkKind | None = None
    rank: int = 0
    channel: Channel = Channel.TEXT
    subject: str | None = None
    whole: tuple[Part, ...] = ()

    @property
    def full(self) -> str:
        """All that a text would say with room for it, with every letter, in the language of its reader."""
        return in_full(self.whole, self.to.language)


def without_whole(drafts: Iterable[Draft]) -> tuple[Draft, ...]:
    """New drafts of which every way is made, without what a text might say besides: a batch holds hundreds of them."""
    kept = tuple(drafts)
    for draft in kept:
        # Nobody else has them yet. To make each once more would cost as much as is saved.
        object.__setattr__(draft, "whole", ())
    return kept


def compose(
    dive: Dive,
    kind: MessageKind,
    parts: Sequence[Part],
    language: str,
    *,
    link: LinkKind | None = None,
    segments: int | None = None,
) -> str:
    """The text with the club's name (and EXERCISE for a drill) before it, within its kind's segments, or so many."""
    allowed = segments or SEGMENTS[kind]
    reserve = LINK_ROOM if link is not None and allowed > 1 else 0
    return worded(dive.club_name, parts, allowed, language, drill=dive.drill, link_room=reserve)


def worded(
    club_name: str,
    parts: Sequence[Part],
    segments: int,
    language: str = ENGLISH,
    *,
    drill: bool = False,
    link_room: int = 0,
) -> str:
    """The parts behind the club's name. Total: a text too long for its segments is better than none.

    What gives way, in this order: what is good to know and on the page anyway, the room for a link, the rest
    that may go, the club's name (ours is shorter) and what EXERCISE means, the names of people and places; only then
    are there more segments, and at the very last every part is cut.
    """
    mark = exercise_mark(drill=drill)
    whole = as_text([*mark, keep(f"{club_name}:"), *parts], language)
    if takes(whole, link_room) <= segments:
        return whole  # as nearly always
    club = [*worded_parts(mark, language), encoding.Part(f"{club_name}:", 0)]
    ours = [*worded_parts(mark, ENGLISH), encoding.Part(f"{SERVICE_NAME}:", 0)]
    attempts = _giving_way(club, ours, worded_parts(parts, language), segments, link_room)
    return next(text for attempt in attempts if (text := _fitted(*attempt)) is not None)


def exercise_mark(*, drill: bool) -> list[Part]:
    """What stands before every message of a drill: nobody reads half an alarm before seeing that it is none."""
    return [keep(say("EXERCISE."))] if drill else []


def _giving_way(
    club: list[encoding.Part], ours: list[encoding.Part], parts: Sequence[encoding.Part], segments: int, link_room: int
) -> Iterator[tuple[list[encoding.Part], int, int]]:
    for_link = [encoding.Part(part.text, part.drop if part.drop > GOOD_TO_KNOW else 0) for part in parts]
    yield [*club, *for_link], segments, link_room
    whole = [encoding.Part(part.text, part.drop) for part in parts]
    yield [*club, *whole], segments, 0
    yield [*ours, *whole], segments, 0
    for more in range(segments, SEGMENTS_MAX + 1):
        yield [*ours, *parts], more, 0
    yield [*ours, *(part._replace(shorten=True) for part in parts)], SEGMENTS_MAX, 0


def _fitted(parts: Sequence[encoding.Part], segments: int, reserve: int) -> str | None:
    try:
        return fit(parts, segments, reserve)
    except ValueError:
        return None


def to_each(
    dive: Dive,
    people: Iterable[Recipient],
    kind: MessageKind,
    name: str,
    parts: Sequence[Part],
    due_at: datetime,
    *,
    worded_at: datetime | None = None,
    link: LinkKind | None = None,
    segments: int | None = None,
) -> list[Draft]:
    """The same to several people, to each in their language.

    The step is its name and the number of the event, so nobody has it queued twice.
    """
    people = tuple(people)
    languages = {person.language for person in people}
    texts = {language: compose(dive, kind, parts, language, link=link, segments=segments) for language in languages}
    whole = (*exercise_mark(drill=dive.drill), keep(f"{dive.club_name}:"), *parts)
    ranks = {contact.key: rank for rank, contact in enumerate(dive.contacts)}
    return [
        Draft(
            to=person,
            kind=kind,
            step=f"{name}-{dive.version}",
            text=texts[person.language],
            due_at=due_at,
            expires_at=_expires_at(dive, kind, worded_at or due_at),
            link=link,
            rank=ranks.get(person.key, 0),
            whole=whole,
        )
        for person in people
    ]


def _expires_at(dive: Dive, kind: MessageKind, at: datetime) -> datetime | None:
    """A reminder after the alert, or a reply a quarter of an hour late, would only confuse. An alarm never expires.

    A reminder that is late itself knows of the alert, and its quarter of an hour counts from when it was worded.
    """
    if kind is MessageKind.REPLY:
        return at + REPLY_LASTS
    if kind is MessageKind.REMINDER:
        # Without a start the only reminder is the question whether there was one: until a start is assumed.
        planned = dive.plan.time_in_at or at
        until = dive.raise_by_at or planned + dive.grace.assume_started_after
        return until if until > at else at + REPLY_LASTS
    return None


def reply(
    dive: Dive, by: Actor, at: datetime, *parts: Part, name: str = "reply", segments: int | None = None
) -> list[Draft]:
    """The answer to a text; who used a page or the API has its answer there."""
    if by.via is not Via.TEXT or by.phone is None:
        return []
    to = Recipient(by.key or f"phone:{by.phone}", by.name, by.phone, language_of(dive, by))
    return to_each(dive, [to], MessageKind.REPLY, name, parts, at, segments=segments)


def language_of(dive: Dive, by: Actor) -> str:
    """The language of a person of the plan; English for everybody else."""
    person = dive.person(by.key) if by.key else None
    return ENGLISH if person is None else person.language


def to_contacts(
    dive: Dive,
    kind: MessageKind,
    name: str,
    parts: Sequence[Part],
    due_at: datetime,
    *,
    but: str | None = None,
    link: LinkKind | None = LinkKind.ALARM,
) -> list[Draft]:
    """The same to every contact, in their order, and of an alarm to admins who act on it, but for who said it."""
    acting = [an_admin(key) for key in acting_admins(dive)] if kind is MessageKind.ALERT else []
    others = [person for person in (*dive.contacts, *acting) if person.key != but]
    return to_each(dive, others, kind, name, parts, due_at, link=link)


def to_party(dive: Dive, kind: MessageKind, name: str, parts: Sequence[Part], due_at: datetime) -> list[Draft]:
    """The same to every phone of the party."""
    return to_each(dive, dive.party_phones, kind, name, parts, due_at)


def untrue_steps(dive: Dive) -> str:
    """How the steps begin whose words on whether rescue was called do not hold, or no longer do."""
    return UNCALLED if dive.phase is Phase.CLOSED or dive.called_at is not None else CALLED


def says_of_rescue(step: str) -> bool:
    """Whether the words of this step hold only until rescue is called, or while it is."""
    return step.startswith((CALLED, UNCALLED))


def acting_admins(dive: Dive) -> tuple[str, ...]:
    """The keys of the admins who act on this alarm: who answered it, is at the site, or spoke of calling rescue."""
    keys = [told.key for told in (*dive.acknowledged, *dive.on_scene)]
    keys += [call.by.own_key for call in dive.rescue_calls]
    keys += [by.own_key for one in dive.taken_back for by in (one.call.by, one.by)]
    return tuple(dict.fromkeys(key for key in keys if key.startswith(AN_ADMIN)))


def an_admin(key: str) -> Recipient:
    """One admin by their key. Their name and phone are the club's to know, so the dive leaves them open."""
    return Recipient(key=key, name="an admin", phone=None)


def party_told(dive: Dive) -> tuple[Recipient, ...]:
    """All of the party to whom the clock's times were told, so the phone too that sent the start from outside."""
    return (*dive.party_phones, *stranger_who_started(dive))


def stranger_who_started(dive: Dive) -> tuple[Recipient, ...]:
    """The phone that started the dive by its code, where the plan does not have it."""
    return _stranger(dive.started_by)


def strangers(dive: Dive) -> tuple[Recipient, ...]:
    """The phones that the plan does not have and that started the dive or raised the alarm, each once."""
    raised = [dive.raised_by, *(one.by for one in dive.raisings)]
    return tuple(dict.fromkeys(phone for by in (dive.started_by, *raised) for phone in _stranger(by)))


def _stranger(by: Actor | None) -> tuple[Recipient, ...]:
    if by is None or by.via is not Via.TEXT or by.phone is None or by.key is not None:
        return ()
    return (Recipient(key=f"phone:{by.phone}", name=by.name, phone=by.phone),)
