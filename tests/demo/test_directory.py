"""The demo's directory: one demo at a time, secrets of the owner alone, a clock that never goes back."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.clock import WallClock
from service.demo.directory import (
    AlreadyRunningError,
    ClockWentAheadError,
    Directory,
    Pace,
    going_on,
    kept_pace,
)
from service.demo.preparing import choose_pace, environment
from service.store import health
from service.store.engine import open_engine, run
from service.store.schema import migrate

NOW = datetime(2027, 6, 1, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
HOLD = """
import sys, time
from pathlib import Path
from service.demo.directory import Directory
with Directory(Path(sys.argv[1])).locked():
    print("locked", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def directory(tmp_path: Path) -> Directory:
    """An empty data directory."""
    directory = Directory(tmp_path / "data")
    directory.make()
    return directory


@pytest.fixture
def holder(directory: Directory) -> Iterator[subprocess.Popen[str]]:
    """Another process that has the directory to itself."""
    command = [sys.executable, "-c", HOLD, str(directory.path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "locked\n"
        yield process
        process.kill()


def test_a_second_demo_hears_where_the_first_one_is(directory: Directory, holder: subprocess.Popen[str]) -> None:
    """The directory of a running demo is not touched, and its address is known."""
    directory.write("demo.json", {"url": "http://127.0.0.1:8000"})

    with pytest.raises(AlreadyRunningError) as caught, directory.locked():
        pass

    assert caught.value.url == "http://127.0.0.1:8000"
    assert holder.poll() is None


def test_a_second_demo_hears_that_the_first_one_still_starts(
    directory: Directory, holder: subprocess.Popen[str]
) -> None:
    """Before the first one is ready it has no address."""
    with pytest.raises(AlreadyRunningError) as caught, directory.locked():
        pass

    assert caught.value.url is None
    assert holder.poll() is None


def test_a_killed_demo_leaves_no_lock_behind(directory: Directory, holder: subprocess.Popen[str]) -> None:
    """After signal 9 the file is still there, and the next demo takes it."""
    holder.kill()
    holder.wait()

    with directory.locked():
        assert (directory.path / "lock").read_text() == f"{os.getpid()}\n"


def test_a_lock_is_free_again_after_its_demo(directory: Directory) -> None:
    """One after another is no clash."""
    for _ in range(2):
        with directory.locked():
            pass


def test_secrets_are_made_once_and_are_the_owners_alone(directory: Directory) -> None:
    """The same one at every start, long, and unreadable to others, also under a lax umask."""
    before = os.umask(0)
    try:
        first = directory.secret("secret-key")
    finally:
        os.umask(before)

    assert directory.secret("secret-key") == first
    assert len(first) >= 32
    assert stat.S_IMODE((directory.path / "secret-key").stat().st_mode) == 0o600


def test_a_damaged_document_is_no_document(directory: Directory) -> None:
    """A file that was cut off is as good as none."""
    directory.write("demo.json", {"url": "x"})
    (directory.path / "demo.json").write_text('{"url": ')

    assert directory.read("demo.json") is None


def test_clearing_leaves_the_lock(directory: Directory) -> None:
    """A fresh start forgets all data and stays alone."""
    with directory.locked():
        directory.secret("secret-key")
        (directory.logs / "web.log").write_text("x")

        directory.clear()

    assert sorted(path.name for path in directory.path.iterdir()) == ["lock", "logs"]
    assert list(directory.logs.iterdir()) == []


def test_a_restart_at_the_same_pace_goes_on(directory: Directory) -> None:
    """An hour later the clock is sixty hours further, as if it had run on."""
    last = Pace(60, NOW)

    chosen = going_on(60, last, None, NOW + HOUR)

    assert chosen == last
    assert chosen.shown_at(NOW + HOUR) == NOW + 60 * HOUR
    assert kept_pace(directory) is None


@pytest.mark.parametrize("pace", [2, 60, 120, 600])
@pytest.mark.parametrize("last", [None, Pace(60, NOW), Pace(1, NOW)])
@pytest.mark.parametrize("newest_at", [None, NOW + 200 * HOUR])
def test_the_clock_never_goes_back(pace: float, last: Pace | None, newest_at: datetime | None) -> None:
    """Whatever the paces, a start shows no earlier time than the last demo did or the data holds."""
    start = NOW + HOUR

    shown = going_on(pace, last, newest_at, start).shown_at(start)

    earliest = max(start, last.shown_at(start) if last else start, newest_at or start)
    assert abs(shown - earliest) < timedelta(milliseconds=1)


def test_a_clock_of_real_speed_cannot_begin_in_the_future() -> None:
    """Data of a demo that ran fast is ahead; real time would take the clock back, so that is refused."""
    with pytest.raises(ClockWentAheadError):
        going_on(1, Pace(60, NOW), None, NOW + HOUR)


def test_a_first_start_at_real_speed_has_the_wall_clock() -> None:
    """No pace, no trick."""
    assert going_on(1, None, None, NOW).clock() == WallClock()


def test_the_newest_sign_of_life_in_the_database_counts(directory: Directory, tmp_path: Path) -> None:
    """A database that is older than the directory may be ahead: the clock begins there, and it is kept."""
    ahead_at = datetime.now(UTC) + 5 * HOUR
    engine = open_engine(f"sqlite:///{tmp_path / 'old.db'}")
    migrate(engine)
    run(engine, lambda session: health.beat(session, "sweep", ahead_at))

    chosen = choose_pace(directory, 60, engine)

    engine.dispose()
    assert chosen.clock().now() >= ahead_at
    assert kept_pace(directory) == chosen


def test_a_process_of_the_demo_has_no_setting_of_another_installation() -> None:
    """What the shell had set for a real installation does not reach the demo."""
    told = environment({"LINETENDER_DEMO": "yes"}, {"LINETENDER_GATEWAYS": "[real]", "PATH": "/bin"})

    assert told == {"LINETENDER_DEMO": "yes", "PATH": "/bin"}
