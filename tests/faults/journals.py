"""What the gateways took, as the checker asks for it: each entry with the message of ours that it was."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.tables import AttemptRow, MessageRow
from tests.fakes.journal import Taken
from tests.faults.rig import Rig


@dataclass(frozen=True, slots=True)
class TakenText:
    """One text that a gateway took. `at` is as the service's clock showed it."""

    number: int
    at: datetime
    gateway: str
    to: str
    body: str
    reference: str


def taken_texts(rig: Rig) -> list[TakenText]:
    """All entries of both journals in their order.

    A gateway knows no ids of ours. An entry is the message whose attempt learned its id; where the answer was lost, the
    message of those words to that phone with an attempt at that gateway that had begun by then, the latest begun.
    """
    found = sorted(((one.at, gateway.name, one) for gateway in rig.gateways for one in gateway.taken()), key=_when)
    with Session(rig.engine) as session:
        attempts = session.execute(select(AttemptRow)).scalars().all()
        messages = {row.id: row for row in session.execute(select(MessageRow)).scalars()}
    by_id = {(one.gateway, one.provider_id): one.message_id for one in attempts if one.provider_id}
    begun: dict[tuple[str, str, str], list[AttemptRow]] = defaultdict(list)
    for one in attempts:
        message = messages[one.message_id]
        begun[one.gateway, message.phone, message.body].append(one)
    texts = []
    for number, (at_s, gateway, one) in enumerate(found):
        at = rig.clock.latest_shown(at_s) if rig.clock.moved else one.taken_at
        reference = by_id.get((gateway, one.sid)) or _message_of(begun[gateway, one.to, one.body], at) or one.sid
        texts.append(TakenText(number, at, gateway, one.to, one.body, reference))
    return texts


def _when(found: tuple[float, str, Taken]) -> float:
    return found[0]


def _message_of(attempts: list[AttemptRow], at: datetime) -> str | None:
    before = [one for one in attempts if one.started_at <= at + timedelta(milliseconds=5)]
    return max(before, key=lambda one: one.started_at).message_id if before else None
