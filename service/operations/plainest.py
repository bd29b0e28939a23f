"""The plainest alarm: when the rules fail on a dive, its contacts are alerted from the bare columns of its row.

It uses no state, no wording of the heart but one sentence, and no decision: an unreadable dive must never be a
silent one.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain.encoding import segments
from service.domain.wording.general import service_fault
from service.operations.service import Service
from service.store import admins, dives, log, outbox
from service.store.dives import RowFacts
from service.store.outbox import NewMessage

AGAIN_AFTER = timedelta(minutes=10)


def raise_plainest(service: Service, dive_id: str) -> None:
    """Tell every contact and every admin, now and again every ten minutes until the dive can be read or is closed."""
    now = service.clock.now()
    service.write(lambda session: _raise(service, session, dive_id, now))
    service.nudge()


def _raise(service: Service, session: Session, dive_id: str, now: datetime) -> None:
    facts = dives.row_facts(session, dive_id)
    if facts is None or facts.phase == "closed":
        return
    lead = next((phone.phone for phone in facts.phones if phone.key == "diver-0"), None)
    words = service_fault(facts.club_name, facts.site_name, facts.rescue_call, facts.lead_name, lead)
    people = [(phone.key, phone.name, phone.phone) for phone in facts.phones if phone.role == "contact"]
    people += [(f"admin-{a.id}", a.name, a.phone) for a in admins.admins_to_tell(session, facts.club_id) if a.phone]
    for rank, (key, name, phone) in enumerate(people):
        outbox.queue(session, _message(facts, key, name, phone, words, now, rank))
    dives.postpone(session, dive_id, now + AGAIN_AFTER)
    log.append(
        session,
        chain=log.dive_chain(dive_id),
        at=now,
        kind="fault",
        actor={"role": "clock", "name": "the service", "process": service.process},
        detail={"told": [key for key, _, _ in people], "words": words},
        dive_id=dive_id,
        club_id=facts.club_id,
    )


def _message(
    facts: RowFacts, key: str, name: str, phone: str, words: str, now: datetime, rank: int
) -> NewMessage:
    return NewMessage(
        club_id=facts.club_id,
        dive_id=facts.dive_id,
        person_key=key,
        name=name,
        phone=phone,
        kind="distress",
        priority=0,
        rank=rank,
        step=f"fault-{now:%Y%m%dT%H%M}",
        body=words,
        segments=len(segments(words).parts),
        queued_at=now,
        due_at=now,
    )
