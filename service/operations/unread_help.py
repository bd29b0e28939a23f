"""A call for help by script, page or desk for a dive that cannot be read: its people are told by the plainest path.

As it is by text. The rules can decide nothing of such a dive, but a call for help must not end at an error of ours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive.commands import RaiseNow
from service.domain.dive.state import REOPEN_WITHIN
from service.domain.people import Actor
from service.operations.plainest import raise_within
from service.operations.service import Service
from service.operations.telling import actor_of
from service.store import log
from service.store.plain_columns import RowFacts, row_facts

UNREADABLE: Final = "unreadable"


@dataclass(frozen=True, slots=True)
class Unread:
    """A dive that cannot be read, by its plain columns; `told`: its people hear that there may be trouble."""

    facts: RowFacts
    told: bool


def call_for_help(service: Service, dive_id: str, by: Actor) -> Unread | None:
    """Tell the contacts and admins of a dive, once in ten minutes, unless it has been over for long; None for no dive.

    That it was asked, by whom and in which words is in the log of the dive.
    """
    now = service.clock.now()

    def work(session: Session) -> Unread | None:
        facts = row_facts(session, dive_id)
        if facts is None:
            return None
        over = facts.closed_at is not None and now - facts.closed_at >= REOPEN_WITHIN
        told = not over and raise_within(service, session, dive_id, now, even_closed=True)
        log.append(
            session,
            chain=log.dive_chain(dive_id),
            at=now,
            kind="refused",
            actor=actor_of(service, by),
            detail={"command": RaiseNow.__name__, "code": UNREADABLE, "words": by.words},
            dive_id=dive_id,
            club_id=facts.club_id,
        )
        return Unread(facts, told)

    found = service.write(work)
    if found is not None and found.told:
        service.nudge()
    return found


def left_of(service: Service, dive_id: str) -> RowFacts | None:
    """What the plain columns say of a dive; None for no dive."""
    return service.read(lambda session: row_facts(session, dive_id))
