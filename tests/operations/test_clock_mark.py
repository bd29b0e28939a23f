"""No process falls behind what others took for the present, and a person can take that back."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from types import SimpleNamespace

import pytest
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from service.clock import SteadyClock
from service.domain.dive import Phase
from service.operations import clock_mark
from service.operations.clock_mark import (
    AHEAD,
    KEEPER,
    LOOKS_EVERY_S,
    MarkFollower,
    NotConfirmedError,
    follow_mark_from_time_to_time,
    go_on_from_mark,
    marks,
    take_mark_back,
)
from service.operations.gap import HEARTBEAT
from service.operations.health import NOT_FOLLOWED, beat_heart, note_take_over, send_canary
from service.operations.recovering import NoRecoveryError
from service.operations.service import Service
from service.operations.sweeping import sweep
from service.store import epochs, gateways, health, polls
from tests.operations.away import Keeping, alarms, armed, gone
from tests.operations.stage import ANNA, BEGIN_AT, CLEO, FINN, Stage

HOUR, SECOND = timedelta(hours=1), timedelta(seconds=1)


@dataclass
class Machine:
    """A machine whose clock is so far behind the stage's, which is right."""

    stage: Stage
    behind: timedelta = timedelta(0)

    def seconds(self) -> float:
        """What nobody can set."""
        return (self.stage.clock.at - BEGIN_AT).total_seconds()

    def starts(self) -> Service:
        """A process on it."""
        clock = SteadyClock(lambda: self.stage.clock.at - self.behind, self.seconds)
        return replace(self.stage.service, clock=clock)


def leave_mark(stage: Stage, ahead: timedelta = timedelta(0)) -> None:
    """A sweep has just been, by a clock that was so far ahead."""
    stage.clock.at += ahead
    sweep(stage.service)
    stage.clock.at -= ahead


def test_a_sweep_that_starts_an_hour_behind_alarms_in_time(stage: Stage) -> None:
    """As after a power cut that the clock of the machine did not get over; of those who saw it go back none is left."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.wait(dive.raise_by_at - stage.clock.at - SECOND)
    leave_mark(stage)
    service = Machine(stage, HOUR).starts()

    go_on_from_mark(service)
    stage.clock.at += SECOND
    sweep(service)
    stage.courier.carry()

    assert any("OVERDUE" in body for body in stage.to(CLEO))
    stage.text(ANNA, "OUT")


def test_a_process_looks_every_three_seconds_and_goes_on_without(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A database that is away is asked again at once; by the wall clock, too, work is better done than not."""
    machine = Machine(stage, HOUR)
    service = machine.starts()
    follow = MarkFollower(service, machine.seconds)
    looks = []
    monkeypatch.setattr(clock_mark, "go_on_from_mark", lambda given: (looks.append(given), go_on_from_mark(given)))
    leave_mark(stage)
    with gone(stage.engine):
        assert not follow()
    assert service.clock.now() == stage.clock.at - HOUR
    assert "mark_not_read" in caplog.messages

    assert follow()
    assert service.clock.now() == stage.clock.at
    for passed_s in (0.0, LOOKS_EVERY_S - 1, 1.0):
        stage.clock.at += timedelta(seconds=passed_s)
        follow()

    assert len(looks) == 3
    assert caplog.messages.count("clock_behind") == 1


class TimeIsUpError(Exception):
    """What ends a task from outside."""


def test_a_time_limit_ends_the_work_also_while_the_mark_is_read(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else a task would go on until it is killed."""
    follow = MarkFollower(stage.service, raised=TimeIsUpError)
    monkeypatch.setattr(clock_mark, "go_on_from_mark", lambda _: (_ for _ in ()).throw(TimeIsUpError))

    with pytest.raises(TimeIsUpError):
        follow()


def test_the_admins_hear_from_whichever_machine_is_behind(stage: Stage) -> None:
    """The keeper may be on another one, whose clock is right. Once an hour, whoever looks."""
    machine = Machine(stage, HOUR)
    leave_mark(stage)
    for follow in [MarkFollower(machine.starts(), machine.seconds) for _ in range(2)]:
        follow()
        stage.clock.at += timedelta(seconds=LOOKS_EVERY_S)
        follow()
    stage.courier.carry()

    assert len([body for body in stage.to(FINN) if NOT_FOLLOWED in body]) == 1


@pytest.mark.parametrize("when", ["at its start", "while it ran"])
def test_who_starts_after_all_sweeps_and_keepers_were_dead_goes_on_from_what_is_left(stage: Stage, when: str) -> None:
    """A web knows what the time is as long as it lives, whether its machine lost an hour at a start or was set back."""
    machine = Machine(stage)
    leave_mark(stage)
    web = MarkFollower(machine.starts(), machine.seconds)
    if when == "while it ran":
        web()
    machine.behind = HOUR
    if when == "at its start":
        web = MarkFollower(machine.starts(), machine.seconds)
    for _ in range(2):
        web()
        stage.clock.at += timedelta(minutes=20)
    web()
    service = machine.starts()

    go_on_from_mark(service)

    assert service.clock.now() == stage.clock.at


def test_who_goes_by_its_machine_leaves_no_mark(stage: Stage) -> None:
    """It would say nothing that whoever starts next does not see itself."""
    machine = Machine(stage)
    leave_mark(stage)

    MarkFollower(machine.starts(), machine.seconds)()

    assert AHEAD not in stage.service.read(health.heartbeats)


def test_whoever_reads_no_mark_hears_what_the_database_says(stage: Stage) -> None:
    """A keeper must know that it is away."""
    with gone(stage.engine), pytest.raises(OperationalError):
        go_on_from_mark(Machine(stage).starts())


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # which ends it
def test_a_thread_follows_for_whoever_answers_at_any_moment(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before anything is answered, and later too: another machine may be the one that is right."""
    begun, left = threading.Event(), threading.Event()

    def sleep(_seconds: float) -> None:
        if begun.is_set():
            raise SystemExit
        begun.set()
        left.wait(10)

    monkeypatch.setattr(clock_mark, "time", SimpleNamespace(sleep=sleep))
    monkeypatch.setattr(clock_mark, "LOOKS_EVERY_S", 0.0)
    service = Machine(stage, HOUR).starts()
    leave_mark(stage)
    follow_mark_from_time_to_time(service)
    assert service.clock.now() == stage.clock.at

    begun.wait(10)
    leave_mark(stage, HOUR)
    left.set()
    for thread in threading.enumerate():
        if thread.name == "follows-mark":
            thread.join(10)

    assert service.clock.now() == stage.clock.at + HOUR


def test_a_keeper_that_starts_behind_without_a_database_alarms_in_time(keeping: Keeping) -> None:
    """Its snapshot and its journal say what the one before it took for the present."""
    stage = keeping.stage
    armed(keeping, before=timedelta(minutes=4))
    with gone(stage.engine):
        keeping.without(minutes=3)

        def seconds() -> float:
            return stage.clock.at.timestamp()

        keeping.clock = SteadyClock(lambda: stage.clock.at - timedelta(hours=1), seconds)
        keeping.start_again()
        keeping.without(seconds=50)
        assert alarms(stage, CLEO) == []
        keeping.without(seconds=30)
        assert len(alarms(stage, CLEO)) == 1

    keeping.look()
    stage.text(ANNA, "OUT")


def test_a_mark_of_before_holds_nobody(stage: Stage) -> None:
    """After a night without power, and on a copy of last week, the wall clock is later than all that was seen."""
    leave_mark(stage)
    stage.clock.at += timedelta(days=7)
    service = Machine(stage).starts()

    go_on_from_mark(service)

    assert service.clock.now() == stage.clock.at
    stage.service.write(lambda session: epochs.mark_copy(session, stage.clock.at))
    go_on_from_mark(service)
    assert service.clock.now() == stage.clock.at


def test_a_mark_that_is_not_believed_hides_none_that_is(stage: Stage) -> None:
    """One moment of a keeper whose clock showed another year must not undo it for good."""
    leave_mark(stage)
    stage.service.write(lambda session: health.beat(session, KEEPER, stage.clock.at + timedelta(days=9_000)))
    service = Machine(stage, HOUR).starts()

    go_on_from_mark(service)

    assert service.clock.now() == stage.clock.at


def test_all_machines_have_one_time(unchecked: Stage) -> None:
    """Where one is an hour ahead, a dive that another one starts is not overdue at once for it."""
    stage = unchecked
    leave_mark(stage, HOUR)
    here = Machine(stage).starts()
    go_on_from_mark(here)
    dive = replace(stage, service=here).dive_in()

    leave_mark(stage, HOUR)

    assert stage.dive(dive.id).phase is Phase.IN_WATER


# A mark that was wrong


def never(_seconds: float) -> None:
    """Nothing happens meanwhile."""


def beats(stage: Stage, ahead: timedelta) -> Callable[[float], None]:
    """A keeper that was not stopped looks meanwhile."""

    def wait(seconds: float) -> None:
        stage.clock.at += timedelta(seconds=seconds) + ahead
        beat_heart(stage.service, KEEPER)
        stage.clock.at -= ahead

    return wait


def test_an_admin_takes_a_wrong_mark_back(stage: Stage) -> None:
    """A clock was an hour ahead: from then on who starts goes by the wall clock, and admins can be told anew."""
    stage.clock.at += HOUR
    sweep(stage.service)
    note_take_over(stage.service, "something")
    stage.courier.carry()
    send_canary(stage.service)
    stage.clock.at -= HOUR
    stage.file()  # which was not started, so that nothing of it comes late
    stage.courier.carry()

    taken = take_mark_back(Machine(stage).starts(), "finn aske", even_with_open_dives=False, wait=never)

    service = Machine(stage).starts()
    go_on_from_mark(service)
    assert (taken.ahead, service.clock.now()) == (HOUR, stage.clock.at)
    assert stage.service.read(health.last_canary_home) is None
    [entry] = [entry for entry in stage.entries(chain="service") if entry.kind == "clock_confirmed"]
    assert entry.actor is not None
    assert (entry.actor["name"], entry.detail) == ("Finn Aske", {"by": "Finn Aske", "ahead_s": 3600.0, "dives": 0})
    told = len(stage.to(FINN))
    note_take_over(stage.service, "something")
    stage.courier.carry()
    assert len(stage.to(FINN)) == told + 1


def test_gateways_rest_and_are_read_by_the_time_that_was_taken_back(stage: Stage) -> None:
    """A list read up to an hour from now would not be read for an hour, with the finish that only it has."""
    ahead = stage.clock.at + HOUR

    def leave(session: Session) -> None:
        polls.claim(session, "first", ahead, read_before=ahead, until_at=ahead)
        polls.done(session, "first", ahead)
        state = gateways.lock(session, "first")
        gateways.save(session, replace(state, faults=5, rests_until_at=ahead))

    stage.service.write(leave)
    leave_mark(stage, HOUR)
    take_mark_back(Machine(stage).starts(), "Finn Aske", even_with_open_dives=False, wait=never)

    now = stage.clock.at
    read = {"read_before": now, "until_at": now + SECOND}
    assert stage.service.write(lambda session: polls.claim(session, "first", now, **read)) is not None
    rests = stage.service.read(lambda session: gateways.states(session, ["first"]))["first"].rests_until_at
    assert rests is not None
    assert rests <= now


def test_nothing_is_taken_back_while_a_text_waits_to_be_read(stage: Stage) -> None:
    """It may be a finish, and by its time it has not come yet."""
    stage.clock.at += HOUR
    inbound_id = stage.receive(ANNA, "SOS")
    sweep(stage.service)
    stage.clock.at -= HOUR

    with pytest.raises(NotConfirmedError, match="1 texts wait"):
        take_mark_back(Machine(stage).starts(), "Finn Aske", even_with_open_dives=False, wait=never)
    assert inbound_id is not None
    stage.answer(inbound_id)
    stage.courier.carry()


def test_nothing_is_taken_back_over_a_dive_that_begins_meanwhile(unchecked: Stage) -> None:
    """What somebody does who has not looked yet is seen too."""
    stage = unchecked
    leave_mark(stage, HOUR)

    with pytest.raises(NotConfirmedError, match="the service is running"):
        take_mark_back(
            Machine(stage).starts(), "Finn Aske", even_with_open_dives=False, wait=lambda _: bool(stage.dive_in())
        )

    assert marks(stage.service)[-1] == stage.clock.at + HOUR


def test_nothing_is_taken_back_while_a_web_runs_that_nobody_stopped(stage: Stage) -> None:
    """It went by the clock that was ahead and would go on to, and file dives that are alarmed as much too late."""
    machine = Machine(stage, -HOUR)
    service = machine.starts()
    assert service.clock.now() == stage.clock.at + HOUR
    sweep(machine.starts())
    machine.behind = timedelta(0)
    web = MarkFollower(service, machine.seconds)

    def looks(seconds: float) -> None:
        stage.clock.at += timedelta(seconds=seconds)
        web()

    with pytest.raises(NotConfirmedError, match="the service is running"):
        take_mark_back(Machine(stage).starts(), "Finn Aske", even_with_open_dives=False, wait=looks)


def test_nothing_is_taken_back_where_no_mark_is_ahead(stage: Stage) -> None:
    """Nor from a database that nobody has worked with."""
    for _ in range(2):
        with pytest.raises(NotConfirmedError, match="nothing to take back"):
            take_mark_back(Machine(stage).starts(), "Finn Aske", even_with_open_dives=False, wait=never)
        leave_mark(stage)


def test_nothing_is_taken_back_while_a_dive_would_be_alarmed_too_late(unchecked: Stage) -> None:
    """But by an admin who has phoned its contacts."""
    stage = unchecked
    machine = Machine(stage)
    stage.dive_in()
    stage.courier.carry()
    leave_mark(stage, HOUR)
    with pytest.raises(NotConfirmedError, match="1 dives are under way"):
        take_mark_back(machine.starts(), "Finn Aske", even_with_open_dives=False, wait=never)
    assert marks(stage.service)[-1] == stage.clock.at + HOUR

    taken = take_mark_back(machine.starts(), "Finn Aske", even_with_open_dives=True, wait=never)

    assert taken.left.dives == 1
    assert marks(stage.service)[-1] == stage.clock.at


def test_nothing_is_taken_back_while_an_alarm_waits_to_be_carried(stage: Stage) -> None:
    """By its time it is to go out in an hour."""
    leave_mark(stage, HOUR)
    note_take_over(stage.service, "something")

    with pytest.raises(NotConfirmedError, match="1 messages and 0 texts wait"):
        take_mark_back(Machine(stage).starts(), "Finn Aske", even_with_open_dives=False, wait=never)
    stage.courier.carry()


def test_nothing_is_taken_back_from_processes_that_run(stage: Stage) -> None:
    """They would leave the mark where it was, and take along whoever is started."""
    leave_mark(stage, HOUR)

    with pytest.raises(NotConfirmedError, match="the service is running"):
        take_mark_back(
            Machine(stage).starts(), "Finn Aske", even_with_open_dives=False, wait=beats(stage, HOUR + SECOND)
        )

    assert marks(stage.service)[-1] > stage.clock.at


def test_nothing_is_taken_back_on_the_word_of_nobody(stage: Stage) -> None:
    """Who said so is in the log."""
    leave_mark(stage, HOUR)

    with pytest.raises(NoRecoveryError, match="no admin is called Nobody"):
        take_mark_back(Machine(stage).starts(), "Nobody", even_with_open_dives=False, wait=never)


def test_the_marks_are_what_sweeps_and_keepers_leave(stage: Stage) -> None:
    """No other part's heartbeat says what the time is."""
    sweep(stage.service)
    stage.clock.at += SECOND
    beat_heart(stage.service, KEEPER)
    stage.clock.at += SECOND
    beat_heart(stage.service, "another")

    assert marks(stage.service) == [stage.clock.at - 2 * SECOND, stage.clock.at - SECOND]
    assert set(stage.service.read(health.heartbeats)) >= {HEARTBEAT, KEEPER, "another"}
