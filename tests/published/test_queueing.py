"""The simulation of queues behind docs/scale.md, held to the formulas of queueing theory.

Sources: for one server with a constant time, the survey "Queueing Systems with Mathematical Models and Applications"
(section M/D/1, open course material): the mean wait in the queue is r / (2 m (1 - r)), with r the share of time at work
and m the jobs a second. For many servers A. K. Erlang's delay formula (1917), for priorities A. Cobham, "Priority
Assignment in Waiting Line Problems", Operations Research 2 (1954): both formulas from memory.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from math import factorial

import pytest

from tests.bench.queues import Done, Job, Station, simulate

JOBS = 60_000
WITHIN = 0.08  # of the formula's value, with so many jobs


def poisson(rate: float, seconds: Iterator[float], priorities: tuple[int, ...] = (0,)) -> Iterator[Job]:
    """Jobs that come by chance, so many a second, each with a time of its own and a priority by chance."""
    chance = random.Random(f"queue {rate}")
    now = 0.0
    for _ in range(JOBS):
        now += chance.expovariate(rate)
        yield Job(now, "job", chance.choice(priorities), (("one", next(seconds)),))


def by_chance(mean: float) -> Iterator[float]:
    """Times with an exponential distribution."""
    chance = random.Random(f"times {mean}")
    while True:
        yield chance.expovariate(1 / mean)


def constant(seconds: float) -> Iterator[float]:
    """Always the same time."""
    while True:
        yield seconds


def mean_wait(done: list[Done]) -> float:
    """The mean seconds in the queue."""
    return sum(one.waited_s for one in done) / len(done)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_one_server_with_a_constant_time(share: float) -> None:
    """The mean wait is the published one."""
    done = simulate({"one": Station()}, poisson(share, constant(1.0)))

    assert mean_wait(done) == pytest.approx(share / (2 * (1 - share)), rel=WITHIN)


@pytest.mark.parametrize(("servers", "share"), [(1, 0.5), (2, 0.5), (2, 0.8), (5, 0.8)])
def test_many_servers_share_one_queue(servers: int, share: float) -> None:
    """Erlang's chance of having to wait, and the mean wait that follows from it."""
    offered = servers * share
    waiting = offered**servers / factorial(servers) / (1 - share)
    chance = waiting / (sum(offered**k / factorial(k) for k in range(servers)) + waiting)

    done = simulate({"one": Station(servers)}, poisson(offered, by_chance(1.0)))

    assert sum(one.waited_s > 0 for one in done) / JOBS == pytest.approx(chance, rel=WITHIN)
    assert mean_wait(done) == pytest.approx(chance / (servers * (1 - share)), rel=2 * WITHIN)


def test_what_is_urgent_waits_as_cobham_says() -> None:
    """Two classes, half of the jobs each, none interrupted: the urgent wait little, the others pay for it."""
    share, left = 0.8, 0.8  # the mean time that is left of a job in hand: rate x mean square of times / 2

    done = simulate({"one": Station()}, poisson(share, by_chance(1.0), priorities=(0, 1)))

    urgent = [one for one in done if one.job.priority == 0]
    others = [one for one in done if one.job.priority == 1]
    assert mean_wait(urgent) == pytest.approx(left / (1 - share / 2), rel=WITHIN)
    assert mean_wait(others) == pytest.approx(left / ((1 - share / 2) * (1 - share)), rel=2 * WITHIN)


def test_a_station_that_is_shut_takes_up_what_waits_when_it_opens() -> None:
    """What came meanwhile is done in its order, the urgent first."""
    jobs = [Job(at, kind, urgency, (("one", 1.0),)) for at, kind, urgency in ((1, "a", 1), (2, "b", 0), (20, "c", 1))]

    done = simulate({"one": Station(shut=(0, 10))}, jobs)

    assert [(one.job.kind, one.done_at_s) for one in done] == [("b", 11.0), ("a", 12.0), ("c", 21.0)]


def test_jobs_out_of_order_are_refused() -> None:
    """A time that goes back is a mistake of the caller."""
    jobs = [Job(2, "a", 0, (("one", 1.0),)), Job(1, "b", 0, (("one", 1.0),))]

    with pytest.raises(ValueError, match="in the order"):
        simulate({"one": Station()}, jobs)
