"""Two transactions that really overlap: one is held at a boundary of its own while the other runs into it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from sqlalchemy import Engine, event, text

WAIT_S = 30.0
LOOK_EVERY_S = 0.01


class Boundary(StrEnum):
    """Where the first of the two is held."""

    LOCK = "before it locks"
    WRITE = "before it writes"
    COMMIT = "before it commits"


@dataclass
class _Held:
    """What the thread that is to be held has done so far."""

    boundary: Boundary
    thread: int = 0
    began: bool = False  # it has locked or written something
    reached: threading.Event = field(default_factory=threading.Event)
    go_on: threading.Event = field(default_factory=threading.Event)

    def passes(self, boundary: Boundary) -> None:
        """Hold the thread here, the first time that it comes to its boundary."""
        if threading.get_ident() == self.thread and boundary is self.boundary and not self.reached.is_set():
            self.reached.set()
            assert self.go_on.wait(WAIT_S)


@contextmanager
def _holding(engine: Engine, held: _Held) -> Iterator[None]:
    def before_statement(_: Any, __: Any, statement: str, *___: Any) -> None:
        if threading.get_ident() != held.thread:
            return
        if "FOR UPDATE" in statement or "FOR NO KEY UPDATE" in statement:
            held.passes(Boundary.LOCK)
            held.began = True
        elif statement.startswith(("INSERT", "UPDATE")):
            held.passes(Boundary.WRITE)
            held.began = True

    def before_commit(_: Any) -> None:
        if threading.get_ident() == held.thread and held.began:
            held.passes(Boundary.COMMIT)

    event.listen(engine, "before_cursor_execute", before_statement)
    event.listen(engine, "commit", before_commit)
    try:
        yield
    finally:
        event.remove(engine, "commit", before_commit)
        event.remove(engine, "before_cursor_execute", before_statement)


def overlap(engine: Engine, first: Callable[[], object], second: Callable[[], object], boundary: Boundary) -> bool:
    """Run the second while the first is held at the boundary, until the second is done or waits for a lock.

    Then both run to their end. Gives whether the first came to the boundary; raises what either of them raised.
    """
    held = _Held(boundary)

    def run_first() -> None:
        held.thread = threading.get_ident()
        try:
            first()
        finally:
            held.thread = 0

    with _holding(engine, held), ThreadPoolExecutor(2) as pool:
        one = pool.submit(run_first)
        _until(lambda: held.reached.is_set() or one.done())
        came = held.reached.is_set()
        other = pool.submit(second)
        _until(lambda: other.done() or _somebody_waits(engine))
        held.go_on.set()
        both: tuple[Future[Any], Future[Any]] = (one, other)
        assert not wait(both, WAIT_S).not_done
    for done in both:
        done.result()
    return came


def _until(holds: Callable[[], bool]) -> None:
    give_up_at = time.monotonic() + WAIT_S
    while not holds():
        assert time.monotonic() < give_up_at
        time.sleep(LOOK_EVERY_S)


def _somebody_waits(engine: Engine) -> bool:
    waits = "SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND datname = current_database()"
    with engine.connect() as connection:
        return connection.execute(text(waits)).scalar_one() > 0
