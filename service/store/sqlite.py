"""SQLite opened so that it keeps its word, and who waits to write gets their turn.

Every write transaction begins IMMEDIATE: a deferred one that reads and then writes fails at once with
SQLITE_BUSY_SNAPSHOT whatever the busy time-out, and FOR UPDATE means nothing there.
"""

from __future__ import annotations

import sqlite3
import time
from typing import Any, Final

from sqlalchemy import URL, Dialect, Engine, create_engine, event
from sqlalchemy.engine.interfaces import DBAPIConnection, ExecutionContext
from sqlalchemy.pool import ConnectionPoolEntry, PoolProxiedConnection, StaticPool

BUSY_TIMEOUT_MS: Final = 10_000
BUSY_ASKED_EVERY_S: Final = 0.005  # about as long as a transaction takes
STATEMENTS_KEPT: Final = 512  # by SQLite's driver, ready to run; a busy process has more than its usual 128

# https://sqlite.org/wal.html#walresetbug: two processes that write may lose data before these releases.
_WAL_SAFE_FROM: Final = (3, 51, 3)
_WAL_SAFE_IN_SERIES: Final = {(3, 50): 7, (3, 44): 6}

_TRANSIENT: Final = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
READING: Final = "linetender_reading"  # also in what is known of a connection: whether it refuses writes now
HOW: Final = "linetender_begin"  # how the next transaction of a connection begins, where it does not write
_IMMEDIATE: Final = "BEGIN IMMEDIATE"
DEFERRED: Final = "BEGIN"
NOT_AT_ALL: Final = ""


class DatabaseSettingError(RuntimeError):
    """The database did not take a setting that the record's safety rests on."""


def is_busy(error: sqlite3.Error) -> bool:
    """Whether somebody else had what was wanted."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in _TRANSIENT


def open_sqlite(url: URL) -> Engine:
    """An engine for this file, or for memory. It does not connect yet."""
    extra: dict[str, Any] = {}
    if url.database in (None, "", ":memory:"):
        # Every connection to memory is a database of its own, so there may be only one.
        extra = {"poolclass": StaticPool, "connect_args": {"check_same_thread": False}}
    arguments = extra.setdefault("connect_args", {})
    arguments["cached_statements"] = STATEMENTS_KEPT
    engine = create_engine(url.set(drivername="sqlite+pysqlite"), **extra)
    event.listen(engine, "connect", _prepare_sqlite)
    _begin_and_guard(engine.dialect)
    return engine


def _begin_and_guard(dialect: Dialect) -> None:
    """Have SQLite begin as we say, and refuse writes where we only read.

    Not by events of the engine: for one of them it looks at each step of each statement whether anybody listens, which
    takes a twentieth of all the time that an embedded installation works.
    """
    one, many = dialect.do_execute, dialect.do_executemany

    def execute(cursor: Any, words: str, values: Any, context: Any = None) -> None:
        _guard_reading(words, context)
        one(cursor, words, values, context)

    def execute_many(cursor: Any, words: str, values: Any, context: Any = None) -> None:
        _guard_reading(words, context)
        many(cursor, words, values, context)

    # Of this one dialect, and not in a kind of its own that would have to be registered by name; mypy cannot know that.
    dialect.do_begin = _begin_sqlite  # type: ignore[assignment,method-assign]
    dialect.do_execute = execute  # type: ignore[assignment,method-assign]
    dialect.do_executemany = execute_many  # type: ignore[assignment,method-assign]


def wal_is_safe(version: tuple[int, int, int]) -> bool:
    """Whether this SQLite is free of the WAL-reset fault."""
    fixed = _WAL_SAFE_IN_SERIES.get(version[:2])
    return version >= _WAL_SAFE_FROM or (fixed is not None and version[2] >= fixed)


def _prepare_sqlite(connection: DBAPIConnection, _: ConnectionPoolEntry) -> None:
    """Set what SQLite leaves off by default, and look whether it took."""
    # The driver must not begin transactions by itself: _begin_sqlite says which kind.
    connection.isolation_level = None
    cursor = connection.cursor()
    safe = wal_is_safe(sqlite3.sqlite_version_info)
    wanted: dict[str, object] = {
        "busy_timeout": BUSY_TIMEOUT_MS,
        "foreign_keys": 1,
        "journal_mode": "wal" if safe else "delete",
        "synchronous": 2 if safe else 3,  # FULL, or EXTRA: a rollback journal also syncs its directory
    }
    in_memory = not cursor.execute("PRAGMA database_list").fetchone()[2]
    if in_memory:
        wanted["journal_mode"] = "memory"
    for name, value in wanted.items():
        cursor.execute(f"PRAGMA {name} = {value}")
    for name, value in wanted.items():
        found = cursor.execute(f"PRAGMA {name}").fetchone()[0]
        if found != value:
            raise DatabaseSettingError(
                f"SQLite keeps {name} at {found}; {value} is needed. Is the file on a network disk?"
            )
    cursor.close()


def _begin_sqlite(connection: PoolProxiedConnection) -> None:
    begin = connection.info.get(HOW, _IMMEDIATE)
    if begin == _IMMEDIATE:
        _allow_writes(connection, allowed=True)
        _take_write_lock(connection)
    elif begin:
        _tell_sqlite(connection, begin)


def _take_write_lock(connection: PoolProxiedConnection) -> None:
    """Begin to write, after whoever does so now. Raises sqlite3.OperationalError when that takes longer than 10 s.

    SQLite's own way of waiting asks after 1 ms, then ever more rarely, up to every 100 ms (`sqliteDefaultBusyCallback`,
    https://sqlite.org/src/file/src/main.c). So whoever has just come is served before those who have waited for
    seconds, and the lock may lie free while all of them sleep.
    """
    give_up_at = time.monotonic() + BUSY_TIMEOUT_MS / 1000
    _tell_sqlite(connection, "PRAGMA busy_timeout = 0")
    try:
        while not _has_write_lock(connection, last_try=time.monotonic() >= give_up_at):
            time.sleep(BUSY_ASKED_EVERY_S)
    finally:
        _tell_sqlite(connection, f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")  # a commit waits for those who read


def _has_write_lock(connection: PoolProxiedConnection, *, last_try: bool) -> bool:
    try:
        _tell_sqlite(connection, _IMMEDIATE)
    except sqlite3.OperationalError as error:
        if last_try or not is_busy(error):
            raise
        return False
    return True


def _guard_reading(words: str, context: ExecutionContext | None) -> None:
    """Have SQLite refuse what writes in a transaction that only reads. A SELECT cannot, and needs no guard.

    For each change of it SQLite forgets all statements that it had ready, and compiling one takes longer than running
    it. So it is told only where it matters, and not at each turn from reading to writing and back.
    """
    if not words.startswith("SELECT") and context is not None and context.execution_options.get(READING, False):
        _allow_writes(context.root_connection.connection, allowed=False)


def _allow_writes(connection: PoolProxiedConnection, *, allowed: bool) -> None:
    if connection.info.get(READING, False) is allowed:
        _tell_sqlite(connection, f"PRAGMA query_only = {int(not allowed)}")
        connection.info[READING] = not allowed


def _tell_sqlite(connection: PoolProxiedConnection, words: str) -> None:
    """Say it to the driver, at once: each transaction begins so, and a statement costs more than a begin does."""
    cursor = connection.cursor()
    try:
        cursor.execute(words)
    finally:
        cursor.close()
