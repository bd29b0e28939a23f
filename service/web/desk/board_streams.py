"""What all the open boards of a web process share: who may stream, and what was looked at a moment ago.

A stream holds a thread for as long as it lasts. So there are few of them, for which the process has threads beside
those that texts, links and alarm pages need; whoever comes when all are taken looks again every few seconds instead.
A second look within a second costs nothing, however many boards are open.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, Final, TypeVar

T = TypeVar("T")

STREAMS_MAX: Final = 4  # in each process
KEPT_MAX: Final = 200  # looks: a few for each club whose board is open


class Streams:
    """How many streams may be open at once, and whether they are to end."""

    def __init__(self, most: int = STREAMS_MAX) -> None:
        self._free = threading.BoundedSemaphore(most)
        self._closing = threading.Event()

    def take(self) -> bool:
        """Whether there is room for one more; it must be given back."""
        return not self._closing.is_set() and self._free.acquire(blocking=False)

    def give_back(self) -> None:
        """One has ended."""
        self._free.release()

    def close(self) -> None:
        """Have all of them end within a moment: the process is to stop."""
        self._closing.set()

    def wait(self, seconds: float) -> bool:
        """Wait so long; whether they are to end now."""
        return self._closing.wait(seconds)


class Looks:
    """What was looked at, for a moment: whoever asks meanwhile gets the same, and nobody looks twice at once."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._known: OrderedDict[object, _Look] = OrderedDict()

    def at_most_old(self, key: object, seconds: float, make: Callable[[], T]) -> T:
        """What `make` gave no longer than so many real seconds ago, else what it gives now."""
        look = self._of(key)
        with look.lock:
            if look.at is None or self._monotonic() - look.at >= seconds:
                look.found, look.at = make(), self._monotonic()
            found: T = look.found
            return found

    def while_same(self, key: object, mark: object, make: Callable[[], T]) -> T:
        """What `make` gave for the same mark, else what it gives now."""
        look = self._of(key)
        with look.lock:
            if look.at is None or look.mark != mark:
                look.found, look.mark, look.at = make(), mark, self._monotonic()
            found: T = look.found
            return found

    def _of(self, key: object) -> _Look:
        with self._lock:
            look = self._known.setdefault(key, _Look())
            self._known.move_to_end(key)
            while len(self._known) > KEPT_MAX:
                self._known.popitem(last=False)
            return look


class _Look:
    """One thing that is looked at."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.at: float | None = None
        self.mark: object = None
        self.found: Any = None
