"""Events to log entries and messages: what is worded, to whom it goes, and what the log says of it.

`told_by` is pure, so that what a rule or a wording breaks is seen before anything is written. `Telling` writes for any
number of dives at once: what holds for all of them is asked once, and each table gets its rows together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Event, evolve, next_due_at
from service.domain.dive.events import StepTaken
from service.domain.encoding import segments
from service.domain.grace import Step
from service.domain.people import ADMINS, CLOCK, Actor, Channel, Recipient
from service.domain.wording import Draft, MessageKind, messages_for
from service.domain.wording.drafts import AN_ADMIN, without_whole
from service.operations.links import Minted
from service.operations.patience import receipt_within_s
from service.operations.service import Service
from service.store import admins, dives, log, outbox
from service.store.codec import canonical, canonical_words, dump_event_text, plain
from service.store.opt_outs import opted_out
from service.store.outbox import NewMessage
from service.store.superseding import in_place_of_waiting
from service.store.told import told_of

# Whoever waits for a slow sender hears the latest alarm once, and not all of them one after the other.
SAYS_ALL_AGAIN: Final = (Step.DISTRESS, Step.DISTRESS_AGAIN)
LADDER: Final = (Step.ALERT, Step.NEXT_CONTACT, *SAYS_ALL_AGAIN)


@dataclass(frozen=True, slots=True)
class Line:
    """One event: the dive after it, and what people are to be told of it."""

    dive: Dive
    event: Event
    drafts: tuple[Draft, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """What happened to one dive, from `before` to `after`, and when the clock next has to look at it."""

    before: Dive
    lines: tuple[Line, ...]
    next_due_at: datetime | None
    receiving_number: str | None = None  # where it is known already

    @property
    def after(self) -> Dive:
        """The dive after all of it."""
        return self.lines[-1].dive if self.lines else self.before


def told_by(dive: Dive, events: Sequence[Event], receiving_number: str | None = None) -> Page:
    """What the events make of the dive, and what people are told. Pure."""
    lines = []
    before = dive
    for event in events:
        dive = evolve(dive, event)
        lines.append(Line(dive, event, without_whole(messages_for(dive, event))))
    return Page(before, tuple(lines), next_due_at(dive), receiving_number)


def log_and_queue(service: Service, session: Session, dive: Dive, event: Event, now: datetime) -> list[str]:
    """One log entry for the event, one for the messages it causes; gives the keys that have opted out."""
    telling = Telling(service, session, now)
    [withheld] = telling.tell([Line(dive, event, tuple(messages_for(dive, event)))])
    telling.write()
    return withheld


@dataclass(frozen=True, slots=True)
class _Told:
    """A draft and who gets it; `line` is the place of its line."""

    line: int
    draft: Draft
    person: Recipient


class Telling:
    """Entries and messages of one transaction. The log is written by `write`, the messages before it."""

    def __init__(self, service: Service, session: Session, now: datetime) -> None:
        self._service = service
        self._session = session
        self._now = now
        self._book = log.Book(session)
        self._links = Minted(session, service.public_url, now)
        self._numbers: dict[str, str] = {}
        self._admins: dict[str, list[Recipient]] = {}
        self._by_clock = _actor_text(CLOCK, service.process)  # of nearly all entries of a batch

    def begin(self, pages: Sequence[Page]) -> None:
        """Take what will be needed for all of them together."""
        self._numbers |= {page.before.id: page.receiving_number for page in pages if page.receiving_number}
        if len(pages) > 1:
            self._book.hold([log.dive_chain(page.before.id) for page in pages])

    def write(self) -> None:
        """Write the log."""
        self._book.write()

    def tell(self, lines: Sequence[Line]) -> list[list[str]]:
        """Log one event each of different dives and queue its messages; for each the keys that have opted out.

        Whoever opted out of our texts is not called either; an e-mail is another matter, and goes. An e-mail that
        nobody carries is left out, since nothing hangs on it; a call is queued all the same, so that the courier finds
        that it goes nowhere and nobody waits for its answer.
        """
        causes = [self._log_event(line) for line in lines]
        told = [one for place, line in enumerate(lines) for one in self._recipients(place, line)]
        deaf = self._deaf(lines, told)
        withheld: list[list[str]] = [[] for _ in lines]
        going: list[_Told] = []
        for one in told:
            dive_id = lines[one.line].dive.id
            if (dive_id, one.person.phone) in deaf and one.draft.channel is not Channel.EMAIL:
                withheld[one.line].append(one.person.key)
            else:
                going.append(one)
        queued: list[list[dict[str, str]]] = [[] for _ in lines]
        for one, message_id in zip(going, self._queue(lines, going, causes), strict=True):
            if message_id is not None:
                queued[one.line].append(_entry(message_id, one.draft, one.person))
        for line, cause, ids, keys in zip(lines, causes, queued, withheld, strict=True):
            if ids or keys:
                detail = canonical_words({"cause": cause, "queued": ids, "opted_out": keys})
                self._log(line.dive, "messages", CLOCK, detail)
        return withheld

    def _log_event(self, line: Line) -> int:
        kind, detail = dump_event_text(line.event)
        return self._log(line.dive, f"event:{kind}", getattr(line.event, "by", CLOCK), detail)

    def _log(self, dive: Dive, kind: str, by: Actor, detail: str) -> int:
        return self._book.add(
            log.dive_chain(dive.id),
            at=self._now,
            kind=kind,
            actor=self._by_clock if by is CLOCK else _actor_text(by, self._service.process),
            detail=detail,
            dive_id=dive.id,
            club_id=dive.club_id,
        )

    def _recipients(self, place: int, line: Line) -> list[_Told]:
        no_mail = Channel.EMAIL not in self._service.channels
        drafts = [draft for draft in line.drafts if not (no_mail and draft.channel is Channel.EMAIL)]
        return [
            _Told(place, draft, person)
            for draft in drafts
            for person in self._people(line.dive, draft)
            if person.phone is not None
        ]

    def _people(self, dive: Dive, draft: Draft) -> Sequence[Recipient]:
        return whom(draft.to, lambda: self._admins_told(dive, draft))

    def _admins_told(self, dive: Dive, draft: Draft) -> list[Recipient]:
        """Those in office; of the end also whoever was told of this dive and is in office, or has a phone, no more."""
        now = self._admins_of(dive.club_id)
        if draft.kind is not MessageKind.STAND_DOWN:
            return now
        known = {admin.key for admin in now}
        return [*now, *(Recipient(*one) for one in told_of(self._session, dive.id, AN_ADMIN) if one[0] not in known)]

    def _admins_of(self, club_id: str) -> list[Recipient]:
        if club_id not in self._admins:
            self._admins[club_id] = [
                Recipient(key=f"{AN_ADMIN}{admin.id}", name=admin.name, phone=admin.phone)
                for admin in admins.admins_to_tell(self._session, club_id)
            ]
        return self._admins[club_id]

    def _deaf(self, lines: Sequence[Line], told: Sequence[_Told]) -> set[tuple[str, str | None]]:
        """The dives and phones between which nothing may go."""
        ways = {(lines[one.line].dive.id, one.person.phone) for one in told if one.person.phone}
        numbers = {dive_id: self._receiving_number(dive_id) for dive_id, _ in ways}
        deaf = opted_out(self._session, {(numbers[dive_id], phone) for dive_id, phone in ways})
        return {(dive_id, phone) for dive_id, phone in ways if (numbers[dive_id], phone) in deaf}

    def _receiving_number(self, dive_id: str) -> str:
        if dive_id not in self._numbers:
            self._numbers[dive_id] = dives.receiving_number_of(self._session, dive_id)
        return self._numbers[dive_id]

    def _queue(self, lines: Sequence[Line], going: Sequence[_Told], causes: Sequence[int]) -> list[str | None]:
        messages = [self._message(lines[one.line].dive, one, causes[one.line]) for one in going]
        self._links.store()
        again = [place for place, one in enumerate(going) if _says_all_again(lines[one.line].event)]
        placed = in_place_of_waiting(self._session, [messages[place] for place in again], LADDER, self._now)
        for place, message in zip(again, placed, strict=True):
            messages[place] = message
        return outbox.queue_all(self._session, messages)

    def _message(self, dive: Dive, told: _Told, cause: int) -> NewMessage:
        draft, person = told.draft, told.person
        body = self._links.with_link(dive, draft, person.key)
        return NewMessage(
            club_id=dive.club_id,
            dive_id=dive.id,
            person_key=person.key,
            name=person.name,
            phone=person.phone or "",
            kind=draft.kind.name.lower(),
            priority=int(draft.kind),
            rank=draft.rank,
            step=draft.step,
            channel=draft.channel.value,
            language=person.language,
            email=person.email if draft.channel is Channel.EMAIL else None,
            subject=draft.subject,
            body=body,
            segments=len(segments(body).parts) if draft.channel is Channel.TEXT else 0,
            cause_seq=cause,
            queued_at=self._now,
            due_at=draft.due_at,
            expires_at=draft.expires_at,
            receipt_within_s=receipt_within_s(draft.channel, dive.grace.receipt_within),
        )


def whom(to: Recipient, admins_of_club: Callable[[], Sequence[Recipient]]) -> Sequence[Recipient]:
    """Whom a draft is for: of admins the heart knows no phones, so that here they are found."""
    if to.key == ADMINS:
        return admins_of_club()
    if to.phone is None and to.key.startswith(AN_ADMIN):
        return [admin for admin in admins_of_club() if admin.key == to.key]
    return [to]


def _says_all_again(event: Event) -> bool:
    return isinstance(event, StepTaken) and event.step in SAYS_ALL_AGAIN


def _entry(message_id: str, draft: Draft, person: Recipient) -> dict[str, str]:
    what = {"id": message_id, "person": person.key, "step": draft.step, "kind": draft.kind.name}
    return what if draft.channel is Channel.TEXT else {**what, "channel": draft.channel.value}


def actor_of(service: Service, actor: Actor) -> dict[str, object]:
    """Who did it, and which of our processes recorded it."""
    return {**plain(actor), "process": service.process}


@lru_cache(maxsize=1_000)
def _actor_text(actor: Actor, process: str) -> str:
    return canonical({**plain(actor), "process": process})
