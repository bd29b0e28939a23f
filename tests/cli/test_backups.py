"""linetender backup and linetender restore, as a person types them."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy import text

from service.store.engine import open_engine, writing
from tests.cli.conftest import Run


@pytest.fixture
def backed_up(run: Run, tmp_path: Path) -> Path:
    """A backup of an installation with one club."""
    assert run("migrate").exit_code == 0
    made = run(
        *("club", "create", "--id", "skerry", "--name", "Skerry Bay", "--country", "GB", "--zone", "Europe/London"),
        *("--receiving-number", "07700 900500", "--rescue-call", "the coastguard, 999"),
    )
    assert made.exit_code == 0, made.output
    path = tmp_path / "one.backup"
    result = run("backup", str(path))
    assert result.exit_code == 0, result.output
    assert result.output.startswith(f"{path}: sqlite of ")
    assert "1 clubs, 0 dives (0 open), 1 log entries" in result.output
    return path


def test_a_backup_is_restored_into_an_empty_place(run: Run, backed_up: Path, tmp_path: Path) -> None:
    """What to do next is said, and the installation is there."""
    elsewhere = f"sqlite:///{tmp_path / 'elsewhere.db'}"

    result = run("restore", str(backed_up), DATABASE_URL=elsewhere)

    assert result.exit_code == 0, result.output
    assert "The log is as it was written." in result.output
    assert "1. Start the processes." in result.output
    assert run("audit", "verify", DATABASE_URL=elsewhere).exit_code == 0


def test_a_restore_into_what_is_there_must_be_asked_for(run: Run, backed_up: Path) -> None:
    """One plain line and exit status 1."""
    result = run("restore", str(backed_up))

    assert result.exit_code == 1
    assert result.output == "linetender: the database holds 1 clubs and 0 dives: say --replace to lose it\n"
    assert run("restore", str(backed_up), "--replace").exit_code == 0


@pytest.mark.usefixtures("backed_up")
def test_a_log_that_was_changed_before_the_backup_is_told(
    run: Run, tmp_path: Path, environment: dict[str, str]
) -> None:
    """The backup is restored all the same, and the exit status says that the log is not as it was written."""
    engine = open_engine(environment["DATABASE_URL"])
    with writing(engine) as session:
        session.execute(text("UPDATE chain_heads SET hash = 'x' WHERE chain = 'club:skerry'"))
    engine.dispose()
    assert run("backup", str(tmp_path / "two")).exit_code == 0

    result = run("restore", str(tmp_path / "two"), "--replace")

    assert result.exit_code == 1
    assert "club:skerry" in result.output
    assert "The log has faults: see above." in result.output


def test_an_empty_database_is_not_backed_up(run: Run, tmp_path: Path) -> None:
    """Nobody may think that they have a backup."""
    result = run("backup", str(tmp_path / "one"))

    assert result.exit_code == 1
    assert "nothing to back up" in result.output
    assert not (tmp_path / "one").exists()
