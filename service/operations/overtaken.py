"""An alarm that got through after its stand-down: whoever has it last would believe that it is not over.

A process that stood still with an alarm in its hands sends it when it goes on, though the dive was closed meanwhile.
Nobody can call that back, so the stand-down follows once more. Twice is as good as once.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.wording import MessageKind
from service.operations.retrying import ALARMS
from service.operations.service import Service
from service.store import log, outbox
from service.store.outbox import Message

FOLLOWED: Final = "stand_down_again"
STAND_DOWN: Final = MessageKind.STAND_DOWN.name.lower()


def is_overtaken(message: Message, phase: str | None) -> bool:
    """Whether this is an alarm of a dive that is over by now."""
    return phase == Phase.CLOSED and MessageKind(message.priority) in ALARMS


def stand_down_again(service: Service, session: Session, message: Message, dive: Dive | None, now: datetime) -> None:
    """An attempt at a message ended, or may have. Its dive is locked already."""
    if dive is None or not is_overtaken(message, dive.phase):
        return
    for one in outbox.of_dive(session, dive.id):
        same = (one.person_key, one.channel) == (message.person_key, message.channel)
        if same and one.kind == STAND_DOWN and one.handed_at is not None and one.queued_at >= message.queued_at:
            # No event of the dive is its cause.
            again = replace(outbox.copied(one, f"{one.step}-{message.id[:8]}", now), cause_seq=None)
            _log(service, session, message, outbox.queue(session, again), now)
            return


def _log(service: Service, session: Session, message: Message, again: str | None, now: datetime) -> None:
    log.append(
        session,
        chain=log.chain_of(message.dive_id, message.club_id),
        at=now,
        kind=FOLLOWED,
        actor={"role": "clock", "name": "the service", "process": service.process},
        detail={"message": again, "alarm": message.id, "person": message.person_key},
        dive_id=message.dive_id,
        club_id=message.club_id,
    )
