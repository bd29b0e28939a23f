"""What would come late if all clocks were set back: dives that have begun, messages to go out, texts to be read."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain.dive.state import Phase
from service.store.inbound import STORED
from service.store.outbox import LEASED, QUEUED
from service.store.tables import DiveRow, InboundPartRow, InboundTextRow, MessageRow

_NOT_BEGUN = (Phase.FILED.value, Phase.CLOSED.value)


@dataclass(frozen=True, slots=True)
class UnderWay:
    """How many of each, of all clubs."""

    dives: int
    messages: int
    texts: int

    def __bool__(self) -> bool:
        """Whether there is anything."""
        return bool(self.dives or self.messages or self.texts)

    def __str__(self) -> str:
        """In words."""
        return f"{self.dives} dives are under way, {self.messages} messages and {self.texts} texts wait"


def under_way(session: Session) -> UnderWay:
    """What is under way. A plan that was not started yet is not: its time in is what its diver wrote."""
    dives = select(func.count()).select_from(DiveRow).where(DiveRow.phase.not_in(_NOT_BEGUN))
    messages = select(func.count()).select_from(MessageRow).where(MessageRow.state.in_((QUEUED, LEASED)))
    texts = select(func.count()).select_from(InboundTextRow).where(InboundTextRow.state == STORED)
    parts = select(func.count()).select_from(InboundPartRow).where(InboundPartRow.inbound_id.is_(None))
    found = [session.execute(one).scalar_one() for one in (dives, messages, texts, parts)]
    return UnderWay(found[0], found[1], found[2] + found[3])
