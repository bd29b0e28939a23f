"""Taking back the time of a clock that was wrongly ahead."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.operations import clock_mark
from service.operations.sweeping import sweep
from tests.cli.conftest import Run
from tests.operations.stage import staged


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody runs, so nobody need be waited for."""
    monkeypatch.setattr(clock_mark, "MOVES_WITHIN_S", 0.0)


def test_an_admin_says_that_the_clock_is_right(run: Run, environment: dict[str, str]) -> None:
    """By the wall clock, and once: then there is nothing more to take back."""
    with staged(environment["DATABASE_URL"]) as stage:
        stage.clock.at = datetime.now(UTC) + timedelta(hours=1)
        sweep(stage.service)
        first = run("clock", "confirm", "--by", "Finn Aske")
        second = run("clock", "confirm", "--by", "Finn Aske")

    assert first.exit_code == 0
    assert "The clock is taken back by 3600 s. Start the processes." in first.output
    assert second.exit_code == 1
    assert "there is nothing to take back" in second.output


def test_open_dives_are_named_and_have_to_be_known_of(run: Run, environment: dict[str, str]) -> None:
    """Their alarms would come late."""
    with staged(environment["DATABASE_URL"]) as stage:
        stage.clock.at = datetime.now(UTC) + timedelta(hours=1)
        stage.dive_in()
        sweep(stage.service)
        refused = run("clock", "confirm", "--by", "Finn Aske")
        nobody = run("clock", "confirm", "--by", "Nobody", "--even-with-open-dives")
        done = run("clock", "confirm", "--by", "Finn Aske", "--even-with-open-dives")

    assert (refused.exit_code, nobody.exit_code, done.exit_code) == (1, 1, 0)
    assert "1 dives are under way" in refused.output
    assert "no admin is called Nobody" in nobody.output
    assert "1 dives are under way, 0 messages and 0 texts wait: as much later." in done.output
