"""One dive as the log has it: every entry, and what the service believed after any of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.domain.dive.evolve import evolve
from service.operations.log_words import who, words_of
from service.operations.service import Service
from service.store import checkpoints, dives, kept, log, outbox
from service.store.checkpoints import Head
from service.store.codec import UnreadableError, load_event
from service.store.dives import UnreadableDive
from service.store.kept import Standing
from service.store.log import EVENT_PREFIX, Entry
from service.store.outbox import Message


@dataclass(frozen=True, slots=True)
class Line:
    """One entry, whose doing it was, and in words."""

    entry: Entry
    who: str
    words: str

    @property
    def is_event(self) -> bool:
        """Whether it changed the dive."""
        return self.entry.kind.startswith(EVENT_PREFIX)


@dataclass(frozen=True, slots=True)
class DiveLog:
    """A dive of a club with its whole chain. `dive` is None where its state cannot be read.

    `head` is where the chain ends; `zone` the site's, or that of the desk.
    """

    dive_id: str
    standing: Standing
    dive: Dive | None
    lines: tuple[Line, ...]
    messages: tuple[Message, ...]
    head: Head

    @property
    def erased_at(self) -> datetime | None:
        """When its details were erased."""
        return self.standing.erased_at


@dataclass(frozen=True, slots=True)
class Belief:
    """What the service believed of a dive after an entry; None before the plan, or where it cannot be said, and why."""

    dive: Dive | None
    why_not: str | None = None


def dive_log(service: Service, club_id: str, dive_id: str) -> DiveLog | None:
    """The log of a dive of this club; None for no such dive of theirs."""

    def look(session: Session) -> DiveLog | None:
        standing = kept.standing(session, club_id, dive_id)
        if standing is None:
            return None
        dive = _dive(session, dive_id)
        chain = log.dive_chain(dive_id)
        lines = tuple(Line(entry, who(entry), words_of(entry, dive)) for entry in log.entries(session, chain))
        messages = tuple(outbox.of_dive(session, dive_id))
        return DiveLog(dive_id, standing, dive, lines, messages, checkpoints.head(session, chain))

    return service.read(look)


def _dive(session: Session, dive_id: str) -> Dive | None:
    try:
        return dives.get(session, dive_id)
    except UnreadableDive:
        return None


def beliefs(entries: Sequence[Entry]) -> Iterator[Belief]:
    """After each entry, what was believed of the dive by then. An entry that is no event changes nothing."""
    now = Belief(None, None)
    for entry in entries:
        if entry.kind.startswith(EVENT_PREFIX) and now.why_not is None:
            now = _after(now.dive, entry)
        yield now


def _after(dive: Dive | None, entry: Entry) -> Belief:
    if entry.detail is None:
        return Belief(None, "The events were erased, so nobody can say any more what was believed.")
    try:
        return Belief(evolve(dive, load_event(entry.kind.removeprefix(EVENT_PREFIX), entry.detail)))
    except (UnreadableError, ValueError):
        return Belief(None, f"Entry {entry.seq} cannot be read, so what followed cannot be worked out.")


def belief_at(entries: Sequence[Entry], seq: int) -> Belief:
    """What was believed after the entry of that number."""
    found = Belief(None, None)
    for entry, belief in zip(entries, beliefs(entries), strict=True):
        if entry.seq > seq:
            break
        found = belief
    return found
