"""Killing a process at a chosen point: around every commit, before every nudge, and at the edges of every call.

A seam, not a mock: the service runs as it is. It is built with the engine, the nudge and the gateways that this
watches, and where the point comes that `dies` chooses, nothing of that process happens any more. What it had not
committed is gone, as the database sees to it; what it had handed to a gateway stays there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Engine, event
from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.operations.carrying import Courier
from service.operations.gateway import Gateway, InboundText, Lookup, Outcome, Outgoing, Route
from service.operations.service import Service

Dies = Callable[[int, str], bool]
"""Whether the process dies at the point of that number, counted from 1, and of that name."""


class Crash(BaseException):
    """The process is dead. No `except Exception` of the service catches it, and whatever does runs into it again."""


def never(_number: int, _point: str) -> bool:
    """Nobody dies."""
    return False


def at_number(wanted: int) -> Dies:
    """Die at the point of that number."""
    return lambda number, _: number == wanted


@dataclass
class Crashes:
    """The points that one process passes, and whether it is dead. `revive` brings it back."""

    dies: Dies = never
    passed: list[str] = field(default_factory=list)
    deaths: int = 0
    dead: bool = False

    def point(self, name: str) -> None:
        """Die here, or pass. Raises Crash, and does so everywhere once dead."""
        if not self.dead:
            self.passed.append(name)
            self.dead = self.dies(len(self.passed), name)
            self.deaths += self.dead
        if self.dead:
            raise Crash(name)

    def revive(self) -> None:
        """A new process: it counts on, and may die once more where `dies` says so."""
        self.dead = False

    @contextmanager
    def watching(self, engine: Engine) -> Iterator[None]:
        """Pass a point before and after every commit on this engine meanwhile."""

        def before(_connection: Any) -> None:
            self.point("before a commit")

        def after(session: Session) -> None:
            # The end of a savepoint is no commit.
            if session.get_bind().engine is engine and not session.in_nested_transaction():
                self.point("after a commit")

        event.listen(engine, "commit", before)
        event.listen(Session, "after_commit", after)
        try:
            yield
        finally:
            event.remove(Session, "after_commit", after)
            event.remove(engine, "commit", before)

    def nudging(self, nudge: Callable[[], None]) -> Callable[[], None]:
        """The nudge, with a point before it."""

        def nudged() -> None:
            self.point("before a nudge")
            nudge()

        return nudged


@dataclass(frozen=True)
class DeadlyGateway:
    """A gateway whose caller may die before a request leaves, and once the gateway has it.

    Between the gateway's taking it and its answer's reaching us nothing of ours happens: to us that is one point.
    """

    inner: Gateway
    crashes: Crashes

    @property
    def name(self) -> str:
        """That of the gateway."""
        return self.inner.name

    @property
    def channels(self) -> frozenset[Channel]:
        """Those of the gateway."""
        return self.inner.channels

    @property
    def route(self) -> Route:
        """That of the gateway."""
        return self.inner.route

    @property
    def sends_receipts(self) -> bool:
        """Whether the gateway does."""
        return self.inner.sends_receipts

    def send(self, message: Outgoing) -> Outcome:
        """Hand it over, if the process lives that long."""
        self.crashes.point("before a send")
        outcome = self.inner.send(message)
        self.crashes.point("after a send")
        return outcome

    def look_up(self, message: Outgoing, since: datetime) -> Lookup:
        """Ask, if the process lives that long."""
        self.crashes.point("before a look-up")
        found = self.inner.look_up(message, since)
        self.crashes.point("after a look-up")
        return found

    def recent_texts(self, since: datetime, now: datetime) -> Sequence[InboundText] | None:
        """Ask for its list, if the process lives that long."""
        self.crashes.point("before a list")
        found = self.inner.recent_texts(since, now)
        self.crashes.point("after a list")
        return found

    def close(self) -> None:
        """Release what the gateway holds."""
        self.inner.close()


class InLine:
    """In place of threads: what is submitted is done at once, so that a run plays the same every time."""

    def submit(self, work: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Do it now. Whatever it raises is raised here: in a thread, a crash would be kept in its future."""
        done: Future[Any] = Future()
        done.set_result(work(*arguments))
        return done

    def shutdown(self, *, wait: bool) -> None:
        """Nothing to end."""


def courier_in_line(service: Service, gateways: Sequence[Gateway]) -> Courier:
    """A courier whose calls are made one after the other by whoever lets it carry."""
    courier = Courier(service, gateways)
    courier._pool.shutdown()
    courier._asking._pool.shutdown()
    courier._pool = courier._asking._pool = InLine()  # type: ignore[assignment]
    return courier
