"""A failure of real processes can be understood from the test's output alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.end_to_end.evidence import SHOWN_OF_A_LOG, ends_of_logs, shown_on_failure, told_of_journal
from tests.fakes.journal import Taken

TAKEN = Taken(at=0.25, to="+447700900011", sender="+447700900000", body="OVERDUE", sid="SM1", status_callback=None)


def nothing_there() -> str:
    """Something that cannot tell any more."""
    raise OSError("gone")


def test_what_fails_is_shown_with_logs_and_journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The ends of the logs and what the gateway took are printed, and the failure itself goes on."""
    (tmp_path / "keeper.log").write_text("begun\n" * SHOWN_OF_A_LOG + "keeper_takes_over\n")
    (tmp_path / "web.log").write_text("listening\n")

    with (
        pytest.raises(AssertionError, match="not in time"),
        shown_on_failure(nothing_there, lambda: told_of_journal([TAKEN]), lambda: ends_of_logs(tmp_path)),
    ):
        raise AssertionError("not in time")

    shown = capsys.readouterr().out
    assert "00:00:00.250000 +447700900011: OVERDUE" in shown
    assert "--- the end of keeper.log\n...begun\n" in shown
    assert "keeper_takes_over\n" in shown
    assert "--- the end of web.log\nlistening\n" in shown
    assert "nothing to show: OSError('gone')" in shown
    assert len(shown) < 2 * SHOWN_OF_A_LOG


def test_what_goes_well_prints_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Only a failure has its account."""
    with shown_on_failure(lambda: ends_of_logs(tmp_path)):
        pass

    assert capsys.readouterr().out == ""
