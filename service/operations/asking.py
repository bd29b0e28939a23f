"""Asking a gateway whether it took a message whose outcome is unknown, before it is sent again.

An alarm is not kept waiting for that: after three seconds it is sent again. An answer that comes later still counts.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime

from service.operations.gateway import CannotTell, Found, Gateway, Lookup, Outgoing

_LOG = logging.getLogger(__name__)

WITHIN_S = 3.0  # real seconds: less than the 12 s that sending it again may take
AT_ONCE = 16


class Asking:
    """Questions under way; on threads of their own, since a gateway that hangs hangs here too."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="asking")

    def close(self) -> None:
        """Wait for what is under way."""
        self._pool.shutdown(wait=True)

    def ask(self, gateway: Gateway, message: Outgoing, since: datetime, late: Callable[[str], None]) -> Lookup:
        """Whether it took the message at or after `since`; `late` is called with its id when that turns out later."""
        question = self._pool.submit(_look_up, gateway, message, since)
        try:
            return question.result(timeout=WITHIN_S)
        except TimeoutError:
            question.add_done_callback(lambda done: _tell(done, late))
            return CannotTell("no answer within 3 s")


def _look_up(gateway: Gateway, message: Outgoing, since: datetime) -> Lookup:
    try:
        return gateway.look_up(message, since)
    except Exception as error:  # noqa: BLE001 - a gateway whose code breaks cannot tell
        _LOG.exception("gateway_raised", extra={"gateway": gateway.name, "message_id": message.reference})
        return CannotTell(f"the gateway's code raised {type(error).__name__}")


def _tell(done: Future[Lookup], late: Callable[[str], None]) -> None:
    found = done.result()
    if isinstance(found, Found):
        late(found.provider_id)
