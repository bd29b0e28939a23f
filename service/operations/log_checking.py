"""Checking the log from the desk: one dive, or the club's chains piece by piece, each within a few seconds.

It asks what `linetender audit verify` asks, by the same functions. The checkpoints over the chains of all clubs are
for that command alone.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy.orm import Session

from service.operations.desk_log import note
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import checkpoints, log, log_search
from service.store.chain import Fault
from service.store.log_check import Reached, verify_on

CHECKED: Final = "log_checked"  # in the log
WITHIN_S: Final = 3.0  # real seconds of one piece
DIVE_MAX: Final = 5_000  # entries of a dive's chain, read at once: a fifth of a second
CLUB_MAX: Final = 50_000  # entries of the club's chain, read in blocks


@dataclass(frozen=True, slots=True)
class TooLong:
    """A chain that is too long to check here; `command` does it."""

    entries: int
    command: str


@dataclass(frozen=True, slots=True)
class From:
    """The dive after which the next piece begins."""

    filed_at: datetime
    dive_id: str


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found. `chains` were checked in this piece, of so many `dives` that the club has; `then`: what is left.

    `erased_at`: the details of a dive were erased then, so that its events were not folded again.
    """

    faults: tuple[Fault, ...]
    chains: int
    dives: int
    then: From | None = None
    too_long: tuple[TooLong, ...] = ()
    erased_at: datetime | None = None


def check_dive(service: Service, admin: SignedIn, dive_id: str) -> Checked:
    """Check the chain of a dive of the club, and its row against the fold; that it was done is logged."""

    def look(session: Session) -> Checked:
        faults = _dive_chain(session, dive_id)
        if isinstance(faults, TooLong):
            return Checked((), 0, 1, too_long=(faults,))
        return Checked(tuple(faults), 1, 1, erased_at=log.erased_at(session, dive_id))

    found = service.read(look)
    _note(service, admin, found, dive_id)
    return found


def check_club(service: Service, admin: SignedIn, after: From | None, *, within_s: float = WITHIN_S) -> Checked:
    """Check the club's own chain and then those of its dives, in the order in which they were filed, as time allows.

    Each in a short read of its own, so that nobody who writes has to wait for the whole.
    """
    until = time.monotonic() + within_s
    faults: list[Fault] = []
    long: list[TooLong] = []
    chains, then = 0, after
    if after is None:
        found = _club_chain(service, admin.club_id)
        if isinstance(found, TooLong):
            long.append(found)
        else:
            chains += 1
            faults += found
    dives, left = service.read(
        lambda session: (
            log_search.count_dives(session, admin.club_id),
            log_search.dives_after(session, admin.club_id, None if after is None else (after.filed_at, after.dive_id)),
        )
    )
    whole = len(left) < log_search.DIVES_BLOCK
    while left and time.monotonic() < until:
        filed_at, dive_id = left.pop(0)
        found = service.read(lambda session, one=dive_id: _dive_chain(session, one))  # type: ignore[misc]
        if isinstance(found, TooLong):
            long.append(found)
        else:
            chains += 1
            faults += found
        then = From(filed_at, dive_id)
    checked = Checked(tuple(faults), chains, dives, then if left or not whole else None, tuple(long))
    _note(service, admin, checked, None)
    return checked


def _club_chain(service: Service, club_id: str) -> list[Fault] | TooLong:
    """In blocks, each in a read of its own: it is the longest chain, and on SQLite nobody commits while one lasts."""
    chain = log.club_chain(club_id)
    long = service.read(lambda session: _too_long(session, chain, CLUB_MAX, "linetender audit verify"))
    if long is not None:
        return long
    reached = Reached()
    while not reached.ended:
        now = reached
        reached = service.read(lambda session, so_far=now: verify_on(session, chain, so_far))  # type: ignore[misc]
    return [] if reached.fault is None else [reached.fault]


def _dive_chain(session: Session, dive_id: str) -> list[Fault] | TooLong:
    long = _too_long(session, log.dive_chain(dive_id), DIVE_MAX, f"linetender audit verify --dive {dive_id}")
    return long or log.verify_dive(session, dive_id)


def _too_long(session: Session, chain: str, most: int, command: str) -> TooLong | None:
    entries = checkpoints.head(session, chain).seq
    return TooLong(entries, command) if entries > most else None


def _note(service: Service, admin: SignedIn, checked: Checked, dive_id: str | None) -> None:
    detail = {"dive": dive_id, "chains": checked.chains, "faults": len(checked.faults)}
    service.write(lambda session: note(service, session, admin, CHECKED, detail))
