"""What would come late if all clocks were set back: dives that have begun, and messages that are to go out."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain.dive.state import Phase
from service.store.outbox import LEASED, QUEUED
from service.store.tables import DiveRow, MessageRow

_NOT_BEGUN = (Phase.FILED.value, Phase.CLOSED.value)


@dataclass(frozen=True, slots=True)
class UnderWay:
    """How many of each, of all clubs."""

    dives: int
    messages: int

    def __bool__(self) -> bool:
        """Whether there is anything."""
        return bool(self.dives or self.messages)


def under_way(session: Session) -> UnderWay:
    """What is under way. A plan that was not started yet is not: its time in is what its diver wrote."""
    dives = select(func.count()).select_from(DiveRow).where(DiveRow.phase.not_in(_NOT_BEGUN))
    messages = select(func.count()).select_from(MessageRow).where(MessageRow.state.in_((QUEUED, LEASED)))
    return UnderWay(session.execute(dives).scalar_one(), session.execute(messages).scalar_one())
