"""The keeper sees what is late and does it itself, and a fault does not end it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from service.clock import PacedClock, SteadyClock
from service.operations.canary_dive import set_number
from service.operations.health import Lateness, compare_clocks, return_canary, send_canary
from service.operations.service import Service
from service.operations.spooling import Spool
from service.operations.standby import Standby
from service.operations.sweeping import sweep
from service.store import health
from service.store.engine import open_engine
from tests.operations.stage import ANNA, CLEO, CLUB, FINN, Stage
from workers.keeper import (
    AT_ITS_RATE,
    BEHIND,
    DIVE_LATE,
    MESSAGE_LATE,
    NO_CANARY,
    NO_SWEEP,
    NOT_FOLLOWED,
    SIGN_OF_LIFE_S,
    Keeper,
)

ALL_WELL = Lateness(oldest_due_s=None, oldest_urgent_s=None, canary_age_s=1.0, sweep_age_s=1.0)


class Hand:
    """The seconds that a keeper counts, moved by hand."""

    def __init__(self) -> None:
        self.at_s = 1000.0

    def __call__(self) -> float:
        """Where the hand is."""
        return self.at_s


@pytest.fixture
def hand() -> Hand:
    """A keeper's own clock."""
    return Hand()


@pytest.fixture
def keeper(stage: Stage, hand: Hand) -> Iterator[Keeper]:
    """A keeper on the stage, and its threads ended afterwards."""
    keeper = Keeper(stage.service, stage.courier, hand)
    yield keeper
    keeper._thread.shutdown(wait=True)


def alerted(stage: Stage) -> bool:
    """Whether Cleo was handed an alert."""
    return any("OVERDUE" in body for body in stage.to(CLEO))


def wait_until(met: Callable[[], bool], within_s: float = 30.0) -> bool:
    """Whether something that another thread does comes about in time."""
    give_up_at = time.monotonic() + within_s
    while not met():
        if time.monotonic() > give_up_at:
            return False
        time.sleep(0.01)
    return True


def give_signs_of_life(stage: Stage) -> None:
    """A sweep and a canary, as from workers that live."""
    sweep(stage.service)
    return_canary(stage.service, send_canary(stage.service))


@pytest.mark.parametrize("late_s", [0, 9])
def test_the_keeper_leaves_alone_what_is_hardly_late(stage: Stage, keeper: Keeper, late_s: int) -> None:
    """Up to ten seconds are the workers' own."""
    dive = stage.dive_in()
    give_signs_of_life(stage)
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at - timedelta(minutes=25)  # the heads-up
    stage.clock.at += timedelta(seconds=late_s)

    assert keeper.look() == ()
    assert stage.dive(dive.id).phase == "in_water"


def test_the_keeper_raises_an_alarm_that_nobody_raises(stage: Stage, keeper: Keeper) -> None:
    """Eleven seconds after an alert was due with no worker anywhere, the contact has it and the log says why."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at + timedelta(seconds=11)

    reasons = keeper.look()

    assert reasons == (DIVE_LATE,)
    assert wait_until(lambda: alerted(stage))
    [entry] = stage.entries(chain="service")[-1:]
    assert (entry.kind, entry.detail) == ("take_over", {"what": DIVE_LATE})


def test_the_admins_are_told_once_that_a_part_is_dead(stage: Stage, keeper: Keeper) -> None:
    """Two looks that take over for the same reason send one text to an admin."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    for late in (timedelta(seconds=11), timedelta(minutes=6)):
        stage.clock.at = dive.raise_by_at + late
        keeper.look()
        # Else the clock goes on while it carries, and then alarms are late for a reason of their own.
        for carrying in keeper._carrying:
            carrying.result()
    keeper._thread.shutdown(wait=True)
    stage.courier.carry()

    assert [body for body in stage.to(FINN) if DIVE_LATE in body] == stage.to(FINN)[:1]
    assert len(stage.to(FINN)) == 1


def test_the_keeper_carries_an_alert_that_nobody_carries(stage: Stage, keeper: Keeper) -> None:
    """A sweep ran, no courier did: after ten seconds the keeper carries."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at
    sweep(stage.service)
    assert not alerted(stage)
    stage.clock.at += timedelta(seconds=11)

    assert keeper.look() == (MESSAGE_LATE,)
    assert wait_until(lambda: alerted(stage))


def test_two_keepers_and_a_worker_double_nothing(stage: Stage, keeper: Keeper, hand: Hand) -> None:
    """All three do the same late work at once: one alert."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at + timedelta(seconds=30)
    second = Keeper(stage.service, stage.courier, hand)

    actors = [threading.Thread(target=act) for act in (keeper.look, second.look, stage.turn)]
    for actor in actors:
        actor.start()
    for actor in actors:
        actor.join()
    for one in (keeper, second):
        one._thread.shutdown(wait=True)
    stage.courier.carry()

    assert len([body for body in stage.to(CLEO) if "OVERDUE" in body]) == 1


@pytest.mark.parametrize(
    ("late", "reasons"),
    [
        pytest.param(ALL_WELL, (), id="all well"),
        pytest.param(Lateness(10.0, 10.0, 45.0, 45.0), (), id="at every limit"),
        pytest.param(Lateness(10.1, None, 1.0, 1.0), (DIVE_LATE,), id="a dive is late"),
        pytest.param(Lateness(None, 10.1, 1.0, 1.0), (MESSAGE_LATE,), id="an alarm is late"),
        pytest.param(Lateness(None, 10.1, 1.0, 1.0, 10.1), (MESSAGE_LATE,), id="an alarm is late, its sender is free"),
        pytest.param(Lateness(None, 10.1, 1.0, 1.0, -2.0), (AT_ITS_RATE,), id="an alarm waits for its sender"),
        pytest.param(Lateness(None, 10.0, 1.0, 1.0, -2.0), (), id="an alarm waits for its sender a little"),
        pytest.param(Lateness(None, None, 45.1, 1.0), (NO_CANARY,), id="the canary is lost"),
        pytest.param(Lateness(None, None, 1.0, 45.1), (NO_SWEEP,), id="no sweep ends"),
        pytest.param(Lateness(None, None, 1.0, -5.0), (), id="another machine's clock is a little ahead"),
        pytest.param(Lateness(None, None, 1.0, -5.1), (BEHIND, NO_SWEEP), id="the last sweep is yet to come"),
        pytest.param(Lateness(None, None, None, None), (NO_SWEEP, NO_CANARY), id="never a sign of life"),
    ],
)
def test_what_makes_the_keeper_act(keeper: Keeper, hand: Hand, late: Lateness, reasons: tuple[str, ...]) -> None:
    """Each limit by itself, and one tenth of a second past it."""
    hand.at_s += SIGN_OF_LIFE_S

    assert keeper.reasons(late) == reasons


def test_after_its_start_the_keeper_gives_the_others_time_for_a_sign_of_life(keeper: Keeper, hand: Hand) -> None:
    """An old canary counts only once the keeper itself has lived as long; lateness counts at once."""
    hand.at_s += SIGN_OF_LIFE_S - 0.1

    assert keeper.reasons(Lateness(None, None, 9999.0, 9999.0)) == ()
    assert keeper.reasons(Lateness(11.0, None, None, None)) == (DIVE_LATE,)


def test_the_limits_are_real_seconds_in_a_demo_too(stage: Stage) -> None:
    """At pace 60 a dive is late after ten minutes of its clock, ten real seconds."""
    paced = Service(stage.engine, PacedClock(60.0, stage.clock.at), stage.service.public_url, "keeper-1")
    keeper = Keeper(paced, stage.courier)

    assert keeper.reasons(Lateness(599.0, 599.0, 1.0, 1.0)) == ()
    assert keeper.reasons(Lateness(601.0, 601.0, 1.0, 1.0)) == (DIVE_LATE, MESSAGE_LATE)


def test_a_database_that_goes_away_does_not_end_the_keeper(stage: Stage, caplog: pytest.LogCaptureFixture) -> None:
    """It fails, looks again, and does its work once the database is back."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at + timedelta(seconds=30)
    away = Service(open_engine("sqlite:////no/such/directory/x.db"), stage.clock, "https://dive.example", "keeper-1")
    keeper = Keeper(away, stage.courier)
    stopping = threading.Event()
    running = threading.Thread(target=keeper.run, args=(stopping,))
    running.start()
    try:
        assert wait_until(lambda: "keeper_look_failed" in caplog.messages)
        assert running.is_alive()
        keeper._service = stage.service
        assert wait_until(lambda: alerted(stage))
    finally:
        stopping.set()
        running.join()


def test_a_fault_of_ours_is_no_outage(
    stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hand: Hand
) -> None:
    """The database is there and others may well be watching: nobody is alarmed by a snapshot."""
    dive, completed = stage.dive_in(), [0]
    spool = Spool(tmp_path / "spool", "s" * 40)
    keeper = Keeper(stage.service, stage.courier, hand, gateways=[stage.first], spool=spool)
    keeper.look()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at

    def break_down(_: Service) -> Lateness:
        raise RuntimeError("a fault of ours")

    monkeypatch.setattr("workers.keeper.how_late", break_down)
    for _ in range(3):
        hand.at_s += 100.0
        completed[0] += keeper._look_anyhow()

    assert completed == [0]
    assert not any("NOT CONFIRMED" in taken.body for taken in stage.journal)
    for threads in (keeper._thread, keeper._asking):
        threads.shutdown(wait=True)


def test_a_disk_at_fault_does_not_keep_the_keeper_from_its_work(
    stage: Stage, hand: Hand, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """What it has ready for an outage cannot be read: with the database there it raises what nobody raises."""
    dive = stage.dive_in()
    stage.turn()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at + timedelta(seconds=15)
    keeper = Keeper(stage.service, stage.courier, hand, spool=Spool(tmp_path, "s" * 40))

    def break_down(_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Standby, "look", break_down)
    assert keeper._look_anyhow()
    assert wait_until(lambda: alerted(stage))
    assert "standby_look_failed" in caplog.messages
    keeper._thread.shutdown(wait=True)


def test_the_keeper_says_that_it_lives(stage: Stage, keeper: Keeper) -> None:
    """Each whole look leaves a heartbeat."""
    keeper.look()

    beat = stage.service.read(lambda session: health.heartbeat(session, "keeper"))

    assert beat is not None
    assert beat.at == stage.clock.at


def test_a_gateway_that_answers_slowly_does_not_keep_the_keeper_from_looking(stage: Stage, keeper: Keeper) -> None:
    """While a text waits for its answer the next look is done and over."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    answer = threading.Event()
    stage.first.on_ask = lambda _: answer.wait(10.0)
    stage.clock.at = dive.raise_by_at + timedelta(seconds=30)
    try:
        keeper.look()
        began = time.monotonic()
        stage.clock.at += timedelta(seconds=11)
        keeper.look()

        assert time.monotonic() - began < 5.0
    finally:
        answer.set()


@pytest.mark.parametrize("sign", ["sweep_age_s", "canary_age_s"])
def test_a_sign_of_life_from_the_future_is_none(stage: Stage, keeper: Keeper, hand: Hand, sign: str) -> None:
    """After a clock was wrongly an hour ahead, the keeper is not blind for an hour."""
    hand.at_s += SIGN_OF_LIFE_S
    expected = {"sweep_age_s": (BEHIND, NO_SWEEP), "canary_age_s": (NO_CANARY,)}[sign]

    assert keeper.reasons(replace(ALL_WELL, **{sign: -3600.0})) == expected
    assert keeper.reasons(replace(ALL_WELL, **{sign: -2.0})) == ()


@pytest.mark.parametrize(("step_min", "way"), [(-60, "back"), (60, "ahead")])
def test_the_admins_hear_that_a_clock_was_set(stage: Stage, hand: Hand, step_min: int, way: str) -> None:
    """At the next look, in one text."""
    give_signs_of_life(stage)
    began = stage.clock.at
    clock = SteadyClock(lambda: stage.clock.at, lambda: (stage.clock.at - began).total_seconds() - moved_s)
    moved_s = 0.0
    keeper = Keeper(replace(stage.service, clock=clock), stage.courier, hand)
    keeper.look()

    stage.clock.at += timedelta(minutes=step_min)
    moved_s = step_min * 60.0
    keeper.look()
    keeper.look()
    keeper._thread.shutdown(wait=True)
    stage.clock.at = began + timedelta(hours=1)
    stage.courier.carry()

    assert [f"a machine's clock was set {way}" in body for body in stage.to(FINN)] == [True]


def starts_behind(stage: Stage, behind: timedelta) -> SteadyClock:
    """The clock of a process on a machine that has lost so much; `shown` is its wall clock."""

    def seconds() -> float:
        return stage.clock.at.timestamp()

    return SteadyClock(lambda: stage.clock.at - behind, seconds)


def test_the_admins_hear_once_of_a_machine_that_starts_with_an_hour_less(stage: Stage, hand: Hand) -> None:
    """Nobody was there to see its clock go back. No alarm comes late, and it is over when the clock is right."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at - timedelta(seconds=1)
    give_signs_of_life(stage)
    sweep(stage.service)
    clock = starts_behind(stage, timedelta(hours=1))
    keeper = Keeper(replace(stage.service, clock=clock), stage.courier, hand)

    assert (keeper.look(), keeper.look()) == ((NOT_FOLLOWED,), (NOT_FOLLOWED,))
    stage.clock.at += timedelta(seconds=12)
    assert keeper.look() == (DIVE_LATE, NOT_FOLLOWED)
    clock.shown = stage.clock.now
    assert NOT_FOLLOWED not in keeper.look()
    keeper._thread.shutdown(wait=True)
    stage.courier.carry()

    assert alerted(stage)
    assert max(len(body) for body in stage.to(FINN) if "a clock is behind" in body) <= 160
    assert [NOT_FOLLOWED in body for body in stage.to(FINN) if "a clock is behind" in body] == [True]
    beat = stage.service.read(lambda session: health.heartbeat(session, "keeper"))
    assert beat is not None
    assert NOT_FOLLOWED not in (beat.detail or "")
    stage.text(ANNA, "OUT")


def test_the_admins_hear_of_a_mark_that_is_not_believed(stage: Stage, hand: Hand) -> None:
    """Days ahead: whoever left it was wrong, or we are; a person has to look."""
    give_signs_of_life(stage)
    keeper = Keeper(replace(stage.service, clock=starts_behind(stage, timedelta(days=3))), stage.courier, hand)

    assert keeper.look() == (BEHIND,)
    keeper._thread.shutdown(wait=True)
    stage.courier.carry()

    assert [BEHIND in body for body in stage.to(FINN)] == [True]


def test_a_clock_that_did_not_follow_the_machine_back_is_compared_as_it_goes(stage: Stage) -> None:
    """It was wrong by an hour and is right again; this process is not, and the admins hear of it."""
    began, set_back = stage.clock.at, timedelta(0)
    clock = SteadyClock(lambda: began - set_back, lambda: 1000.0)
    service = replace(stage.service, clock=clock)
    clock.now()
    set_back = timedelta(hours=1)

    apart_s = compare_clocks(service)

    assert apart_s == (pytest.approx(3600, abs=2) if stage.engine.dialect.name == "postgresql" else 0)
    stage.courier.carry()
    told = ["our clock and the database's differ" in body for body in stage.to(FINN)]
    assert told == ([True] if stage.engine.dialect.name == "postgresql" else [])


def test_the_keeper_tells_of_a_day_without_a_canary_dive(stage: Stage, keeper: Keeper, hand: Hand) -> None:
    """Where whoever should look after them does not; within half a minute."""
    stage.service.write(lambda session: set_number(stage.service, session, CLUB, CLEO))
    stage.clock.at += timedelta(hours=26)
    give_signs_of_life(stage)
    keeper.look()
    assert stage.to(FINN) == []

    hand.at_s += 30
    keeper.look()
    stage.courier.carry()

    assert [body for body in stage.to(FINN) if "canary dive" in body]
