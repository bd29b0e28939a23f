"""Taking the log of a club out: whole for a period, or of one dive. That it was done, by whom and what, is logged.

It is read in blocks of a moment each, so that on SQLite nobody who writes has to wait for a long read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from sqlalchemy.orm import Session

from service.operations.desk_log import note
from service.operations.keeping import NotDone
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import log_search
from service.store.log_search import Place, Wanted

EXPORTED: Final = "log_exported"  # in the log
ENTRIES_MAX: Final = 200_000
COLUMNS: Final = (
    *("chain", "seq", "at", "kind", "actor", "detail", "dive_id", "club_id"),
    *("actor_hash", "detail_hash", "salt", "prev_hash", "hash"),
)
_BLOCK: Final = 500


def take_out(
    service: Service, admin: SignedIn, wanted: Wanted, form: str, what: str
) -> Iterator[dict[str, Any]] | NotDone:
    """The entries as plain JSON values, the oldest first; logged before the first is read. Refused where too many."""

    def work(session: Session) -> int:
        found = log_search.count(session, wanted, ENTRIES_MAX + 1)
        if found <= ENTRIES_MAX:
            note(service, session, admin, EXPORTED, {"what": what, "format": form, "entries": found})
        return found

    if service.write(work) > ENTRIES_MAX:
        return NotDone(
            f"These are more than {ENTRIES_MAX:,} entries. Choose a shorter period, or have them taken out with"
            f" linetender audit export --club {admin.club_id}"
        )
    return _blocks(service, wanted)


def note_report(service: Service, admin: SignedIn, what: str) -> None:
    """Log that a report was made."""
    detail = {"what": what, "format": "pdf"}
    service.write(lambda session: note(service, session, admin, EXPORTED, detail))


def _blocks(service: Service, wanted: Wanted) -> Iterator[dict[str, Any]]:
    after: Place | None = None
    for _ in range(ENTRIES_MAX // _BLOCK + 1):
        found = service.read(lambda session, place=after: log_search.exported(session, wanted, place, _BLOCK))  # type: ignore[misc]
        yield from (entry for _, entry in found)
        if len(found) < _BLOCK:
            return
        after = found[-1][0]
