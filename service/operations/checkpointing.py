"""The hourly checkpoint over all chains, and its hash by e-mail to whom a club names, once a day.

What we keep ourselves proves little against ourselves. A hash in somebody else's mailbox does: with it nobody can
write the log anew and nobody notices.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Final

from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.operations.service import Service
from service.store import checkpoints, clubs, health, log, outbox
from service.store.checkpoints import Checkpoint
from service.store.outbox import NewMessage
from service.store.tables import ClubRow

EVERY: Final = timedelta(hours=1)
HEARTBEAT: Final = "checkpoint"
MAIL_SETTING: Final = "log_head_mail"
MAIL_PERSON: Final = "log-head"
MAIL_STEP: Final = "log_head"
MAIL_QUEUED: Final = "log_head_queued"  # in the log
_KEEP_IT: Final = (
    "Keep this mail. Should anybody ever doubt the log, these hashes must still be in it. The page Checkpoints at the"
    " club's desk compares them, and docs/log.md says how to do it without us. Nothing has to be done now."
)
SHOWN: Final = 24
MAILS_SHOWN: Final = 7
OF_USE: Final = timedelta(days=3)


def write_checkpoint(service: Service) -> bool:
    """Write the hourly checkpoint of the log if it is time, and queue the day's mails; whether it was.

    Any number of processes may come at once: they follow each other at the head of the checkpoints, and only the
    first finds that it is time.
    """
    now = service.clock.now()
    if not service.write(partial(_if_time, service, now)):
        return False
    # Apart from it, since a checkpoint has the heads of many chains in hand, for which alarms would wait.
    for club in service.read(clubs.listing):
        if mail_address(club) is not None and Channel.EMAIL in service.channels:
            service.write(partial(_mail, service, club, now))
    return True


def _if_time(service: Service, now: datetime, session: Session) -> bool:
    # A look first, so that who comes too early waits for nobody; and once more when nobody else can be at it.
    if not _is_time(session, now):
        return False
    log.hold(session, log.CHECKPOINTS)
    if not _is_time(session, now):
        return False
    log.checkpoint(session, now)
    health.beat(session, HEARTBEAT, now, service.process)
    return True


def _is_time(session: Session, now: datetime) -> bool:
    last = health.heartbeat(session, HEARTBEAT)
    return last is None or now - last.at >= EVERY


def mail_address(club: ClubRow) -> str | None:
    """To whom the club has the hash sent; None for nobody."""
    found = club.settings.get(MAIL_SETTING)
    return found if isinstance(found, str) and found else None


def _mail(service: Service, club: ClubRow, now: datetime, session: Session) -> None:
    [last] = checkpoints.latest(session, 1)
    message = NewMessage(
        club_id=club.id,
        dive_id=None,
        person_key=MAIL_PERSON,
        name="Keeper of the log's hash",
        phone="",
        kind="other",
        priority=6,
        step=f"{MAIL_STEP}-{now:%Y-%m-%d}",
        subject=f"{club.name}: checkpoint {last.number} of the log",
        body=_words(session, club, last),
        segments=0,
        queued_at=now,
        due_at=now,
        expires_at=now + OF_USE,
        channel=Channel.EMAIL.value,
        email=mail_address(club),
    )
    if outbox.queue(session, message) is None:
        return  # it went out today already
    log.append(
        session,
        chain=log.club_chain(club.id),
        at=now,
        kind=MAIL_QUEUED,
        actor={"role": "clock", "name": "the service", "process": service.process},
        detail={"checkpoint": last.number, "hash": last.hash},
        club_id=club.id,
    )


def _words(session: Session, club: ClubRow, last: Checkpoint) -> str:
    head = checkpoints.head(session, log.club_chain(club.id))
    count = checkpoints.head(session, log.CHECKPOINTS).seq
    return "\n\n".join(
        (
            f"The log of {club.name} stood like this at {last.at:%Y-%m-%d %H:%M} UTC.",
            f"Checkpoint {last.number}, of {count} in all\n{last.hash}",
            f"The club's own chain: {head.seq} entries, the last with the hash\n{head.hash}",
            _KEEP_IT,
        )
    )


@dataclass(frozen=True, slots=True)
class Known:
    """The last checkpoints, how many there are, to whom the hash goes, and where the club's own chain ends."""

    latest: tuple[Checkpoint, ...]
    count: int
    mail: str | None
    mailed: tuple[log.Entry, ...]
    head: checkpoints.Head


@dataclass(frozen=True, slots=True)
class Match:
    """What has a hash that somebody holds: a checkpoint, or an entry of the club's own chain."""

    checkpoint: Checkpoint | None
    entry: log.Entry | None


def checkpoints_of(service: Service, club_id: str) -> Known:
    """What a club is shown of the checkpoints. Raises LookupError for no such club."""

    def look(session: Session) -> Known:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        chain = log.club_chain(club_id)
        return Known(
            latest=tuple(checkpoints.latest(session, SHOWN)),
            count=checkpoints.head(session, log.CHECKPOINTS).seq,
            mail=mail_address(club),
            mailed=tuple(log.latest(session, chain, MAIL_QUEUED, MAILS_SHOWN)),
            head=checkpoints.head(session, chain),
        )

    return service.read(look)


def checkpoint_of(service: Service, club_id: str, given: str) -> Match:
    """The checkpoint with that hash, or the entry of the club's chain; both None where nothing has it."""

    def look(session: Session) -> Match:
        found = checkpoints.by_hash(session, given)
        return Match(found, None if found else checkpoints.entry_by_hash(session, log.club_chain(club_id), given))

    return service.read(look)
