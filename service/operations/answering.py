"""Reading texts once their gateway has its answer: on threads apart, so that those who still come in do not wait."""

from __future__ import annotations

import logging
import threading
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from service.operations.inbound import answer_text
from service.operations.service import Service

_LOG = logging.getLogger(__name__)

NOT_ANSWERED: Final = "inbound.not_answered_yet"
LEFT: Final = "inbound.left_to_the_sweep"

# Two, so that a text which hangs has a neighbour; more would take the processor from whoever has to store the next.
AT_ONCE: Final = 2
WAITING_MAX: Final = 500


def answer_quietly(service: Service, inbound_id: int) -> None:
    """Read, decide, and queue the answer; what goes wrong is only logged, since a sweep takes the text up again."""
    try:
        answer_text(service, inbound_id)
    except Exception:  # noqa: BLE001 - whatever it is, the answer to the gateway has left already
        _LOG.exception(NOT_ANSWERED, extra={"inbound": inbound_id})


class Answering:
    """Answers the texts of one process, the first that came first. What is too much is left to the sweep."""

    def __init__(self, service: Service, waiting_max: int = WAITING_MAX) -> None:
        self._service = service
        self._room = threading.BoundedSemaphore(waiting_max)
        # A thread begins with its first work, so one may be made before a fork.
        self._threads = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="answers")

    def __call__(self, inbound_id: int) -> None:
        """Have a text answered; it returns at once."""
        if self._room.acquire(blocking=False):
            self._threads.submit(self._answer, inbound_id)
        else:
            _LOG.warning(LEFT, extra={"inbound": inbound_id})

    def close(self) -> None:
        """Wait until all that was taken is answered."""
        self._threads.shutdown(wait=True)

    def _answer(self, inbound_id: int) -> None:
        try:
            answer_quietly(self._service, inbound_id)
        finally:
            self._room.release()
