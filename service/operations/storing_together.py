"""Texts to one number that come at once are stored by one transaction: each waits for one commit, not for a queue.

Whoever stores a text keeps its club's chain from all others until the commit. One by one, each waits for the commits of
all that came before it, and two hundred a second are more than a disk that is busy syncs.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

from sqlalchemy.exc import OperationalError

from service.operations.gateway import InboundText
from service.operations.receiving import receive_text, receive_together
from service.operations.service import Service
from service.store.engine import is_transient

_LOG = logging.getLogger(__name__)

TOGETHER_MAX: Final = 50
# After each transaction, so that those which come one after the other share the next: at 200 a second on two busy cores
# it halves the transactions and the waits of two processes for each other. A text that comes alone is stored at once.
REST_S: Final = 0.015
AT_ONCE: Final = 8  # numbers: one whose chain somebody holds keeps the texts to no other waiting

ONE_BY_ONE: Final = "inbound.one_by_one"


@dataclass(frozen=True, slots=True)
class _Waiting:
    text: InboundText
    stored: Future[int | None]


class StoringTogether:
    """Stores authentic texts for the threads of one process."""

    def __init__(self, service: Service, pause: Callable[[float], None] = time.sleep) -> None:
        self._service = service
        self._pause = pause
        self._lock = threading.Lock()
        self._waiting: dict[str, deque[_Waiting]] = {}  # by the number that they were sent to, also while one is stored
        # A thread begins with its first work, so one may be made before a fork.
        self._threads = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="stores")
        self._promise: Callable[[], Future[int | None]] = Future

    def submit(self, text: InboundText) -> Future[int | None]:
        """Have a text stored that is whole; gives what `receive_text` gives, or raises, once it is committed.

        One that is cancelled before its transaction begins is not stored.
        """
        waiting = _Waiting(text, self._promise())
        with self._lock:
            queue = self._waiting.get(text.receiver)
            if queue is not None:
                queue.append(waiting)
                return waiting.stored
            self._waiting[text.receiver] = deque([waiting])
        try:
            self._threads.submit(self._store, text.receiver)
        except RuntimeError:  # no thread can be started now, and those that come next wait behind this one
            self._store(text.receiver)
        return waiting.stored

    def _store(self, receiver: str) -> None:
        while batch := self._next(receiver):
            wanted = [one for one in batch if one.stored.set_running_or_notify_cancel()]
            if wanted:
                self._store_batch(wanted)
                self._pause(REST_S)

    def _next(self, receiver: str) -> list[_Waiting]:
        with self._lock:
            queue = self._waiting.get(receiver, deque())
            batch = [queue.popleft() for _ in range(min(len(queue), TOGETHER_MAX))]
            if not batch:
                self._waiting.pop(receiver, None)
            return batch

    def _store_batch(self, batch: list[_Waiting]) -> None:
        try:
            ids = receive_together(self._service, [one.text for one in batch])
        except Exception as fault:  # noqa: BLE001 - whoever waits for it hears of it
            if len(batch) == 1 or is_transient(fault) or isinstance(fault, OperationalError):
                for one in batch:
                    one.stored.set_exception(fault)
                return
            _LOG.warning(ONE_BY_ONE, exc_info=True)
            for one in batch:
                self._store_alone(one)
            return
        for one, inbound_id in zip(batch, ids, strict=True):
            one.stored.set_result(inbound_id)

    def _store_alone(self, one: _Waiting) -> None:
        """Only the text at fault is refused."""
        try:
            one.stored.set_result(receive_text(self._service, one.text, authentic=True))
        except Exception as fault:  # noqa: BLE001 - whoever waits for it hears of it
            one.stored.set_exception(fault)
