"""A storm in the outbox, made for measuring: dives overdue at once, and an alarm for each of their contacts."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain.wording import MessageKind
from service.operations.service import Service
from service.store import log
from service.store.ids import new_id
from service.store.outbox import QUEUED
from service.store.tables import MessageRow
from service.store.upsert import insert_rows
from tests.bench.armed import arm

CLUB = "skerry-bay"
CONTACTS = 3
BATCH = 250
DISTRESS = (
    "Skerry Bay Divers: OVERDUE. Anna Holt and 1 more, Lantern Cove 47.12345 -20.54321, due out 10:50. Not heard "
    "since 10:00. Call rescue now: 07700 900999 (practice rescue desk). Then text CALLED 7K."
)
REMINDER = "Skerry Bay Divers: you are due out at 10:50. Text OUT when all are out."


def gather(service: Service, dives: int, reminders: int, now: datetime, begins_at: datetime) -> int:
    """Put the storm into the outbox: reminders first, then a distress for each contact; gives how many messages.

    Nobody can carry any of them before `begins_at`.
    """
    # Their own clocks are a day off, so that no sweep adds to the storm.
    arm(service, dives, lambda _: now + timedelta(days=1), until=now, with_log=False)
    calm = [_message(number % dives, place, MessageKind.REMINDER, now) for place, number in _places(reminders, dives)]
    urgent = [_message(n, rank, MessageKind.DISTRESS, now) for n in range(dives) for rank in range(CONTACTS)]
    for begin in range(0, dives, BATCH):
        service.write(lambda session, begin=begin: _begin_logs(session, range(begin, min(begin + BATCH, dives)), now))
    every = [message | {"not_before_at": begins_at} for message in calm + urgent]
    for begin in range(0, len(every), BATCH):
        rows = every[begin : begin + BATCH]
        service.write(lambda session, rows=rows: insert_rows(session, MessageRow, *rows))
    return len(every)


def _places(reminders: int, dives: int) -> Iterator[tuple[int, int]]:
    return ((number // dives, number) for number in range(reminders))


def _begin_logs(session: Session, numbers: range, now: datetime) -> None:
    """A chain for each dive, as every dive has one by the time that it is overdue."""
    for number in numbers:
        dive_id = dive_of(number)
        actor = {"role": "clock", "name": "the service"}
        log.append(
            session,
            chain=log.dive_chain(dive_id),
            at=now,
            kind="overdue",
            actor=actor,
            detail={},
            dive_id=dive_id,
            club_id=CLUB,
        )


def dive_of(number: int) -> str:
    """The id of a dive."""
    return f"bench{number:08d}"


def _message(number: int, rank: int, kind: MessageKind, now: datetime) -> dict[str, object]:
    alarm = kind is MessageKind.DISTRESS
    body = DISTRESS if alarm else REMINDER
    return {
        "id": new_id(),
        "club_id": CLUB,
        "dive_id": dive_of(number),
        "person_key": f"contact-{rank}" if alarm else "diver-0",
        "name": f"Contact {rank}",
        "phone": f"+4477009{number % 10:01d}{rank:01d}{number % 1000:03d}",
        "email": None,
        "channel": "text",
        "language": "en",
        "kind": kind.name.lower(),
        "priority": int(kind),
        "rank": rank,
        "step": "distress-1" if alarm else f"heads_up-{rank}",
        "subject": None,
        "body": body,
        "segments": 2 if alarm else 1,
        "state": QUEUED,
        "cause_seq": 1,
        "queued_at": now,
        "due_at": now,
        "not_before_at": now,
        "expires_at": None,
        "lease_owner": None,
        "lease_until_at": None,
        "in_flight": False,
        "attempts": 0,
        "handed_at": None,
        "handed_gateway": None,
        "provider_id": None,
        "delivered_at": None,
        "ended_at": None,
        "failed_reason": None,
        "receipt_checked": False,
        "receipt_within_s": 30,
    }
