"""The demo's data directory: its secrets, its clock, its lock, and what it wrote down of its processes."""

from __future__ import annotations

import fcntl
import json
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from service.clock import Clock, PacedClock, WallClock

LOCK: Final = "lock"
_PRIVATE: Final = 0o600
_PRIVATE_DIRECTORY: Final = 0o700


class AlreadyRunningError(Exception):
    """Another demo uses this directory; `url` is its address, None while it is still starting."""

    def __init__(self, url: str | None) -> None:
        super().__init__("a demo is running on this data already")
        self.url = url


class ClockWentAheadError(Exception):
    """The data is of a clock that is ahead of the real one, and a clock of real speed cannot begin there."""


@dataclass(frozen=True, slots=True)
class Directory:
    """One data directory. Files in it are readable by their owner only."""

    path: Path

    def make(self) -> None:
        """Have the directory and its places."""
        self.path.mkdir(mode=_PRIVATE_DIRECTORY, parents=True, exist_ok=True)
        self.logs.mkdir(mode=_PRIVATE_DIRECTORY, exist_ok=True)

    @property
    def logs(self) -> Path:
        """Where each process writes its log."""
        return self.path / "logs"

    @property
    def spool(self) -> Path:
        """Where what the gateway brings lies while the database is away."""
        return self.path / "spool"

    @property
    def database(self) -> Path:
        """The SQLite database, where no other is set."""
        return self.path / "linetender.db"

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Keep others out for as long as this process lives; the system frees the lock however it ends.

        Raises AlreadyRunningError. The number in the file is for people: what counts is who holds the lock.
        """
        file = os.open(self.path / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, _PRIVATE)
        try:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise AlreadyRunningError(self._url()) from None
            os.truncate(file, 0)
            os.write(file, f"{os.getpid()}\n".encode())
            yield
        finally:
            os.close(file)

    def _url(self) -> str | None:
        document = self.read("demo.json")
        return document.get("url") if document else None

    def secret(self, name: str, make: str | None = None) -> str:
        """A secret that is made once and kept; the file is the owner's alone."""
        path = self.path / name
        if not path.exists():
            self.write_text(name, make or secrets.token_urlsafe(32))
        return path.read_text(encoding="utf-8").strip()

    def read(self, name: str) -> dict[str, Any] | None:
        """A JSON document; None when it is missing or damaged."""
        try:
            document = json.loads((self.path / name).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return document if isinstance(document, dict) else None

    def write(self, name: str, document: dict[str, Any]) -> None:
        """Put a JSON document in place, whole or not at all."""
        self.write_text(name, json.dumps(document, indent=2, ensure_ascii=False))

    def write_text(self, name: str, text: str) -> None:
        """Put a file in place, whole or not at all, readable by its owner only."""
        path = self.path / name
        new = path.with_name(f".{name}.{os.getpid()}")
        new.unlink(missing_ok=True)
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _PRIVATE), "w", encoding="utf-8") as file:
            file.write(text + "\n")
        new.replace(path)

    def clear(self) -> None:
        """Forget everything but the lock."""
        shutil.rmtree(self.spool, ignore_errors=True)
        for path in (*self.path.iterdir(), *self.logs.iterdir()):
            if path.is_file() and path.name != LOCK:
                path.unlink()

    def remove(self, name: str) -> None:
        """Take a file away if it is there."""
        (self.path / name).unlink(missing_ok=True)


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast a demo's clock runs, and the instant at which it showed the real time."""

    pace: float
    origin: datetime

    def clock(self) -> Clock:
        """The clock of this pace."""
        return WallClock() if self.pace == 1 else PacedClock(self.pace, self.origin)

    def shown_at(self, now: datetime) -> datetime:
        """What the clock shows at a real instant."""
        return self.origin + (now - self.origin) * self.pace


def kept_pace(directory: Directory) -> Pace | None:
    """The pace at which the demo of this directory ran last."""
    document = directory.read("clock.json")
    if document is None:
        return None
    return Pace(float(document["pace"]), datetime.fromisoformat(document["origin"]))


def going_on(pace: float, last: Pace | None, newest_at: datetime | None, now: datetime) -> Pace:
    """The pace for a demo that starts at `now`, real time, such that its clock never goes back.

    `newest_at` is the newest instant in its data. Raises ClockWentAheadError when that cannot be, at pace 1.
    """
    shown = now if last is None else last.shown_at(now)
    wanted = max(shown, now if newest_at is None else newest_at)
    if last is not None and last.pace == pace and wanted == shown:
        return last
    if pace == 1:
        if wanted > now:
            raise ClockWentAheadError
        return Pace(1, now)
    # From wanted = origin + (now - origin) * pace.
    return Pace(pace, now - (wanted - now) / (pace - 1))
