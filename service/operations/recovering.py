"""After a restore the divers are asked before contacts are alerted: the database does not know what was said since.

The first sweep on a copy begins it: every open dive whose contacts have not been alerted is held for ten minutes, its
party is asked after the first of them, and the admins are told at once. The minute is for what lies in the spool and
in the gateways' lists. Who calls for help is heard as ever. Then, or when an admin says so, each clock goes on to where
it should be. A dive that was held before is not held again, so that no alarm is held up by more. For a copy that was
in place within a minute of the last sweep nothing is held up.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from functools import partial
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive.commands import EndHold, Hold
from service.domain.people import CLOCK, Actor, Role, Via
from service.operations import desk_log, service_log
from service.operations.desk_dives import desk_actor
from service.operations.recording import apply
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.operations.telling_admins import tell_admins
from service.store import admins, clubs, epochs, health
from service.store.codec import stamp
from service.store.dives import UnreadableDive
from service.store.engine import is_transient
from service.store.epochs import Epoch

_LOG = logging.getLogger(__name__)

HELD_FOR: Final = timedelta(minutes=10)
ASKED_AFTER: Final = timedelta(minutes=1)
AT_ONCE: Final = 50  # short transactions: an SOS may be waiting to be written
RESTORED: Final = "restored"
TAKEN_ON: Final = "copy_taken_on"
CONFIRMED: Final = "recovery_confirmed"


class NoRecoveryError(Exception):
    """There is nothing to confirm, or nobody of that name to do it; in words for whoever asked."""


def begin_recovery(service: Service, last_sweep_at: datetime | None) -> None:
    """Begin the asking: the database is a copy that nobody has begun it for. Done by two at once it is done once."""
    now = service.clock.now()
    known = service.read(epochs.current)
    told = known.copied_at if known is not None and known.identity == epochs.COPY else None
    command = Hold(CLOCK, told or last_sweep_at or now, now + ASKED_AFTER, now + HELD_FOR)
    # The dives first: should this break off, what comes next finds a copy again, and holds those that are left.
    asked = _to_all(service, command, now)
    service.write(partial(_begin, service, command, asked, now))
    service.nudge()


def _begin(service: Service, command: Hold, asked: int, now: datetime, session: Session) -> None:
    known = epochs.current(session, locked=True)
    if known is not None and known.identity == epochs.identity(session):
        return  # another sweep was quicker
    epochs.begin(session, now, command.copied_at, command.until_at)
    detail = {"copied_at": stamp(command.copied_at), "until_at": stamp(command.until_at), "asked": asked}
    service_log.note(service, session, RESTORED, detail, now)
    words = (
        f"Linetender was restored from a copy of {command.copied_at:%d.%m. %H:%M} UTC. Later texts and plans are lost."
        f" {asked} open dives are asked, no alarm till {command.until_at:%H:%M} UTC. Find out who is in the water."
    )
    tell_admins(session, f"{RESTORED}-{now:%Y%m%dT%H%M%S}", words, now)


def take_on(service: Service, session: Session, swept_at: datetime, now: datetime) -> None:
    """Take a copy that was in its place within a minute of the last sweep, `swept_at`, for the database itself.

    What it may lack is of that minute, and for that no alarm is held up: the admins are told. Left as a copy it would
    be found as one after the next outage, and then alarms would wait for ten minutes for nothing.
    """
    known = epochs.current(session, locked=True)
    if known is not None and known.identity == epochs.identity(session):
        return
    epochs.begin(session, now, swept_at, now)
    service_log.note(service, session, TAKEN_ON, {"copied_at": stamp(swept_at)}, now)
    words = (
        f"The database of Linetender was replaced by a copy of {swept_at:%d.%m. %H:%M:%S} UTC or a little later."
        " Texts and plans of the minute before now may be lost. No alarm is held up. Find out who is in the water."
    )
    tell_admins(session, f"{TAKEN_ON}-{now:%Y%m%dT%H%M%S}", words, now)


def _to_all(service: Service, command: Hold | EndHold, now: datetime, club_id: str | None = None) -> int:
    """Let every dive that it may concern decide, of one club or of all; how many changed by it."""
    waiting = service.read(partial(epochs.to_be_asked, club_id=club_id))
    changed = 0
    for begin in range(0, len(waiting), AT_ONCE):
        batch = waiting[begin : begin + AT_ONCE]
        changed += service.write(partial(_to_each, service, batch, command, now))
    return changed


def _to_each(service: Service, dive_ids: list[str], command: Hold | EndHold, now: datetime, session: Session) -> int:
    return sum(_to_one(service, session, dive_id, command, now) for dive_id in dive_ids)


def _to_one(service: Service, session: Session, dive_id: str, command: Hold | EndHold, now: datetime) -> bool:
    try:
        with session.begin_nested():
            applied = apply(service, session, dive_id, command, now)
    except UnreadableDive:
        return False  # its alarm is not held: nobody could read what its party answers
    except Exception as fault:
        if is_transient(fault):
            raise
        _LOG.exception("dive_not_held", extra={"dive": dive_id})
        return False
    return applied is not None and bool(applied.events)


def asking(service: Service) -> Epoch | None:
    """The life of the database in which divers are being asked now; None where they are not."""
    known = service.read(epochs.current)
    return known if known is not None and known.asks_at(service.clock.now()) else None


def confirm(service: Service, admin_name: str) -> int:
    """Let all clocks go on, on the word of an admin who knows who is in the water; gives how many had been held.

    Raises NoRecoveryError: no admin of that name, or nothing is held.
    """
    now = service.clock.now()
    known = asking(service)
    if known is None:
        raise NoRecoveryError("no divers are being asked: nothing is held up")
    by = service.read(partial(admin_named, admin_name))
    ended = _to_all(service, EndHold(by), now)

    def end(session: Session) -> None:
        epochs.end_asking(session, known.id, now, by.name)
        service_log.note(service, session, CONFIRMED, {"by": by.name, "dives": ended}, now, role="admin", name=by.name)

    service.write(end)
    service.nudge()
    return ended


def confirm_for_club(service: Service, admin: SignedIn) -> int:
    """Let the held dives of the admin's own club go on, on their word at the desk; gives how many had been held.

    Those of other clubs wait for their own admins, or for the time to be over.
    """
    now = service.clock.now()
    ended = _to_all(service, EndHold(desk_actor(admin, "Let the clocks go on")), now, admin.club_id)
    if ended:
        service.write(lambda session: desk_log.note(service, session, admin, CONFIRMED, {"dives": ended}))
        service.nudge()
    return ended


def mark_by_hand(service: Service) -> datetime | None:
    """Note that this database was put in place by other means than ours; gives how old it says that it is."""

    def mark(session: Session) -> datetime | None:
        last = health.heartbeat(session, epochs.SWEEP)
        copied_at = None if last is None else last.at
        epochs.mark_copy(session, copied_at)
        return copied_at

    return service.write(mark)


def admin_named(name: str, session: Session) -> Actor:
    """The admin of any club who gives a word by command. Raises NoRecoveryError."""
    wanted = name.strip().casefold()
    for club in clubs.listing(session):
        for admin in admins.listing(session, club.id):
            if admin.name.casefold() == wanted:
                return Actor(Role.ADMIN, admin.name, Via.COMMAND, f"{Role.ADMIN}-{admin.id}")
    raise NoRecoveryError(f"no admin is called {name}")
