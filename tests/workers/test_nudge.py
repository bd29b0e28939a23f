"""A nudge is quick when the broker works, and never in the way when it does not."""

from __future__ import annotations

import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf
from pathlib import Path

import pytest
import redis

from tests.servers.broker import Broker
from tests.workers.conftest import settings_for
from workers.app import PUBLISHING, make_celery
from workers.nudge import APART_S, REST_AFTER_FAULT_S, _Few, _Nudge, broker_nudge, few

LONGEST_S = 1.5
AT_ONCE_S = 0.05
TRIES = 3


def nudge_at(url: str, tmp_path: Path) -> Callable[[], None]:
    """A nudge as the web process makes it, for a broker at that address."""
    return broker_nudge(make_celery(settings_for(f"sqlite:///{tmp_path / 'x.db'}", url), PUBLISHING))


def quickest_s(acts: Iterable[Callable[[], None]], limit_s: float) -> float:
    """How long the quickest took, in real seconds; the rest are not tried once one was within the limit.

    A busy machine makes any of them longer, and none of them shorter than our code does.
    """
    best = inf
    for act in acts:
        began = time.monotonic()
        act()
        best = min(best, time.monotonic() - began)
        if best < limit_s:
            break
    return best


def lengths(broker: Broker) -> tuple[int, int]:
    """How many tasks wait for the urgent and for the other couriers."""
    with redis.Redis.from_url(broker.url) as client:
        return int(client.llen("urgent")), int(client.llen("messages"))


def test_a_nudge_asks_both_kinds_of_couriers(broker: Broker, tmp_path: Path) -> None:
    """One task for the urgent couriers and one for the others."""
    nudge = nudge_at(broker.url, tmp_path)

    nudge()

    assert lengths(broker) == (1, 1)


def test_a_nudge_after_the_broker_forgot_everything_still_arrives(broker: Broker, tmp_path: Path) -> None:
    """Nothing about the queues has to be known to the broker beforehand."""
    nudge = nudge_at(broker.url, tmp_path)
    nudge()
    with redis.Redis.from_url(broker.url) as client:
        client.flushall()

    nudge()

    assert lengths(broker) == (1, 1)


def test_a_dead_broker_costs_little_and_raises_nothing(tmp_path: Path) -> None:
    """Nobody listens: back within a second and a half, the next time at once."""
    nudges = [nudge_at("redis://127.0.0.1:1/0", tmp_path) for _ in range(TRIES)]

    assert quickest_s(nudges, LONGEST_S) < LONGEST_S
    assert quickest_s(nudges[:1] * TRIES, AT_ONCE_S) < AT_ONCE_S


def test_a_broker_that_never_answers_costs_a_second_once(tmp_path: Path) -> None:
    """It accepts the connection and says nothing: back within a second and a half, the next time at once."""
    with socket.create_server(("127.0.0.1", 0)) as hole:
        nudges = [nudge_at(f"redis://127.0.0.1:{hole.getsockname()[1]}/0", tmp_path) for _ in range(TRIES)]

        assert quickest_s(nudges, LONGEST_S) < LONGEST_S
        assert quickest_s(nudges[:1] * TRIES, AT_ONCE_S) < AT_ONCE_S


def test_a_broker_that_freezes_later_costs_a_second_once(broker: Broker, tmp_path: Path) -> None:
    """A connection that worked goes silent: back within a second and a half."""
    nudges = [nudge_at(broker.url, tmp_path) for _ in range(TRIES)]
    for nudge in nudges:
        nudge()
    os.kill(broker.pid, signal.SIGSTOP)
    try:
        assert quickest_s(nudges, LONGEST_S) < LONGEST_S
    finally:
        os.kill(broker.pid, signal.SIGCONT)


def test_a_nudge_works_again_once_the_broker_is_back(broker: Broker, tmp_path: Path) -> None:
    """After its rest it tries again, on a new connection."""
    celery = make_celery(settings_for(f"sqlite:///{tmp_path / 'x.db'}", broker.url), PUBLISHING)
    hand = [0.0]
    nudge = _Nudge(celery, monotonic=lambda: hand[0])
    nudge()
    broker.kill()
    nudge()
    broker.start()

    nudge()
    resting = lengths(broker)
    hand[0] += REST_AFTER_FAULT_S
    nudge()

    assert (resting, lengths(broker)) == ((0, 0), (1, 1))


class Turn:
    """The turn of a nudge, for which any wait is short enough; counts who came."""

    def __init__(self) -> None:
        self.came = 0
        self._counting, self._lock = threading.Lock(), threading.Lock()

    def acquire(self, timeout: float) -> bool:
        """Wait for it, far longer than `timeout`: this machine may be busy."""
        with self._counting:
            self.came += 1
        return self._lock.acquire(timeout=100 * timeout)

    def release(self) -> None:
        """Let the next one have it."""
        self._lock.release()


def test_who_comes_while_one_is_published_shares_the_next_one(tmp_path: Path) -> None:
    """The couriers are asked once for all who waited, and after the last of them came."""
    nudge = _Nudge(make_celery(settings_for(f"sqlite:///{tmp_path / 'x.db'}", "redis://127.0.0.1:1/0"), PUBLISHING))
    turn, under_way, go_on = Turn(), threading.Event(), threading.Event()
    came: list[int] = []

    def publish() -> None:
        came.append(turn.came)
        under_way.set()
        assert go_on.wait(30)

    nudge._turn, nudge._publish = turn, publish  # type: ignore[assignment,method-assign]
    threads = [threading.Thread(target=nudge) for _ in range(5)]
    threads[0].start()
    assert under_way.wait(30)
    for thread in threads[1:]:
        thread.start()
    give_up_at = time.monotonic() + 25
    while turn.came < len(threads) and time.monotonic() < give_up_at:
        time.sleep(0.01)
    go_on.set()
    for thread in threads:
        thread.join()

    assert came == [1, 5]
    nudge()
    assert len(came) == 3


@pytest.mark.parametrize("url", ["redis://127.0.0.1:1/0", "nonsense://x", "redis://127.0.0.1:port/0"])
def test_no_address_makes_a_nudge_raise(url: str, tmp_path: Path) -> None:
    """Whatever is wrong, the caller's work goes on."""
    nudge_at(url, tmp_path)()


@dataclass
class Hand:
    """A clock moved by hand, and what is to be done at which moment of it."""

    at_s: float = 0.0
    later: list[tuple[float, Callable[[], None]]] = field(default_factory=list)

    def after(self, seconds: float, act: Callable[[], None]) -> None:
        """In place of a thread that waits."""
        self.later.append((self.at_s + seconds, act))

    def move(self, seconds: float) -> None:
        """Let time pass, and what is due in it happen."""
        until_s = self.at_s + seconds
        while due := [one for one in self.later if one[0] <= until_s]:
            self.later.remove(due[0])
            self.at_s = due[0][0]
            due[0][1]()
        self.at_s = until_s


def test_of_many_nudges_the_first_goes_at_once_and_one_follows_the_last() -> None:
    """What came after a nudge had gone is never without one that goes later."""
    hand, went = Hand(), list[float]()
    nudge = _Few(lambda: went.append(hand.at_s), lambda: hand.at_s, hand.after)

    for _ in range(20):
        asked_s = hand.at_s
        nudge()
        hand.move(APART_S / 7)
    hand.move(1.0)

    assert went[0] == 0.0
    assert all(later - before >= APART_S - 1e-9 for before, later in pairwise(went))
    assert asked_s <= went[-1] <= asked_s + APART_S
    assert len(went) <= 2 + 20 / 7
    nudge()
    assert went[-1] == hand.at_s


def test_where_no_thread_can_be_started_a_nudge_goes_at_once() -> None:
    """As while the process ends: what is queued must not wait for the couriers' own look."""

    def refuse(_seconds: float, _act: Callable[[], None]) -> None:
        raise RuntimeError("can't start new thread")

    went: list[int] = []
    nudge = _Few(lambda: went.append(1), lambda: 0.0, refuse)

    nudge()
    nudge()

    assert len(went) == 2


def test_few_nudges_come_by_a_thread_of_their_own() -> None:
    """The one that follows keeps nobody who asked for it."""
    went, followed = list[str](), threading.Event()

    def note() -> None:
        went.append(threading.current_thread().name)
        if len(went) > 1:
            followed.set()

    nudge = few(note)
    for _ in range(3):
        nudge()

    assert followed.wait(30)
    assert went[0] == threading.current_thread().name != went[1]
