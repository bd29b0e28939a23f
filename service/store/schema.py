"""Bringing a database to the current schema, and asking at which one it is."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

_MIGRATIONS: Final = Path(__file__).parent / "migrations"
_ADVISORY_LOCK: Final = 0x11E7E  # any number of our own: two processes that migrate wait for each other
# Whoever asks for a table that a migration waits for waits behind it, an alarm too, and gives up after two seconds: so
# it waits briefly, and often.
_LOCK_WITHIN: Final = "500ms"
_AGAIN_AFTER_S: Final = 3.0
WAITS_S: Final = 60.0
_LOCK_NOT_AVAILABLE: Final = "55P03"
_SQLITE_HELD: Final = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}


class HeldError(Exception):
    """Somebody holds tables that a migration has to change; nothing was changed. In words for whoever asked for it."""


def migrate(engine: Engine, revision: str = "head", *, waits_s: float = WAITS_S) -> None:
    """Bring the database up to `revision`, all of it or nothing; does nothing when it is there already.

    Where others hold its tables, as a backup does, it is tried again for so many seconds. Raises HeldError after that.
    """
    _once_free(engine, lambda connection: command.upgrade(_config(connection), revision), waits_s)


def take_back(engine: Engine, revision: str) -> None:
    """Take the database back down to `revision` ("base" for nothing at all). Raises HeldError as `migrate` does."""
    _once_free(engine, lambda connection: command.downgrade(_config(connection), revision), WAITS_S)


def _once_free(engine: Engine, change: Callable[[Connection], None], waits_s: float) -> None:
    until_s = time.monotonic() + waits_s
    while True:
        try:
            with engine.begin() as connection:
                _alone(connection)
                change(connection)
        except DBAPIError as error:
            if not _is_held(error):
                raise
            if time.monotonic() >= until_s:
                raise HeldError(_held_words(engine)) from error
            time.sleep(min(_AGAIN_AFTER_S, waits_s))
        else:
            return


def _is_held(error: DBAPIError) -> bool:
    if isinstance(error.orig, sqlite3.Error):
        return (getattr(error.orig, "sqlite_errorcode", None) or 0) & 0xFF in _SQLITE_HELD
    return getattr(error.orig, "sqlstate", None) == _LOCK_NOT_AVAILABLE


def _held_words(engine: Engine) -> str:
    """Who has a transaction open, as far as the database tells; a backup is the likeliest."""
    who: list[str] = []
    if engine.dialect.name == "postgresql":
        with engine.connect() as connection:
            who = [str(name) for name in connection.execute(text(_OTHERS)).scalars()]
    named = f" ({', '.join(who)})" if who else ""
    return (
        f"others hold tables of the database{named}, perhaps a backup that runs: nothing was changed."
        " Stop Linetender's processes, let the backup end, and run linetender migrate again"
    )


_OTHERS: Final = """
SELECT DISTINCT coalesce(nullif(application_name, ''), usename) FROM pg_stat_activity
WHERE datname = current_database() AND pid <> pg_backend_pid() AND xact_start < now() - interval '1 second' ORDER BY 1
"""


def current(engine: Engine) -> str | None:
    """The revision of the database; None for an empty one."""
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def head() -> str:
    """The revision that this code was written for."""
    found = ScriptDirectory.from_config(_config(None)).get_current_head()
    if found is None:
        raise RuntimeError("there are no migrations: the installation is damaged")
    return found


def is_known(revision: str) -> bool:
    """Whether this code knows how to come from that revision to the current one."""
    script = ScriptDirectory.from_config(_config(None))
    return revision in {known.revision for known in script.walk_revisions()}


def fault_of(revision: str | None) -> str | None:
    """What is wrong with a database at that revision and what to do, in words; None where it is the current one."""
    if revision == head():
        return None
    words = f"the database is at schema {revision or 'none'} and this program needs {head()}"
    if revision is None or is_known(revision):
        return f"{words}: run linetender migrate"
    return f"{words}: a newer version was here; install that, or restore a backup of before its upgrade"


def is_current(engine: Engine) -> bool:
    """Whether the database is at the revision that this code was written for."""
    return current(engine) == head()


def _config(connection: Connection | None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    config.attributes["connection"] = connection
    return config


def _alone(connection: Connection) -> None:
    """One migration at a time; on SQLite the write transaction sees to it already."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SET LOCAL statement_timeout = 0"))
        connection.execute(text(f"SET LOCAL lock_timeout = '{_LOCK_WITHIN}'"))
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK})
