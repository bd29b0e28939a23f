"""Rests a gateway that keeps failing, and tries it again; kept in the memory of one courier."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from service.operations.gateway import Blame, Outcome, Refused, Unknown

FAULTS_MAX = 3
REST_S = 10.0  # real seconds
_NOT_ITS_FAULT = (Blame.NUMBER, Blame.OPTED_OUT, Blame.FILTERED)


class Rests:
    """Which gateways are being rested. After three faults in a row one rests ten seconds; then one more try counts."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._faults: dict[str, int] = {}
        self._until: dict[str, float] = {}
        self._lock = threading.Lock()

    def resting(self, gateway: str) -> bool:
        """Whether to leave it alone for now, while there is another."""
        with self._lock:
            return self._monotonic() < self._until.get(gateway, 0.0)

    def note(self, gateway: str, outcome: Outcome) -> None:
        """Learn from an attempt."""
        with self._lock:
            if not _is_fault(outcome):
                self._faults[gateway] = 0
                self._until.pop(gateway, None)
                return
            self._faults[gateway] = self._faults.get(gateway, 0) + 1
            if self._faults[gateway] >= FAULTS_MAX or _cannot_send(outcome):
                self._until[gateway] = self._monotonic() + REST_S


def _is_fault(outcome: Outcome) -> bool:
    if isinstance(outcome, Refused):
        return outcome.blame not in _NOT_ITS_FAULT
    return isinstance(outcome, Unknown)


def _cannot_send(outcome: Outcome) -> bool:
    """Account, credit, sender: more of the same is of no use."""
    return isinstance(outcome, Refused) and outcome.blame is Blame.GATEWAY
