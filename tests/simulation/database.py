"""The simulated days' database, prepared once and copied for each day, and what goes wrong with it."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

import psycopg
from sqlalchemy.exc import OperationalError

from service.operations.clock_mark import MARKS
from service.operations.health import return_canary, send_canary
from service.operations.service import Service
from service.store import health
from service.store.engine import open_engine, run
from service.store.sqlite import READING
from tests.fakes.drawn import drawn_by
from tests.operations.stage import HandMovedClock, prepare

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
PREPARED_AT = datetime(2027, 1, 1, tzinfo=UTC)  # before any simulated day

# On both databases.
LATER = """
    INSERT INTO heartbeats (name, at) VALUES (?, ?)
    ON CONFLICT (name) DO UPDATE SET at = excluded.at WHERE heartbeats.at < excluded.at
"""

# When the next thing can be done, as the tables say.
NEXT = """
SELECT (SELECT min(next_due_at) FROM dives),
 (SELECT min(handed_at + receipt_within_s * SECOND) FROM messages
  WHERE state = 'handed' AND NOT receipt_checked AND priority <= 1),
 (SELECT min(received_at) FROM inbound_texts WHERE state = 'stored'),
 (SELECT min(received_at) FROM inbound_parts WHERE inbound_id IS NULL),
 (SELECT min(not_before_at) FROM messages WHERE state = 'queued' AND priority <= 2),
 (SELECT min(not_before_at) FROM messages WHERE state = 'queued'),
 (SELECT min(lease_until_at) FROM messages WHERE state = 'leased'),
 (SELECT min(expires_at) FROM messages WHERE state = 'queued')
"""


class Injected(Exception):  # noqa: N818 - what the driver would have said; it is never raised by itself
    """What stands in the place of the driver's error."""


def lost() -> OperationalError:
    """The connection is gone."""
    return OperationalError("simulated", None, Injected("connection lost"), connection_invalidated=True)


def busy() -> OperationalError:
    """Somebody else has the lock."""
    locked = sqlite3.OperationalError("database is locked")
    locked.sqlite_errorcode = sqlite3.SQLITE_BUSY
    locked.injected = True  # type: ignore[attr-defined]
    return OperationalError("simulated", None, locked)


def is_injected(fault: BaseException) -> bool:
    """Whether the simulation made this fault of the database."""
    if not isinstance(fault, OperationalError):
        return False
    return isinstance(fault.orig, Injected) or hasattr(fault.orig, "injected")


class Database:
    """One engine for many days: what it learned to compile it need not learn again."""

    def __init__(self, url: str = "sqlite://") -> None:
        self.engine = open_engine(url)
        self._sqlite = self.engine.dialect.name == "sqlite"
        self._next = NEXT.replace("SECOND", "1000000" if self._sqlite else "interval '1 second'")
        self.lose_after = 0  # statements; 0: the connection holds
        self.lose_answer = False
        self.is_away: Callable[[], bool] | None = None
        dialect = self.engine.dialect
        begin, execute, executemany = dialect.do_begin, dialect.do_execute, dialect.do_executemany

        # Not by an event, for which the engine would look at each of its steps.
        def begun(connection: Any) -> None:
            self._statement()
            begin(connection)

        def one(*given: Any) -> None:
            self._statement()
            execute(*given)

        def many(*given: Any) -> None:
            self._statement()
            executemany(*given)

        dialect.do_begin = begun  # type: ignore[method-assign]
        dialect.do_execute = one  # type: ignore[method-assign]
        dialect.do_executemany = many  # type: ignore[method-assign]
        whole = dialect.do_commit

        def commit(connection: Any) -> None:
            whole(connection)
            if self.lose_answer:
                self.lose_answer = False
                raise lost()

        dialect.do_commit = commit  # type: ignore[method-assign]
        self.raw: Any = None
        self.info: dict[str, Any] = {}  # what the engine knows of it
        self._asked_at: int | None = None  # how many rows had ever been changed when it was last asked for the next
        self._found: tuple[Any, ...] = ()
        self._moments: tuple[datetime | None, ...] = ()
        self._template: sqlite3.Connection | None = None

    def _statement(self) -> None:
        if self.is_away is not None and self.is_away():
            raise lost()
        if self.lose_after:
            self.lose_after -= 1
            if not self.lose_after:
                raise lost()

    def begin_day(self, now: datetime) -> None:
        """An empty club, whose processes have just given a sign of life. A PostgreSQL has room for one day."""
        self.lose_after, self.lose_answer, self.is_away = 0, False, None
        if self.raw is None:
            self._prepare()
        if self._template is not None:
            self._template.backup(self.raw)
        self._asked_at = None
        self.sign_of_life(now)

    def _prepare(self) -> None:
        with drawn_by(random.Random("prepared")):  # a day is the same in every process
            prepare(self.engine, PREPARED_AT)
            service = Service(self.engine, HandMovedClock(PREPARED_AT), "", "simulation")
            return_canary(service, send_canary(service))
            for name in ("sweep", "keeper"):
                run(self.engine, partial(health.beat, name=name, at=PREPARED_AT))
        if not self._sqlite:
            url = self.engine.url.set(drivername="postgresql").render_as_string(hide_password=False)
            self.raw = psycopg.connect(url, autocommit=True)
            return
        with self.engine.connect() as connection:
            self.raw, self.info = connection.connection.driver_connection, connection.info
        self._template = sqlite3.connect(":memory:", check_same_thread=False)
        self.raw.backup(self._template)

    def sign_of_life(self, now: datetime) -> None:
        """What a sweep each second and a canary each quarter of a minute would have left, while nothing was to do."""
        self.leave_mark("sweep", now)
        stamp = self._stamp(now)
        self._ask("UPDATE canaries SET sent_at = ?, returned_at = ?", stamp, stamp)

    def leave_mark(self, name: str, now: datetime) -> None:
        """What a sweep, a look of the keeper or a process that is ahead of its machine would have left."""
        if self._sqlite and self.info.pop(READING, None):
            self.raw.execute("PRAGMA query_only = 0")
        stamp = self._stamp(now)
        self._ask(LATER, name, stamp)

    def _stamp(self, now: datetime) -> Any:
        return (now - EPOCH) // timedelta(microseconds=1) if self._sqlite else now

    def mark(self) -> datetime:
        """The latest that any process took for the present and left."""
        names = ", ".join(f"'{name}'" for name in MARKS)
        found = self._ask(f"SELECT max(at) FROM heartbeats WHERE name IN ({names})").fetchone()  # noqa: S608 - ours
        return self.instant(found[0])

    def next_moments(self) -> tuple[datetime | None, ...]:
        """When there is something to do for somebody, as `NEXT` asks."""
        changes = self.raw.total_changes if self._sqlite else None
        if changes is None or changes != self._asked_at:
            found = self._ask(self._next).fetchone()
            if found != self._found:
                self._found = found
                self._moments = tuple(None if one is None else self.instant(one) for one in found)
            self._asked_at = changes
        return self._moments

    def row(self, statement: str, *values: Any) -> tuple[Any, ...] | None:
        """One row, past the service."""
        found: tuple[Any, ...] | None = self._ask(statement, *values).fetchone()
        return found

    def rows(self, statement: str, *values: Any) -> list[tuple[Any, ...]]:
        """All rows, past the service."""
        return list(self._ask(statement, *values).fetchall())

    def instant(self, stored: Any) -> datetime:
        """A stored instant."""
        return EPOCH + timedelta(microseconds=stored) if self._sqlite else stored

    def _ask(self, statement: str, *values: Any) -> Any:
        return self.raw.execute(statement if self._sqlite else statement.replace("?", "%s"), values)

    def close(self) -> None:
        """Give it back."""
        if self._template is not None:
            self._template.close()
        elif self.raw is not None:
            self.raw.close()
        self.engine.dispose()
