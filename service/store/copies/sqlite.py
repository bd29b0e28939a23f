"""SQLite by its backup interface, https://sqlite.org/backup.html: under its locks, all of it or nothing."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final
from urllib.parse import quote

from sqlalchemy import URL

from service.store.copies import file
from service.store.copies.fault import CopyError
from service.store.ownership import give_to_owner_of_directory

LOCK_WAIT_S: Final = 20.0
BESIDE: Final = ("-journal", "-wal", "-shm")  # what SQLite keeps beside a database while it is written to


def path_of(url: URL) -> Path:
    """The file of a database. Raises CopyError for one in memory."""
    if url.database in (None, "", ":memory:"):
        raise CopyError("the database is in memory: there is nothing on disk to copy or to put in place")
    return Path(url.database)


def copy_out(url: URL, to: Path) -> None:
    """Copy the database as of one instant into the new file `to`. Raises CopyError.

    In one step: whoever writes meanwhile waits, which is a second for some hundred megabytes. In many small steps each
    commit of others would begin the copy anew, and a service commits every second.
    """
    source = path_of(url)
    if not source.is_file():
        raise CopyError(f"there is no database at {source}")
    with _plain_faults("the database cannot be copied"):
        # Not read-only: after a crash the first who opens it has to roll back what was not committed.
        with closing(_open(source, "rw")) as theirs, closing(_open(to, "rwc")) as copy:
            theirs.backup(copy, pages=-1, progress=_patience())
            # One file, whatever stands beside the database.
            copy.execute("PRAGMA journal_mode = DELETE")
        check(to)


def check(copy: Path) -> None:
    """Raise CopyError unless the file is a whole SQLite database."""
    with _plain_faults("the copy is damaged"), closing(_open(copy, "ro")) as opened:
        found = opened.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise CopyError(f"the copy is damaged: {found}")


def is_damage(fault: Exception) -> bool:
    """Whether it says that the file is no whole database."""
    code = getattr(getattr(fault, "orig", fault), "sqlite_errorcode", None)
    return code is not None and code & 0xFF in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def set_aside(url: URL, name: str) -> Path:
    """Copy a damaged database, with what lies beside it, and empty it; gives where it is kept. Raises OSError.

    The file itself stays, so that whoever still has it open does not go on with what nobody reads.
    """
    target = path_of(url)
    aside = target.with_name(f"{target.name}.{name}")
    file.room_for(target.stat().st_size, target.parent)
    for ending in BESIDE:
        beside = target.with_name(f"{target.name}{ending}")
        if beside.exists():
            beside.rename(aside.with_name(f"{aside.name}{ending}"))
    shutil.copyfile(target, aside)
    shutil.copymode(target, aside)
    give_to_owner_of_directory(aside)
    os.truncate(target, 0)
    return aside


def copy_in(copy: Path, url: URL) -> None:
    """Put a copy in the place of what is in the database, in one transaction of it. Raises CopyError.

    Whoever has the database open goes on with the new content; a crash in the middle is rolled back to the old.
    """
    target = path_of(url)
    if not target.parent.is_dir():
        raise CopyError(f"there is no directory {target.parent} for the database")
    new = not target.exists()
    _copy_in(copy, target)
    if new:
        give_to_owner_of_directory(target)


def _copy_in(copy: Path, target: Path) -> None:
    refused = _plain_faults("the database cannot be put in place")
    with refused, closing(_open(copy, "ro")) as ours, closing(_open(target, "rwc")) as theirs:
        theirs.execute("PRAGMA synchronous = EXTRA")
        ours.backup(theirs, pages=-1, progress=_patience())


def _open(path: Path, mode: str) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{quote(str(path))}?mode={mode}", uri=True, timeout=LOCK_WAIT_S)


def _patience() -> Callable[[int, int, int], None]:
    """Ends a backup that does not get its lock: the module would ask for ever."""
    give_up_at = time.monotonic() + LOCK_WAIT_S

    def look(status: int, _remaining: int, _total: int) -> None:
        if status in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED) and time.monotonic() > give_up_at:
            raise CopyError("the database stayed locked by another process; try again")

    return look


@contextmanager
def _plain_faults(words: str) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as fault:
        raise CopyError(f"{words}: {fault}") from None
