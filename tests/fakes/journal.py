"""The fake gateway's own record of what it took: the truth that everything else is compared with."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

TEXT, CALL = "text", "call"


@dataclass(frozen=True, slots=True)
class Taken:
    """One text or call that the fake gateway took; `at` is wall time in seconds since 1970.

    The body of a call is what is spoken; a key that is pressed in it is posted to `key_url`. `valid_for` is what was
    asked, in seconds.
    """

    at: float
    to: str
    sender: str
    body: str
    sid: str
    status_callback: str | None
    channel: str = TEXT
    key_url: str | None = None
    valid_for: str | None = None

    @property
    def taken_at(self) -> datetime:
        """When it was taken."""
        return datetime.fromtimestamp(self.at, UTC)


class Journal:
    """Append-only and safe between threads; with a path, each entry is also a line of JSON in that file."""

    def __init__(self, path: Path | None = None) -> None:
        self._entries: list[Taken] = []
        self._changed = threading.Condition()
        self._path = path

    def append(self, entry: Taken) -> None:
        """Record a text, in the file first, so that whoever sees it here also finds it there."""
        with self._changed:
            if self._path is not None:
                with self._path.open("a", encoding="utf-8") as lines:
                    lines.write(json.dumps(asdict(entry)) + "\n")
            self._entries.append(entry)
            self._changed.notify_all()

    def entries(self) -> tuple[Taken, ...]:
        """Return all that was taken so far, oldest first."""
        with self._changed:
            return tuple(self._entries)

    def to(self, number: str) -> tuple[Taken, ...]:
        """Return what was taken for this number, oldest first."""
        return tuple(entry for entry in self.entries() if entry.to == number)

    def of(self, sid: str) -> Taken:
        """Return what was taken under this id. Raises LookupError."""
        found = [entry for entry in self.entries() if entry.sid == sid]
        if not found:
            raise LookupError(f"nothing was taken as {sid}")
        return found[0]

    def wait_for(self, met: Callable[[tuple[Taken, ...]], bool], timeout_s: float = 10.0) -> tuple[Taken, ...]:
        """Return the entries as soon as they meet the condition. Raises TimeoutError with what there is."""
        ends = time.monotonic() + timeout_s
        with self._changed:
            while not met(tuple(self._entries)):
                left = ends - time.monotonic()
                if left <= 0:
                    bodies = "\n".join(f"{entry.to}: {entry.body}" for entry in self._entries)
                    raise TimeoutError(f"not within {timeout_s} s; taken so far:\n{bodies}")
                self._changed.wait(left)
            return tuple(self._entries)


def read_journal(path: Path) -> tuple[Taken, ...]:
    """Return the entries of a journal file; none if it does not exist yet."""
    if not path.exists():
        return ()
    return tuple(Taken(**json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines())
