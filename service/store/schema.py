"""Bringing a database to the current schema, and asking at which one it is."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text

_MIGRATIONS: Final = Path(__file__).parent / "migrations"
_ADVISORY_LOCK: Final = 0x11E7E  # any number of our own: two processes that migrate wait for each other


def migrate(engine: Engine, revision: str = "head") -> None:
    """Bring the database up to `revision`, all of it or nothing; does nothing when it is there already."""
    with engine.begin() as connection:
        _alone(connection)
        command.upgrade(_config(connection), revision)


def take_back(engine: Engine, revision: str) -> None:
    """Take the database back down to `revision` ("base" for nothing at all)."""
    with engine.begin() as connection:
        _alone(connection)
        command.downgrade(_config(connection), revision)


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
        connection.execute(text("SET LOCAL lock_timeout = '60s'"))
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK})
