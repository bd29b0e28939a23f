"""Hurrying the couriers through the broker: quick when it works, never in the way when it does not."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

from celery import Celery

from workers import queues

_LOG = logging.getLogger(__name__)

REST_AFTER_FAULT_S: Final = 10.0
WAIT_FOR_TURN_S: Final = 0.3
APART_S: Final = 0.25

# As long as anybody may be kept; no tries again, since the couriers' own look comes anyway.
TRANSPORT: Final = {
    "socket_timeout": 1,
    "socket_connect_timeout": 1,
    "socket_keepalive": True,
    "retry_on_timeout": False,
    "health_check_interval": 0,
    "max_retries": 0,
    "interval_start": 0,
    "interval_step": 0,
    "interval_max": 0,
}


def broker_nudge(celery: Celery) -> Callable[[], None]:
    """A function that asks the couriers to look at once. It never raises and is back within about a second.

    After a fault it does nothing for 10 s, so that a dead broker costs one wait and not one for every text. Threads
    that come while one is publishing share the next one.
    """
    return _Nudge(celery)


def few(nudge: Callable[[], None]) -> Callable[[], None]:
    """As `nudge`, at once where it was quiet, and once in 250 ms where many come: a courier takes all that waits.

    To publish a nudge and to take it up costs as much as to answer a text, and the web answers many.
    """
    return _Few(nudge)


def _after(seconds: float, act: Callable[[], None]) -> None:
    timer = threading.Timer(seconds, act)
    timer.daemon = True
    timer.start()


class _Few:
    """The first goes at once; what comes within 250 ms of one is served by one that follows."""

    def __init__(
        self,
        nudge: Callable[[], None],
        monotonic: Callable[[], float] = time.monotonic,
        after: Callable[[float, Callable[[], None]], None] = _after,
    ) -> None:
        self._nudge = nudge
        self._monotonic = monotonic
        self._after = after
        self._lock = threading.Lock()
        self._next_at_s = -APART_S
        self._coming = False

    def __call__(self) -> None:
        with self._lock:
            if self._coming:
                return
            wait_s = self._next_at_s - self._monotonic()
            self._coming = True
        if wait_s <= 0:
            self._go()
            return
        try:
            self._after(wait_s, self._go)
        except RuntimeError:  # no thread can be started any more
            self._go()

    def _go(self) -> None:
        with self._lock:
            self._coming = False
            self._next_at_s = self._monotonic() + APART_S
        self._nudge()


class _Nudge:
    """One connection of its own, made at the first use in this process, one thread at a time on it."""

    def __init__(self, celery: Celery, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._celery = celery
        self._monotonic = monotonic
        self._turn = threading.Lock()
        self._connection: Any = None
        self._rest_until = -REST_AFTER_FAULT_S
        self._begun = 0

    def __call__(self) -> None:
        came_before = self._begun
        if self._resting() or not self._turn.acquire(timeout=WAIT_FOR_TURN_S):
            return
        try:
            # One that began after we came here, while we waited for our turn, asks for what we have too.
            if not self._resting() and self._begun == came_before:
                self._begun += 1
                self._publish()
        except Exception as fault:  # noqa: BLE001 - the caller has more important work, whatever happens here
            self._rest(fault)
        finally:
            self._turn.release()

    def _resting(self) -> bool:
        return self._monotonic() < self._rest_until

    def _publish(self) -> None:
        if self._connection is None:
            self._connection = self._celery.connection_for_write(transport_options=dict(TRANSPORT), connect_timeout=1)
        with self._celery.amqp.Producer(self._connection, auto_declare=False) as producer:
            for task in (queues.CARRY_URGENT, queues.CARRY_ALL):
                self._celery.tasks[task].apply_async(producer=producer, retry=False)

    def _rest(self, fault: Exception) -> None:
        self._rest_until = self._monotonic() + REST_AFTER_FAULT_S
        _LOG.warning("nudge_failed", extra={"fault": type(fault).__name__})
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(Exception):
                connection.release()
