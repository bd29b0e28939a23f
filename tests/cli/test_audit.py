"""The log is checked and taken out from the command line."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from service.domain.dive import Dive
from tests.cli.conftest import Run
from tests.operations.stage import ANNA, Stage, staged


@pytest.fixture
def stage(environment: dict[str, str]) -> Iterator[Stage]:
    """A club on the database of the settings."""
    with staged(environment["DATABASE_URL"]) as stage:
        yield stage


@pytest.fixture
def dive(stage: Stage) -> Dive:
    """A dive from plan to surface, in a log that nobody touched."""
    dive = stage.dive_in()
    stage.text(ANNA, "OUT 2")
    return stage.dive(dive.id)


def tamper(path: Path, statement: str) -> None:
    """What somebody with the file in hand could do: take the guards away, then change an entry."""
    with sqlite3.connect(path) as connection:
        triggers = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (name,) in triggers:
            connection.execute(f'DROP TRIGGER "{name}"')
        assert connection.execute(statement).rowcount == 1
    connection.close()
    assert triggers


def test_a_log_that_nobody_touched_verifies(run: Run, dive: Dive) -> None:
    """The whole and the one dive."""
    whole, one = run("audit", "verify"), run("audit", "verify", "--dive", dive.id)

    assert (whole.exit_code, one.exit_code) == (0, 0)
    assert "no fault" in whole.output
    assert dive.id in one.output


def test_a_changed_entry_shows(run: Run, dive: Dive, tmp_path: Path) -> None:
    """Exit status 1, and the line names the chain and the entry."""
    tamper(
        tmp_path / "linetender.db",
        "UPDATE log_entries SET detail = replace(detail, '}', ',\"x\":1}') WHERE chain LIKE 'dive:%' AND seq = 3",
    )

    result = run("audit", "verify")

    assert result.exit_code == 1
    assert result.output.startswith(f"dive:{dive.id}, entry 3: its detail was changed")
    assert run("audit", "verify", "--dive", dive.id).exit_code == 1


def test_a_removed_entry_shows(run: Run, dive: Dive, tmp_path: Path) -> None:
    """What follows it does not fit any more."""
    tamper(tmp_path / "linetender.db", "DELETE FROM log_entries WHERE chain LIKE 'dive:%' AND seq = 2")

    result = run("audit", "verify")

    assert result.exit_code == 1
    assert f"dive:{dive.id}" in result.output


def test_a_changed_dive_shows(run: Run, dive: Dive, tmp_path: Path) -> None:
    """The row is not the fold of its events, though the log itself is whole."""
    tamper(tmp_path / "linetender.db", "UPDATE dives SET phase = 'in_water'")

    result = run("audit", "verify", "--dive", dive.id)

    assert result.exit_code == 1
    assert "phase" in result.output


def test_a_dive_that_does_not_exist_is_no_success(run: Run, stage: Stage) -> None:
    """A mistyped id must not look like a log without fault."""
    result = run("audit", "verify", "--dive", "0" * 32)

    assert result.exit_code == 1
    assert "no dive" in result.stderr


def test_the_log_comes_out_as_lines_of_json(run: Run, dive: Dive, stage: Stage) -> None:
    """One object a line, all entries, with what is needed to check the chain elsewhere."""
    lines = [json.loads(line) for line in run("audit", "export").output.splitlines()]

    of_dive = [line for line in lines if line["dive_id"] == dive.id]
    assert [line["seq"] for line in of_dive] == list(range(1, len(stage.entries(dive)) + 1))
    assert [line["prev_hash"] for line in of_dive[1:]] == [line["hash"] for line in of_dive[:-1]]


def test_the_log_comes_out_as_a_table_that_no_spreadsheet_runs(run: Run, stage: Stage) -> None:
    """The same entries; a value that begins like a formula is made plain text."""
    stage.text("+447700900077", "=HYPERLINK(1)")

    lines = run("audit", "export").output.splitlines()
    rows = list(csv.DictReader(io.StringIO(run("audit", "export", "--format", "csv").output)))

    assert [row["seq"] for row in rows] == [str(json.loads(line)["seq"]) for line in lines]
    assert not [cell for row in rows for cell in row.values() if cell.startswith(("=", "+", "-", "@"))]


def test_the_log_of_one_dive_comes_out_alone(run: Run, dive: Dive) -> None:
    """Nothing of another chain is in it."""
    lines = run("audit", "export", "--dive", dive.id).output.splitlines()

    assert {json.loads(line)["chain"] for line in lines} == {f"dive:{dive.id}"}


def test_whoever_reads_the_log_slowly_stops_no_clock(
    run: Run, dive: Dive, stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pager on which nobody presses a key: what is texted meanwhile is heard, on SQLite too."""
    real, heard = click.echo, []

    def slowly(line: str) -> None:
        real(line)
        if not heard:
            heard.append(stage.text(ANNA, "HELP"))

    monkeypatch.setattr(click, "echo", slowly)

    before = len(stage.entries(dive))
    lines = run("audit", "export", "--dive", dive.id).output.splitlines()

    assert heard
    assert len(lines) == before
