"""Whether the database is itself, or a copy of it that was put in its place.

A restored copy holds what was so when it was made, and its last sign of life is old: so is that of the database after
an outage. Yet after an outage contacts must be alerted at once, and after a restore divers who came out long ago must
be asked first. So the database carries what it is known by: on PostgreSQL the number of its server, which each new one
draws for itself, and those of its tables, which a restored copy gets anew. Either alone is not enough: the same copy,
put into new servers in the same way, has the same tables' numbers each time. On SQLite it is a word that `linetender
backup` writes into each copy.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import delete, insert, select, text, update
from sqlalchemy.orm import Session

from service.domain.dive.state import Phase
from service.store.tables import DiveRow, EpochRow, HeartbeatRow
from service.store.upsert import touched

COPY: Final = "copy"
SWEEP: Final = "sweep"  # the name of its heartbeat
FILE: Final = "sqlite"
# https://www.postgresql.org/docs/current/functions-info.html: for everybody, where nobody took that back.
_MAY_ASK_SERVER: Final = "SELECT has_function_privilege('pg_control_system()', 'EXECUTE')"
_SERVER: Final = "SELECT system_identifier FROM pg_control_system()"
_NUMBERS: Final = (
    "SELECT string_agg(c.oid::text, '.' ORDER BY c.relname) FROM pg_class c WHERE c.oid IN"
    " ('clubs'::regclass, 'dives'::regclass, 'log_entries'::regclass, 'messages'::regclass)"
)


@dataclass(frozen=True, slots=True)
class Epoch:
    """A life of the database, as its row has it."""

    id: int
    identity: str
    began_at: datetime | None
    copied_at: datetime | None
    until_at: datetime | None
    ended_at: datetime | None
    ended_by: str | None

    @property
    def is_first(self) -> bool:
        """Whether it began with the database itself."""
        return self.began_at is None

    def asks_at(self, now: datetime) -> bool:
        """Whether the divers are being asked, and contacts not alerted yet."""
        return self.until_at is not None and self.ended_at is None and now < self.until_at


def identity(session: Session) -> str:
    """What this database is known by."""
    if session.get_bind().dialect.name == "sqlite":
        return FILE
    numbers = str(session.execute(text(_NUMBERS)).scalar_one())
    if not session.execute(text(_MAY_ASK_SERVER)).scalar_one():
        return numbers
    return f"{session.execute(text(_SERVER)).scalar_one()}.{numbers}"


def current(session: Session, *, locked: bool = False) -> Epoch | None:
    """The latest life; `locked`, kept from others until this transaction ends."""
    row = EpochRow
    newest = select(
        *(row.id, row.identity, row.began_at, row.copied_at, row.until_at, row.ended_at, row.ended_by)
    ).order_by(row.id.desc())
    found = session.execute((newest.with_for_update() if locked else newest).limit(1)).first()
    return None if found is None else Epoch(*found)


def is_copy(session: Session) -> bool:
    """Whether this is a copy that nobody has begun a new life for."""
    known = current(session)
    return known is None or known.identity != identity(session)


def mark_copy(session: Session, copied_at: datetime | None) -> None:
    """Write into a copy that it is one, wherever it is put. Its last sweep was another's: the next is its first."""
    session.execute(insert(EpochRow).values(identity=COPY, copied_at=copied_at))
    touched(session, delete(HeartbeatRow).where(HeartbeatRow.name == SWEEP))


def to_be_asked(session: Session, club_id: str | None = None) -> list[str]:
    """The open dives whose contacts have not been alerted, the longest due first; of one club or of all."""
    before_alert = (Phase.FILED.value, Phase.IN_WATER.value, Phase.UNCERTAINTY.value)
    open_ones = select(DiveRow.id).where(DiveRow.phase.in_(before_alert))
    if club_id is not None:
        open_ones = open_ones.where(DiveRow.club_id == club_id)
    return list(session.execute(open_ones.order_by(DiveRow.next_due_at, DiveRow.id)).scalars())


def begin(session: Session, now: datetime, copied_at: datetime, until_at: datetime) -> None:
    """A new life of this database, in which contacts are not alerted before `until_at`."""
    values = {"identity": identity(session), "began_at": now, "copied_at": copied_at, "until_at": until_at}
    session.execute(insert(EpochRow).values(**values))


def end_asking(session: Session, epoch_id: int, now: datetime, by: str) -> None:
    """Somebody has said that the asking may end."""
    touched(session, update(EpochRow).where(EpochRow.id == epoch_id).values(ended_at=now, ended_by=by))
