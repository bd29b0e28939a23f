"""Changes of a club's settings as its chain has them: each with before and after, and each can be set back.

What a form was made from is known by a mark, so that of two admins who edit at once the second sees what the first did.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy.orm import Session

from service.operations.desk_log import note
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import log
from service.store.codec import canonical

Json = dict[str, Any]

LISTED_MAX: Final = 20
LOOKED_THROUGH_MAX: Final = 500  # of all sites together, to find those of one
MARK_LENGTH: Final = 16


@dataclass(frozen=True, slots=True)
class Change:
    """One entry of the chain. `about` is the code of a site, None for the club itself; `undoes` the entry set back."""

    seq: int
    at: datetime
    by: str
    about: str | None
    before: Json
    after: Json
    undoes: int | None


@dataclass(frozen=True, slots=True)
class NotUndone:
    """The change stays, and why."""

    words: str


CHANGED_SINCE: Final = "It has been changed again since. Set that one back first, or change it in the form."
NOT_THERE: Final = "There is no such change."


def mark_of(*values: Json | None) -> str:
    """What tells one state of settings from another."""
    return hashlib.sha256(canonical(list(values)).encode()).hexdigest()[:MARK_LENGTH]


def changes(session: Session, club_id: str, kind: str, about: str | None) -> list[Change]:
    """The last changes, the latest first."""
    found = log.latest(session, log.club_chain(club_id), kind, LOOKED_THROUGH_MAX)
    read = [_change(entry) for entry in found if entry.detail is not None]
    return [change for change in read if change.about == about][:LISTED_MAX]


def _change(entry: log.Entry) -> Change:
    detail = entry.detail or {}
    return Change(
        seq=entry.seq,
        at=entry.at,
        by=str((entry.actor or {}).get("name", "")),
        about=detail.get("site"),
        before=detail.get("before") or {},
        after=detail.get("after") or {},
        undoes=detail.get("undoes"),
    )


def record(
    service: Service,
    session: Session,
    admin: SignedIn,
    kind: str,
    *,
    about: str | None,
    before: Json,
    after: Json,
    undoes: int | None = None,
) -> int:
    """Put a change into the chain; its number there."""
    detail: Json = {"before": before, "after": after}
    detail |= {} if about is None else {"site": about}
    detail |= {} if undoes is None else {"undoes": undoes}
    note(service, session, admin, kind, detail)
    return log.latest(session, log.club_chain(admin.club_id), kind, 1)[0].seq


def to_undo(session: Session, club_id: str, kind: str, about: str | None, seq: int, now_is: Json) -> Change | NotUndone:
    """The change of that number, if it is the last one and what it made still stands."""
    known = changes(session, club_id, kind, about)
    change = next((one for one in known if one.seq == seq), None)
    if change is None:
        return NotUndone(NOT_THERE)
    return change if change is known[0] and change.after == now_is else NotUndone(CHANGED_SINCE)
