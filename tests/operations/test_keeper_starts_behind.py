"""A keeper that is started again without a database, on a machine whose clock has lost time, alarms in time."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from service.clock import SteadyClock
from service.domain.dive import Dive
from service.operations import outage_journal, snapshotting
from service.operations.snapshotting import KeeperFiles
from tests.operations.away import Keeping, alarms, armed, gone
from tests.operations.stage import ANNA, CLEO, plan

HOUR = timedelta(hours=1)


def starts_behind(keeping: Keeping, behind: timedelta = HOUR) -> None:
    """The keeper is started again, with so much less on its clock; of what was told it has only its disk."""
    stage = keeping.stage

    def seconds() -> float:
        return stage.clock.at.timestamp()

    keeping.clock = SteadyClock(lambda: stage.clock.at - behind, seconds)
    keeping.start_again()


def assert_alarms_at(keeping: Keeping, dive: Dive, starts: int = 1) -> None:
    """Not before it is due, and then at once: only the time of the starts themselves, a look each, is not known."""
    assert dive.raise_by_at is not None
    stage = keeping.stage
    keeping.without(seconds=(dive.raise_by_at - stage.clock.at).total_seconds() - 1)
    assert alarms(stage, CLEO) == []
    keeping.without(seconds=11 + 10 * starts)
    assert len(alarms(stage, CLEO)) == 1


def comes_back(keeping: Keeping) -> None:
    """The database does."""
    keeping.look()
    keeping.stage.text(ANNA, "OUT")


@pytest.mark.parametrize("quiet", [timedelta(minutes=12), timedelta(hours=3)], ids=str)
def test_no_quiet_time_of_an_outage_is_lost(keeping: Keeping, quiet: timedelta) -> None:
    """In which nothing fell due and nothing was told, so that the journal has no word of it."""
    stage = keeping.stage
    dive = stage.dive_in(plan(run_time_min=200))
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at - quiet - timedelta(minutes=20)
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=quiet.total_seconds() / 60)
        starts_behind(keeping)
        assert_alarms_at(keeping, dive)

    comes_back(keeping)


def test_time_goes_on_in_the_first_minute_of_an_outage_too(keeping: Keeping) -> None:
    """There is no journal yet, and what was seen last is the copy, or a look that failed after it."""
    dive = armed(keeping, before=timedelta(minutes=4))
    with gone(keeping.stage.engine):
        keeping.without(seconds=40)
        starts_behind(keeping)
        keeping.without(seconds=10)
        starts_behind(keeping)
        assert_alarms_at(keeping, dive, starts=2)

    comes_back(keeping)


@pytest.mark.parametrize("when", ["write", "read"])
def test_a_disk_that_fails_stops_no_alarm(
    keeping: Keeping, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, when: str
) -> None:
    """What the journal has of the time counts then; it is logged."""

    def fail(*_: object) -> None:
        raise OSError(5, "Input/output error")

    dive = armed(keeping, before=timedelta(minutes=4))
    with gone(keeping.stage.engine), monkeypatch.context() as patch:
        patch.setattr(KeeperFiles, "leave_time" if when == "write" else "time_left", fail)
        keeping.without(minutes=1)
        starts_behind(keeping)
        assert_alarms_at(keeping, dive)
    assert f"time_not_{'left' if when == 'write' else 'read'}" in caplog.messages

    comes_back(keeping)


def test_a_full_disk_keeps_the_time(keeping: Keeping, monkeypatch: pytest.MonkeyPatch) -> None:
    """It needs no room, where neither the copy nor the journal can be written."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    stage = keeping.stage
    dive = armed(keeping, before=timedelta(minutes=14))
    with gone(stage.engine), monkeypatch.context() as patch:
        keeping.without(minutes=1, seconds=10)
        patch.setattr(snapshotting, "write_whole", full)
        patch.setattr(snapshotting, "append_whole", full)
        patch.setattr(outage_journal, "append_whole", full)
        keeping.without(minutes=10)
        starts_behind(keeping)
        assert_alarms_at(keeping, dive)

    comes_back(keeping)


def test_a_time_that_was_taken_back_holds_no_outage_after(keeping: Keeping) -> None:
    """An admin has said that the clock was ahead; the first look with the database leaves what is right."""
    stage = keeping.stage
    keeping.look()
    stage.clock.at += 3 * HOUR
    with gone(stage.engine):
        keeping.without(seconds=30)
    stage.clock.at -= 3 * HOUR
    starts_behind(keeping, timedelta(0))
    keeping.look()
    dive = armed(keeping, before=timedelta(minutes=4))
    with gone(stage.engine):
        keeping.without(minutes=1)
        assert_alarms_at(keeping, dive)

    comes_back(keeping)


def test_only_the_one_that_keeps_the_directory_leaves_the_time(keeping: Keeping, tmp_path: Path) -> None:
    """A second keeper on the machine has nothing to do there, and no fault of its own by that."""
    files = KeeperFiles(tmp_path / "nowhere", "s" * 40)
    assert files.time_left() is None
    keeping.look()
    left = keeping.spool.keeper.time_left()
    second = Keeping(keeping.stage, keeping.directory)

    second.look()

    assert (left, keeping.spool.keeper.time_left()) == (keeping.stage.clock.at - timedelta(seconds=10), left)
    second.standby.close()
