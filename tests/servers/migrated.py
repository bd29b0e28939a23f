"""A SQLite database at the current schema: migrated once in this process, and copied from then on.

Migrating one takes a fifth of a second, more than most tests that need one.
"""

from __future__ import annotations

import sqlite3
import tempfile
from contextlib import closing
from functools import cache
from pathlib import Path

from sqlalchemy import URL, make_url

from service.store.engine import open_engine
from service.store.schema import migrate


def lay_migrated(url: str | URL) -> None:
    """Put one, empty, where this URL says that a SQLite database is.

    Raises:
        FileExistsError: when something is there already.

    """
    with Path(make_url(url).database or "").open("xb") as file:
        file.write(_migrated())


@cache
def _migrated() -> bytes:
    with tempfile.TemporaryDirectory(prefix="linetender-") as directory:
        path = Path(directory) / "linetender.db"
        engine = open_engine(f"sqlite:///{path}")
        migrate(engine)
        engine.dispose()
        with closing(sqlite3.connect(path)) as connection:
            return connection.serialize()
