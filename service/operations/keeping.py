"""What a club decides about how long its log keeps who and what: its days, and dives that are kept for a reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from sqlalchemy.orm import Session

from service.operations import retention
from service.operations.desk_log import note
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import clubs, dives, kept, log
from service.store.dives import UnreadableDive
from service.store.kept import Standing

KEPT, LET_GO, DAYS_SET = "dive_kept", "dive_let_go", "keep_days_set"  # in the log
REASON_MIN, REASON_MAX = 3, 300
LISTED_MAX: Final = 100


@dataclass(frozen=True, slots=True)
class NotDone:
    """Why nothing was changed, in words for whoever pressed."""

    words: str


@dataclass(frozen=True, slots=True)
class Keeping:
    """How a club keeps: its days, the dives that it keeps for a reason, and what was last erased."""

    days: int
    dives: tuple[Standing, ...]
    erasures: tuple[log.Entry, ...]


def keeping(service: Service, club_id: str) -> Keeping:
    """How the club keeps. Raises LookupError for no such club."""

    def look(session: Session) -> Keeping:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        found = kept.listing(session, club_id, LISTED_MAX)
        erasures = log.latest(session, log.club_chain(club_id), log.DETAILS_ERASED, 5)
        return Keeping(retention.days_of(club), tuple(found), tuple(erasures))

    return service.read(look)


def standing(service: Service, club_id: str, dive_id: str) -> Standing | None:
    """How a dive of the club stands with retention; None for no such dive of theirs."""
    return service.read(lambda session: kept.standing(session, club_id, dive_id))


def keep(service: Service, admin: SignedIn, dive_id: str, reason: str) -> NotDone | None:
    """Keep a dive whole until it is let go; None once that is so."""
    words = reason.strip()
    if not REASON_MIN <= len(words) <= REASON_MAX:
        return NotDone(f"Say why in {REASON_MIN} to {REASON_MAX} characters; it stays in the log.")
    now = service.clock.now()

    def work(session: Session) -> bool:
        if not _held(session, admin, dive_id) or not kept.keep(session, admin.club_id, dive_id, admin.name, words, now):
            return False
        note(service, session, admin, KEPT, {"dive": dive_id, "reason": words})
        return True

    return None if service.write(work) else NotDone("It is kept already, or was erased before. Look at the page again.")


def let_go(service: Service, admin: SignedIn, dive_id: str) -> NotDone | None:
    """Keep it no longer: from now on it goes when the club's days are over; None once that is so."""

    def work(session: Session) -> bool:
        if not _held(session, admin, dive_id) or not kept.let_go(session, admin.club_id, dive_id):
            return False
        note(service, session, admin, LET_GO, {"dive": dive_id})
        return True

    return None if service.write(work) else NotDone("It was not kept any more. Look at the page again.")


def _held(session: Session, admin: SignedIn, dive_id: str) -> bool:
    """Whether the club has such a dive, locked now: what is being erased just now is waited for."""
    if kept.standing(session, admin.club_id, dive_id) is None:
        return False
    try:
        return dives.lock(session, dive_id) is not None
    except UnreadableDive:
        return True


def set_days(service: Service, admin: SignedIn, typed: str) -> NotDone | None:
    """How many days the club keeps detail after a dive closed, 0 for good; None once that is so."""
    given = typed.strip()
    days = int(given) if given.isascii() and given.isdecimal() and len(given) <= len(str(retention.DAYS_MAX)) else -1
    if days != retention.NEVER and not retention.DAYS_MIN <= days <= retention.DAYS_MAX:
        return NotDone(
            f"Give whole days from {retention.DAYS_MIN} to {retention.DAYS_MAX:,}, or 0 to keep everything for good."
        )

    def work(session: Session) -> None:
        club = clubs.hold(session, admin.club_id)
        before = retention.days_of(club)
        if before != days:
            club.settings = {**club.settings, retention.SETTING: days}
            note(service, session, admin, DAYS_SET, {"before": before, "days": days})

    service.write(work)
    return None
