"""How many threads of a courier send at once: few while the gateways are quick, all of them once one is slow.

Threads that send wait for answers, and while a gateway takes long over each, more of them carry more. To one that
answers in a millisecond they only wait for each other, and that costs more than to send: two couriers of 16 threads
each spend half as much again on a message as two of three. So one alone takes what it has sent in a moment.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

ALL: Final = 16
FEW: Final = 3
QUICK_S: Final = 0.02  # real seconds of the quickest exchange lately: a busy machine makes many slow, not every one
HANGS_S: Final = 0.1  # real seconds after which an exchange that goes on says that its gateway is slow
LATELY: Final = 32  # exchanges
MOMENT_S: Final = 0.01  # real seconds


class Hands:
    """Measures the exchanges of one courier, whose threads may all use it at once."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._numbers = itertools.count()
        self._under_way: dict[int, float] = {}
        self._lately: deque[float] = deque(maxlen=LATELY)

    @contextmanager
    def exchange(self) -> Iterator[None]:
        """An exchange with a gateway goes on inside."""
        number, began_s = next(self._numbers), self._monotonic()
        self._under_way[number] = began_s
        try:
            yield
        finally:
            del self._under_way[number]
            self._lately.append(self._monotonic() - began_s)

    def wanted(self, waiting: int) -> int:
        """How many more should begin now, where so many messages wait for them."""
        now_s = self._monotonic()
        hangs = any(now_s - began_s > HANGS_S for began_s in list(self._under_way.values()))
        quickest_s = min(list(self._lately), default=MOMENT_S)
        if hangs or quickest_s > QUICK_S:
            return ALL
        return min(FEW, max(1, math.ceil(waiting * quickest_s / MOMENT_S)))
