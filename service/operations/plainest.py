"""The plainest alarm: when the rules fail on a dive, its contacts are alerted from the bare columns of its row.

It uses no state, no wording of the heart but one sentence, and no decision: an unreadable dive must never be a
silent one.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import TypedDict

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.encoding import segments
from service.domain.people import Actor, Channel, Recipient, Role
from service.domain.phone import probably_landline
from service.domain.standing import Reach
from service.domain.wording import MessageKind
from service.domain.wording.drafts import AN_ADMIN
from service.domain.wording.general import service_fault, service_fault_over
from service.domain.wording.spoken import as_said
from service.operations.patience import receipt_within_s
from service.operations.service import Service
from service.store import admins, dives, due, log, opt_outs, outbox, reaches
from service.store.dives import UnreadableDive
from service.store.outbox import EXPIRED, FAILED, Message, NewMessage
from service.store.plain_columns import RowFacts, row_facts

AGAIN_AFTER = timedelta(minutes=10)
STEP = "fault-"
HELD_MAX = 200
OUTAGE_STEP = "outage-"  # of a keeper that stood in for the database
UNKNOWN_TO_RULES = (STEP, OUTAGE_STEP)
ALARMS = ("distress", "alert")


class _Worded(TypedDict):
    body: str
    segments: int
    channel: str


def raise_plainest(service: Service, dive_id: str) -> None:
    """Tell every contact and every admin, now and again every ten minutes until the dive can be read or is closed."""
    now = service.clock.now()
    service.write(lambda session: raise_within(service, session, dive_id, now))
    service.nudge()


def overdue_and_held(service: Service, late_s: float) -> frozenset[str]:
    """Dives that have been due for so many real seconds, and that somebody's transaction keeps from every sweep."""
    before = service.clock.now() - timedelta(seconds=clock_seconds(service.clock, late_s))
    return frozenset(service.write(lambda session: due.held_by_others(session, before, HELD_MAX)))


def raise_beside_lock(service: Service, dive_id: str) -> None:
    """As `raise_plainest`, for a dive past its raise-by time that somebody keeps locked: inserts need no lock on it."""
    now = service.clock.now()

    def work(session: Session) -> None:
        facts = row_facts(session, dive_id)
        if facts is not None and facts.raise_by_at is not None and facts.raise_by_at <= now:
            raise_within(service, session, dive_id, now, beside_lock=True)

    service.write(work)
    service.nudge()


def raise_within(
    service: Service,
    session: Session,
    dive_id: str,
    now: datetime,
    *,
    even_closed: bool = False,
    beside_lock: bool = False,
    once: bool = False,
) -> bool:
    """The same within a transaction that is open already; whether anybody is told, now or just before.

    Asked twice within ten minutes it tells once. `even_closed`: somebody of the dive calls for help after its end,
    which opens no dive that cannot be read, so they are told once and not every ten minutes. `beside_lock`: somebody
    else holds the row, so nothing is written to it. `once`: it is a text that failed, and the dive's own clock may be
    in order, so its next moment stays as it is.
    """
    if not beside_lock:
        with contextlib.suppress(UnreadableDive):
            dives.lock(session, dive_id)  # an unreadable row is locked all the same
    log.hold(session, log.dive_chain(dive_id))  # two keepers may come to the same dive beside its lock
    facts = row_facts(session, dive_id)
    if facts is None or (facts.phase == "closed" and not even_closed):
        return False
    again = facts.phase != "closed" and not (beside_lock or once)
    last_at = max((message.queued_at for message in _earlier(session, dive_id)), default=None)
    if last_at is not None and now - last_at < AGAIN_AFTER:
        if again:
            dives.postpone(session, dive_id, last_at + AGAIN_AFTER)
        return True
    people = _people(session, facts)
    deaf = [one.key for one in people if opt_outs.is_opted_out(session, facts.receiving_number, one.phone or "")]
    declined = _declined(session, facts, people)
    told = [person.key for person in people if person.key not in deaf and person.key not in declined]
    words = fault_words(facts)
    for rank, person in enumerate(people):
        if person.key in told:
            for channel in _ways(service, person):
                outbox.queue(session, _message(facts, person, words, now, rank, channel))
    if again:
        dives.postpone(session, dive_id, now + AGAIN_AFTER)
    log.append(
        session,
        chain=log.dive_chain(dive_id),
        at=now,
        kind="fault",
        actor={"role": "clock", "name": "the service", "process": service.process},
        detail={"told": told, "opted_out": deaf, "declined": declined, "words": words},
        dive_id=dive_id,
        club_id=facts.club_id,
    )
    return bool(told)


def end_unknown_alarms(session: Session, dive_id: str, version: int, by: Actor, now: datetime) -> list[str]:
    """The stand-down for whoever may have an alarm of which the rules do not know, or no longer, and got no end of it.

    That is the plainest alarm, a keeper's without the database, and an admin's of before the dive was opened again.
    `by` has closed the dive, or says of one that was closed before that it is over. Twice is as good as once.
    Gives the ids of the messages.
    """
    step = f"stand_down-{version}"
    messages = outbox.of_dive(session, dive_id)
    over = [message for message in messages if message.kind == "stand_down"]
    reached = {(m.person_key, m.channel): m for m in messages if m.attempts and m.kind in ALARMS and _is_unknown(m)}
    facts = row_facts(session, dive_id) if reached else None
    queued = []
    for way, alarm in reached.items():
        earlier = [one for one in over if (one.person_key, one.channel) == way]
        # One that nobody took, or that a new alarm kept from going out, has told nobody anything.
        told = any(one.queued_at >= alarm.queued_at and one.state not in (FAILED, EXPIRED) for one in earlier)
        if facts is None or told or by.phone == alarm.phone:
            continue
        if alarm.channel != Channel.EMAIL and opt_outs.is_opted_out(session, facts.receiving_number, alarm.phone):
            continue
        # Who was stood down before that alarm hears it once more, as a message of its own.
        name = f"{step}-{alarm.id[:8]}" if any(one.step == step for one in earlier) else step
        queued.append(outbox.queue(session, stand_down(facts, by.name, alarm, name, now)))
    return [one for one in queued if one is not None]


def _is_unknown(alarm: Message) -> bool:
    return alarm.step.startswith(UNKNOWN_TO_RULES) or alarm.person_key.startswith(AN_ADMIN)


def stand_down(facts: RowFacts, by_name: str, alarm: Message, step: str, now: datetime) -> NewMessage:
    """What whoever got that alarm is told at the end, by the bare columns too; `by_name` says that it is over."""
    words = service_fault_over(
        facts.club_name, facts.lead_name, facts.site_name, by_name, facts.reference, drill=facts.drill
    )
    return NewMessage(
        club_id=facts.club_id,
        dive_id=facts.dive_id,
        person_key=alarm.person_key,
        name=alarm.name,
        phone=alarm.phone,
        email=alarm.email,
        subject=words if alarm.channel == Channel.EMAIL else None,
        kind="stand_down",
        priority=int(MessageKind.STAND_DOWN),
        step=step,
        **_worded(words, Channel(alarm.channel)),
        queued_at=now,
        due_at=now,
    )


def _ways(service: Service, person: Recipient) -> tuple[Channel, ...]:
    """A text, which costs nothing if it does not arrive; a landline is called too. The columns know no more."""
    called = Channel.CALL in service.channels and probably_landline(person.phone or "")
    return (Channel.TEXT, Channel.CALL) if called else (Channel.TEXT,)


def _worded(words: str, channel: Channel) -> _Worded:
    if channel is Channel.TEXT:
        return {"body": words, "segments": len(segments(words).parts), "channel": channel}
    return {"body": as_said(words) if channel is Channel.CALL else words, "segments": 0, "channel": channel}


def _earlier(session: Session, dive_id: str) -> Sequence[Message]:
    return [message for message in outbox.of_dive(session, dive_id) if message.step.startswith(STEP)]


def _people(session: Session, facts: RowFacts) -> list[Recipient]:
    contacts = [Recipient(one.key, one.name, one.phone) for one in facts.phones if one.role == "contact"]
    told = admins.admins_to_tell(session, facts.club_id)
    return contacts + [Recipient(f"admin-{one.id}", one.name, one.phone) for one in told if one.phone]


def _declined(session: Session, facts: RowFacts, people: Sequence[Recipient]) -> list[str]:
    """The contacts who said that they will be none; an admin who did is told as an admin."""
    known = reaches.find(session, facts.club_id, [one.phone for one in people if one.phone])
    contacts = [one for one in people if one.key.startswith(Role.CONTACT)]
    return [one.key for one in contacts if known.get(one.phone or "", Reach()).declined]


def fault_words(facts: RowFacts) -> str:
    """The plainest alarm, by the plain columns."""
    lead = next((phone.phone for phone in facts.phones if phone.key == "diver-0"), None)
    return service_fault(facts.club_name, facts.site_name, facts.rescue_call, facts.lead_name, lead, drill=facts.drill)


def _message(facts: RowFacts, person: Recipient, words: str, now: datetime, rank: int, channel: Channel) -> NewMessage:
    return NewMessage(
        club_id=facts.club_id,
        dive_id=facts.dive_id,
        person_key=person.key,
        name=person.name,
        phone=person.phone or "",
        kind="distress",
        priority=int(MessageKind.DISTRESS),
        rank=rank,
        step=f"{STEP}{now:%Y%m%dT%H%M}",
        **_worded(words, channel),
        queued_at=now,
        due_at=now,
        receipt_within_s=receipt_within_s(channel),
    )
