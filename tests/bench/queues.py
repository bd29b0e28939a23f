"""A simulation of queues: what saturates first when many more dives are in the water than were measured.

It knows stations with servers, jobs that go from one station to the next, and priorities; nothing of dives. A station
takes the most urgent job that waits, and never interrupts one that it has begun, as our sweeps and couriers do.
`tests/published/test_queueing.py` holds it to published formulas.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

Leg = tuple[str, float]  # a station, and the seconds that the job takes there


@dataclass(frozen=True, slots=True)
class Job:
    """What comes at `at_s` seconds, how urgent it is (0 is the most urgent), and the way that it goes."""

    at_s: float
    kind: str
    priority: int
    legs: tuple[Leg, ...]


@dataclass(frozen=True, slots=True)
class Done:
    """A job that has gone all its way: when it came, when it was through, and how long it waited in all."""

    job: Job
    done_at_s: float
    waited_s: float

    @property
    def took_s(self) -> float:
        """From coming to being through."""
        return self.done_at_s - self.job.at_s


@dataclass(slots=True)
class Station:
    """Servers that take one job each at a time. `shut`: from when until when none of them takes a job."""

    servers: int = 1
    shut: tuple[float, float] | None = None
    busy_s: float = 0.0
    most_waiting: int = 0
    _free: int = field(init=False)
    _queue: list[tuple[int, int, _Under]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._free = self.servers

    def put(self, order: int, under: _Under) -> None:
        """A job comes to this station."""
        heapq.heappush(self._queue, (under.job.priority, order, under))
        self.most_waiting = max(self.most_waiting, len(self._queue))

    def take(self, now: float) -> Iterator[_Under]:
        """The jobs that can begin now, the most urgent first."""
        if self.shut is not None and self.shut[0] <= now < self.shut[1]:
            return
        while self._free and self._queue:
            self._free -= 1
            yield heapq.heappop(self._queue)[2]

    def end(self, seconds: float) -> None:
        """A server is through with a job."""
        self._free += 1
        self.busy_s += seconds

    def share(self, over_s: float) -> float:
        """How much of the time its servers were at work."""
        return self.busy_s / (self.servers * over_s)


@dataclass(slots=True)
class _Under:
    """A job on its way."""

    job: Job
    came_at_s: float
    leg: int = 0
    waited_s: float = 0.0


def simulate(stations: dict[str, Station], jobs: Iterable[Job]) -> list[Done]:
    """Let the jobs, in the order of their times, go their ways; gives them as they get through.

    Raises ValueError for jobs out of order.
    """
    return _Run(stations, jobs).run()


class _Run:
    """What happens next, and to whom."""

    def __init__(self, stations: dict[str, Station], jobs: Iterable[Job]) -> None:
        self._stations = stations
        self._coming = iter(jobs)
        self._last_s = 0.0
        self._counted = itertools.count()
        self._events: list[tuple[float, int, _Under | None, str]] = []
        self._done: list[Done] = []

    def run(self) -> list[Done]:
        """Until every job is through."""
        for name, station in self._stations.items():
            if station.shut is not None:
                self._at(station.shut[1], None, name)
        self._come()
        while self._events:
            now, _, under, name = heapq.heappop(self._events)
            if under is None:
                self._begin(name, now)  # the station opens again
            elif name:
                self._stations[name].end(under.job.legs[under.leg][1])
                under.leg += 1
                self._onward(under, now)
                self._begin(name, now)
            else:
                self._come()
                self._onward(under, now)
        return self._done

    def _at(self, time_s: float, under: _Under | None, station: str) -> None:
        heapq.heappush(self._events, (time_s, next(self._counted), under, station))

    def _come(self) -> None:
        job = next(self._coming, None)
        if job is None:
            return
        if job.at_s < self._last_s:
            raise ValueError("jobs must come in the order of their times")
        self._last_s = job.at_s
        self._at(job.at_s, _Under(job, job.at_s), "")

    def _onward(self, under: _Under, now: float) -> None:
        """To the queue of its next station, or out where it has gone all its way."""
        if under.leg == len(under.job.legs):
            self._done.append(Done(under.job, now, under.waited_s))
            return
        name = under.job.legs[under.leg][0]
        under.came_at_s = now
        self._stations[name].put(next(self._counted), under)
        self._begin(name, now)

    def _begin(self, name: str, now: float) -> None:
        for under in self._stations[name].take(now):
            under.waited_s += now - under.came_at_s
            self._at(now + under.job.legs[under.leg][1], under, name)


def quantile(values: list[float], share: float) -> float:
    """The value below which that share of them lies; nothing of nothing."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))] if values else 0.0
