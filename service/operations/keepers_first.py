"""Alarms that a keeper may have handed over while the database was gone wait a little until it has said so.

Only a keeper knows what it told, and it brings that in at its first look at a database that is back. A courier that is
quicker would send the same alarm once more. So whoever has not seen the database for a while asks how old the keeper's
last sign of life is, and leaves what was queued before it: until the next sign, and for 15 s at most, since the keeper
may be dead too, and twice is better than never.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.clock import Clock, clock_seconds
from service.operations.clock_mark import KEEPER
from service.store import health

AWAY_S: Final = 30.0  # real seconds: half of those after which a keeper begins to tell without the database
WAITS_S: Final = 15.0  # real seconds: a look of the keeper behind one that just found no database
OLDEST: Final = timedelta(hours=12)  # a keeper that is silent for longer stands in for nobody


class KeepersFirst:
    """For one courier, which asks within `asked`."""

    def __init__(self, clock: Clock, monotonic: Callable[[], float]) -> None:
        self._clock = clock
        self._monotonic = monotonic
        self._answered_s = float("-inf")
        self._asks_until_s = float("-inf")

    @contextmanager
    def asked(self) -> Iterator[None]:
        """The database is asked for what waits; whether it answers is noted."""
        now_s = self._monotonic()
        if now_s - self._answered_s > AWAY_S:
            self._asks_until_s = now_s + WAITS_S
        self._answered_s = float("-inf")
        yield
        self._answered_s = self._monotonic()

    def queued_to(self, session: Session, now: datetime) -> datetime | None:
        """Up to when alarms were queued that are to wait for a keeper; None where none is."""
        if self._monotonic() >= self._asks_until_s:
            return None
        beat, away = health.heartbeat(session, KEEPER), timedelta(seconds=clock_seconds(self._clock, AWAY_S))
        if beat is None or not away < now - beat.at < OLDEST:
            self._asks_until_s = float("-inf")
            return None
        return beat.at + away
