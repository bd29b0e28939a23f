"""Taking a backup of the database while the service goes on."""

from __future__ import annotations

import tempfile
from datetime import datetime
from pathlib import Path
from typing import Final

from sqlalchemy import Engine, text
from sqlalchemy.exc import SQLAlchemyError

from service.store import epochs
from service.store.copies import file, postgresql, sqlite
from service.store.copies.facts import describe
from service.store.copies.fault import CopyError
from service.store.copies.file import Manifest
from service.store.engine import open_engine, writing
from service.store.schema import current

NAME: Final = "linetender-{at:%Y%m%dT%H%M%SZ}.backup"
WORK: Final = ".linetender-"


def back_up(engine: Engine, to: Path, now: datetime, program: str) -> tuple[Path, Manifest]:
    """Make the file `to`, or one named by the time in the directory `to`; gives where it is and what is in it.

    Raises CopyError, and then there is no such file. The database may be at an older schema.
    """
    target = to / NAME.format(at=now) if to.is_dir() else to
    if target.exists():
        raise CopyError(f"{target} is there already: name another file")
    try:
        schema = current(engine)
        if schema is None:
            raise CopyError("the database is empty: there is nothing to back up")
        with tempfile.TemporaryDirectory(prefix=WORK, dir=target.parent) as work:
            copy = Path(work) / "copy"
            take = _from_sqlite if engine.dialect.name == "sqlite" else _from_postgresql
            manifest = take(engine, copy, schema, now, program)
            return target, file.write(copy, manifest, target)
    except OSError as fault:
        raise CopyError(f"the backup cannot be written: {fault}") from None
    except SQLAlchemyError as fault:
        raise CopyError(f"the database cannot be read: {getattr(fault, 'orig', None) or fault}") from None


def _from_sqlite(engine: Engine, copy: Path, schema: str, now: datetime, program: str) -> Manifest:
    source = sqlite.path_of(engine.url)
    file.room_for(2 * source.stat().st_size, copy.parent)
    sqlite.copy_out(engine.url, copy)
    opened = open_engine(f"sqlite:///{copy}")
    try:
        with opened.connect() as connection:
            manifest = describe(connection, program=program, schema=schema, now=now)
            has_epochs = opened.dialect.has_table(connection, "epochs")
        if has_epochs:
            # Wherever it is put, by whatever means: it knows that it is a copy.
            with writing(opened) as session:
                epochs.mark_copy(session, now)
    finally:
        opened.dispose()
    return manifest


def _from_postgresql(engine: Engine, copy: Path, schema: str, now: datetime, program: str) -> Manifest:
    """The dump and what is told of it are of one snapshot."""
    calm = engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
    with calm.connect() as connection:
        # The dump takes as long as it takes, and this transaction waits for it.
        for limit in ("statement_timeout", "idle_in_transaction_session_timeout"):
            connection.execute(text(f"SET LOCAL {limit} = 0"))
        snapshot = connection.execute(text("SELECT pg_export_snapshot()")).scalar_one()
        manifest = describe(connection, program=program, schema=schema, now=now)
        postgresql.dump(engine.url, snapshot, copy)
    return manifest
