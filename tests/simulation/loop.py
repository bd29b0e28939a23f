"""Simulated time: what is to happen when, and tasks that wait in it without anybody waiting for them.

Each task has a stack of its own, so that the service's own code can stand still in the middle of a call. All share one
thread, and each runs only until it waits or ends; so nothing depends on the machine, and a day plays the same every
time. With threads, to hand over to the next took a tenth of a day.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Collection
from concurrent.futures import Future
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any, NamedTuple, Protocol

from greenlet import getcurrent, greenlet

ROUNDS_MAX = 400_000  # of one day: what never comes to an end must show


class Death(BaseException):
    """The process is gone, in the middle of whatever it did. No `except Exception` can hold it."""


class Body(Protocol):
    """A process that a task belongs to: it may be dead or stand still."""

    @property
    def dead(self) -> bool:
        """Whether it is gone."""
        ...

    @property
    def frozen_until_at(self) -> datetime | None:
        """Until when it stands still."""
        ...


class Others(Protocol):
    """What is to be done beside the events, as whoever does it plans it."""

    def next_at(self) -> datetime | None:
        """When the next of it is to be done."""
        ...

    def do(self) -> None:
        """Do it."""
        ...


class Waited(NamedTuple):
    """As `concurrent.futures.wait` gives it."""

    done: set[Future[Any]]
    not_done: set[Future[Any]]


class Task:
    """One piece of work that may wait."""

    def __init__(self, body: Body | None, work: Callable[[], None]) -> None:
        self.body = body
        self._work = work
        self._stack = greenlet(self._run)

    def go_on(self) -> None:
        """Let it run until it waits or ends. Raises what it raises."""
        self._stack.parent = getcurrent()  # not whoever began it, which may wait too
        self._stack.switch()

    def let_go(self) -> None:
        """Wait, from within it: whoever let it go on does so again."""
        self._stack.parent.switch()

    def _run(self) -> None:
        with suppress(Death):
            if self.body is None or not self.body.dead:
                self._work()


class Loop:
    """The order of events. `now` is what the time really is, whatever any clock says."""

    def __init__(self, now: datetime) -> None:
        self.now = self._began_at = now
        self.current: Task | None = None
        self._heap: list[tuple[datetime, int, Task | None, Callable[[], None] | None]] = []
        self._number = itertools.count()
        self._others: Others | None = None  # while it runs
        self._end = now
        self._resumed = False  # whether what runs is a task that had waited: whoever starts one goes on after it
        self.rounds = 0

    def monotonic(self) -> float:
        """Seconds that go on whatever a clock says."""
        return (self.now - self._began_at).total_seconds()

    def at(self, when: datetime, what: Callable[[], None]) -> None:
        """Do something then, in no task: it must not wait."""
        heapq.heappush(self._heap, (max(when, self.now), next(self._number), None, what))

    def after(self, seconds: float, what: Callable[[], None]) -> None:
        """Do something so many seconds from now."""
        self.at(self.now + timedelta(seconds=seconds), what)

    def start(self, body: Body | None, work: Callable[[], None]) -> None:
        """Begin a task now, before whatever else is to happen now."""
        task = Task(body, work)
        if self.current is None:
            self._switch(task)
        else:
            heapq.heappush(self._heap, (self.now, next(self._number), task, None))

    def sleep(self, seconds: float) -> None:
        """Let a task wait. Raises Death where its process is gone meanwhile."""
        self.sleep_until(self.now + timedelta(seconds=seconds))

    def sleep_until(self, when: datetime) -> None:
        """Let a task wait until then."""
        task = self.current
        assert task is not None, "only a task can wait"
        when = max(when, self.now)
        if self._is_next(when, task):
            self.now = when
            self.rounds += 1
            return
        heapq.heappush(self._heap, (when, next(self._number), task, None))
        task.let_go()
        if task.body is not None and task.body.dead:
            raise Death

    def wait(
        self, futures: Collection[Future[Any]], timeout: float | None, step: float, news: Callable[[], bool]
    ) -> Waited:
        """Wait in steps of so many seconds until all are done, or some are and there is `news`, or the time is over."""
        until = None if timeout is None else self.now + timedelta(seconds=timeout)
        done = {one for one in futures if one.done()}
        while len(done) < len(futures) and (until is None or self.now < until):
            self.sleep(step if until is None else min(step, max((until - self.now).total_seconds(), 1e-6)))
            done = {one for one in futures if one.done()}
            if done and news():
                break
        return Waited(done, set(futures) - done)

    def _is_next(self, when: datetime, task: Task) -> bool:
        """Whether nothing else happens until then, so that the task need not be left for it."""
        if self._others is None or not self._resumed or when > self._end or self.rounds >= ROUNDS_MAX:
            return False
        if self._heap and self._heap[0][0] <= when:
            return False
        if task.body is not None and (
            task.body.dead or (task.body.frozen_until_at is not None and task.body.frozen_until_at > when)
        ):
            return False
        other_at = self._others.next_at()
        return other_at is None or other_at >= when

    def next_at(self) -> datetime | None:
        """When the next thing happens."""
        return self._heap[0][0] if self._heap else None

    def run_until(self, end: datetime, others: Others) -> None:
        """Let everything happen until then, and what others do where it comes before the next event."""
        self._others, self._end = others, end
        try:
            while True:
                at, other_at = self.next_at(), others.next_at()
                if other_at is not None and other_at <= end and (at is None or other_at < at):
                    self.now = max(self.now, other_at)
                    self.rounds += 1
                    others.do()
                elif at is not None and at <= end:
                    self.run_next()
                else:
                    break
        finally:
            self._others = None
        self.now = max(self.now, end)

    def run_next(self) -> None:
        """Let the next thing happen."""
        when, _, task, what = heapq.heappop(self._heap)
        self.now = max(self.now, when)
        self.rounds += 1
        if self.rounds > ROUNDS_MAX:
            raise RuntimeError("a simulated day that does not come to an end")
        if what is not None:
            what()
            return
        assert task is not None
        until = None if task.body is None or task.body.dead else task.body.frozen_until_at
        if until is not None and until > self.now:
            heapq.heappush(self._heap, (until, next(self._number), task, None))
            return
        self._resumed = True
        try:
            self._switch(task)
        finally:
            self._resumed = False

    def end(self) -> None:
        """Let what still waits die."""
        for _, _, task, _ in sorted(self._heap, key=lambda one: one[:2]):
            if task is not None:
                task.body = _GONE
                self._switch(task)
        self._heap.clear()

    def _switch(self, task: Task) -> None:
        before, self.current = self.current, task
        try:
            task.go_on()
        finally:
            self.current = before


class _Gone:
    dead = True
    frozen_until_at = None


_GONE = _Gone()


class SimulatedFuture(Future[Any]):
    """A future that is waited for in simulated time."""

    def __init__(self, loop: Loop) -> None:
        super().__init__()
        self._loop = loop

    def result(self, timeout: float | None = None) -> Any:
        """What came of it. Raises TimeoutError as a real one does."""
        if not self.done():
            self._loop.wait([self], timeout, timeout or 1.0, lambda: True)
        return super().result(0)


class SimulatedPool:
    """In place of the service's threads."""

    def __init__(self, loop: Loop, body: Body) -> None:
        self._loop = loop
        self._body = body

    def submit(self, work: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Begin it in a task of its own."""
        future = SimulatedFuture(self._loop)

        def run() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                future.set_result(work(*arguments))
            except Exception as fault:  # noqa: BLE001 - as a real pool does
                future.set_exception(fault)

        self._loop.start(self._body, run)
        return future

    def shutdown(self, *, wait: bool = True) -> None:
        """Nothing to end."""
