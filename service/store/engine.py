"""Opening a database so that it keeps its word, and the two kinds of transaction."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final, TypeVar, cast

import psycopg
from sqlalchemy import URL, Connection, Dialect, Engine, Executable, Result, create_engine, event, make_url, text
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import DBAPIError, InvalidatePoolError, OperationalError, SQLAlchemyError
from sqlalchemy.orm import Session, SessionTransaction
from sqlalchemy.util import EMPTY_DICT

from service.store.sqlite import DEFERRED, HOW, NOT_AT_ALL, READING, DatabaseSettingError, is_busy, open_sqlite

T = TypeVar("T")

OURS: Final = "linetender"  # what PostgreSQL calls our connections
CONNECT_TIMEOUT_S: Final = 3
TCP_USER_TIMEOUT_MS: Final = 10_000
IDLE_IN_TRANSACTION_TIMEOUT_S: Final = 10
# The server's side of a connection that we have lost stays open until it notices, by itself for two hours or for ever:
# a network that loses lines thrice leaves no room for new ones. Ours that lie for longer are made anew.
IDLE_TIMEOUT_S: Final = 60
KEEPALIVE_IDLE_S: Final = 10
KEEPALIVE_INTERVAL_S: Final = 5
KEEPALIVE_COUNT: Final = 3
# A connection that lay longer is asked whether its server is still there; within that time a transaction finds out.
ASKED_AFTER_S: Final = 1.0
STATEMENTS_READY: Final = 512  # by the server for a connection; a busy process has more than the usual 100
ANSWER_AFTER_S: Final = 3  # beyond the server's own limit for a statement

# https://www.postgresql.org/docs/current/errcodes-appendix.html: what another try of the whole unit may cure.
_TRANSIENT_STATES: Final = {
    "40001",  # serialization_failure
    "40P01",  # deadlock_detected
    "53300",  # too_many_connections
    "55P03",  # lock_not_available
    "57P01",  # admin_shutdown
    "57P02",  # crash_shutdown
    "57P03",  # cannot_connect_now
}
_CONNECTION_LOST: Final = "08"  # the class of connection exceptions


class RunAgainError(Exception):
    """Somebody else was first. Nothing is wrong: the whole unit of work is to be run again."""


def open_engine(url: str, *, statement_timeout_s: int = 10, lock_timeout_s: int = 2) -> Engine:
    """An engine for `url` (sqlite:// or postgresql://), with every time-out set. It does not connect yet.

    Raises ValueError for any other kind of database.
    """
    parsed = make_url(url)
    backend = parsed.get_backend_name()
    if backend == "sqlite":
        return open_sqlite(parsed)
    if backend == "postgresql":
        return _postgresql(parsed, statement_timeout_s, lock_timeout_s)
    raise ValueError(f"The database is SQLite or PostgreSQL, not {backend}.")


def _postgresql(url: URL, statement_timeout_s: int, lock_timeout_s: int) -> Engine:
    own = url.query.get("options", "")
    limits = {
        "statement_timeout": f"{statement_timeout_s}s",
        "lock_timeout": f"{lock_timeout_s}s",
        "idle_in_transaction_session_timeout": f"{IDLE_IN_TRANSACTION_TIMEOUT_S}s",
        "timezone": "UTC",
        "tcp_keepalives_idle": f"{KEEPALIVE_IDLE_S}s",
        "tcp_keepalives_interval": f"{KEEPALIVE_INTERVAL_S}s",
        "tcp_keepalives_count": f"{KEEPALIVE_COUNT}",
    }
    options = [own] if isinstance(own, str) else list(own)
    options += [f"-c {name}={value}" for name, value in limits.items()]
    engine = create_engine(
        url.set(drivername="postgresql+psycopg").difference_update_query(["options"]),
        pool_recycle=300,
        connect_args={
            "application_name": OURS,
            "options": " ".join(options).strip(),
            "connect_timeout": CONNECT_TIMEOUT_S,
            "keepalives": 1,
            "keepalives_idle": KEEPALIVE_IDLE_S,
            "keepalives_interval": KEEPALIVE_INTERVAL_S,
            "keepalives_count": KEEPALIVE_COUNT,
            "tcp_user_timeout": TCP_USER_TIMEOUT_MS,
        },
    )
    patience_s = statement_timeout_s + ANSWER_AFTER_S

    @event.listens_for(engine, "do_connect")
    def _(_dialect: Any, _record: Any, _arguments: Any, named: dict[str, Any]) -> _Impatient:
        connection = _Impatient.connect(**named)
        connection.patience_s = patience_s
        connection.prepared_max = STATEMENTS_READY
        connection.autocommit = True
        connection.execute(_WHERE_KNOWN, {"idle": f"{IDLE_TIMEOUT_S}s"})
        connection.autocommit = False
        return connection

    @event.listens_for(engine, "checkout")
    def _(connection: _Impatient, _record: Any, _proxy: Any) -> None:
        if time.monotonic() - connection.heard_at_s >= ASKED_AFTER_S:
            _ask_whether_there(engine.dialect, connection)

    return engine


def _ask_whether_there(dialect: Dialect, connection: _Impatient) -> None:
    """Have another connection taken where the server at the end of this one is gone, and all others of its time left.

    https://docs.sqlalchemy.org/en/21/core/pooling.html#disconnect-handling-pessimistic
    """
    try:
        dialect.do_ping(cast("DBAPIConnection", connection))
    except psycopg.Error as fault:
        raise InvalidatePoolError("the server does not answer on this connection") from fault


# What not every server knows, so that asking for it at the start of a connection would be refused. The state of a dive
# is written anew at each of its steps, and compressing it by the server's default takes longer than writing it. Servers
# before version 14 have neither, and those built without this way of compressing keep their own.
_WHERE_KNOWN: Final = """
    SELECT set_config(name, CASE name WHEN 'idle_session_timeout' THEN %(idle)s ELSE 'lz4' END, false) FROM pg_settings
    WHERE name = 'idle_session_timeout' OR name = 'default_toast_compression' AND 'lz4' = ANY (enumvals)
"""


class _Impatient(psycopg.Connection[Any]):
    """A connection that is given up when no answer comes: a server that hangs keeps its own time-outs no more.

    Its machine may go on to acknowledge what TCP sends, so that no time-out of the line notices either.
    """

    patience_s: float | None = None  # while it is being made, connect_timeout holds
    heard_at_s: float = 0.0  # when the server last answered, by the monotonic clock

    def wait(self, gen: Any, interval: float = 0.1, timeout: float | None = None) -> Any:
        """As the driver does it. Raises psycopg.OperationalError when there is no answer in time; it is closed then."""
        try:
            answer = super().wait(gen, interval, self.patience_s if timeout is None else timeout)
        except psycopg.errors._WaitTimeout:  # noqa: SLF001 - it has no other name
            self.pgconn.finish()
            raise
        self.heard_at_s = time.monotonic()
        return answer


class _Straight(Session):
    """A session whose statements of plain tables go straight to its connection.

    A session looks at each statement for what a mapped class may need; nearly all of ours need nothing of it, and the
    look costs a fifth of what the statement costs.
    """

    _line: Connection | None = None
    _within: SessionTransaction | None = None  # the savepoint, if any, that the line was given for

    def execute(
        self, statement: Executable, params: Any = None, *, execution_options: Any = EMPTY_DICT, **others: Any
    ) -> Result[Any]:
        """As any session does, and what waits to be flushed goes first here too."""
        if others or statement._propagate_attrs or not self.is_active:  # noqa: SLF001 - what marks a mapped class
            return super().execute(statement, params, execution_options=execution_options, **others)
        self.flush()
        line, within = self._line, self.get_nested_transaction()
        if line is None or line.closed or within is not self._within:
            # A savepoint is made only when somebody asks for the connection within it.
            line, self._within = self.connection(), within
            self._line = line
        return line.execute(statement, params, execution_options=execution_options)


@contextmanager
def reading(engine: Engine) -> Iterator[Session]:
    """A session that only reads, all of it as of one instant: it takes no write lock and refuses a write.

    On SQLite with a rollback journal nobody can commit while it is open and has read, so keep it short.
    """
    postgresql = engine.dialect.name == "postgresql"
    with engine.connect() as line:
        if postgresql:
            # https://www.postgresql.org/docs/current/transaction-iso.html#XACT-REPEATABLE-READ: one snapshot for all.
            line.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        line.execution_options(**{READING: True})
        with _beginning(line, DEFERRED), _Straight(line, expire_on_commit=False) as session:
            yield session
            if postgresql:
                # At a rollback the driver has the server forget every statement that it has ready.
                session.commit()


@contextmanager
def glancing(engine: Engine) -> Iterator[Connection]:
    """A connection for one statement that reads: it is of one instant by itself, and no transaction is begun for it."""
    with engine.connect() as line:
        if engine.dialect.name == "postgresql":
            line.execution_options(isolation_level="AUTOCOMMIT")
        with _beginning(line, NOT_AT_ALL):
            yield line


@contextmanager
def _beginning(line: Connection, how: str) -> Iterator[None]:
    """Transactions on this connection begin so, until it is given back."""
    known = line.info  # held on to, since a connection that was lost is asked for none
    known[HOW] = how
    try:
        yield
    finally:
        known.pop(HOW, None)


@contextmanager
def writing(engine: Engine) -> Iterator[Session]:
    """A session that commits at the end, or rolls all of it back when anything is raised."""
    with _Straight(engine, expire_on_commit=False) as session, session.begin():
        yield session


def run(engine: Engine, work: Callable[[Session], T], tries: int = 3) -> T:
    """Do `work` in one transaction; all of it again when another try may cure what went wrong.

    `work` must have no effect outside of its session. After the last try the error is raised.
    """
    for left in range(tries - 1, -1, -1):
        try:
            with writing(engine) as session:
                return work(session)
        except (DBAPIError, RunAgainError) as error:
            if not left or not is_transient(error):
                raise
    raise ValueError("tries is at least 1")


def is_transient(error: Exception) -> bool:
    """Whether the same unit of work may succeed when it is run again: busy, deadlock, lost connection."""
    if isinstance(error, RunAgainError):
        return True
    if not isinstance(error, DBAPIError):
        return False
    if isinstance(error.orig, sqlite3.Error):
        return is_busy(error.orig)
    state = getattr(error.orig, "sqlstate", None)
    if state is None:  # it never came to an answer of the server: refused, cut off or timed out
        return isinstance(error, OperationalError)
    return error.connection_invalidated or state in _TRANSIENT_STATES or state.startswith(_CONNECTION_LOST)


def is_fault_of_database(error: Exception) -> bool:
    """Whether it says that the database is gone, or takes no writes; a fault of our own code says neither."""
    return isinstance(error, SQLAlchemyError | RunAgainError | DatabaseSettingError | sqlite3.Error)


def durability_faults(engine: Engine) -> tuple[str, ...]:
    """Settings of the server under which a committed alarm could be lost; empty when there are none.

    https://www.postgresql.org/docs/current/runtime-config-wal.html. SQLite's are checked at every connect.
    """
    if engine.dialect.name != "postgresql":
        return ()
    with reading(engine) as session:
        found = {
            name: session.execute(text(f"SHOW {name}")).scalar_one()
            for name in ("fsync", "full_page_writes", "synchronous_commit")
        }
    return tuple(f"PostgreSQL has {name} = off; switch it on." for name, value in found.items() if value == "off")
