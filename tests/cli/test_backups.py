"""linetender backup and linetender restore, as a person types them."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import text

from service.operations.gateway import DeliveryReceipt, ReceiptState
from service.operations.outage_journal import Heard, Journal
from service.operations.spooling import Spool
from service.store import ownership
from service.store.engine import open_engine, writing
from tests.cli.conftest import Run
from tests.servers.migrated import lay_migrated


@pytest.fixture
def backed_up(run: Run, environment: dict[str, str], tmp_path: Path) -> Path:
    """A backup of an installation with one club."""
    lay_migrated(environment["DATABASE_URL"])
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


def _garbage(path: Path) -> None:
    path.write_bytes(b"\xff" * 100_000)


def _cut(path: Path) -> None:
    os.truncate(path, 50_000)


def _torn(path: Path) -> None:
    whole = path.read_bytes()
    path.write_bytes(whole[:8192] + b"\xff" * 200_000 + whole[208_192:])


@pytest.mark.parametrize("damage", [_garbage, _cut, _torn])
def test_a_damaged_database_is_put_right_and_kept(
    run: Run, backed_up: Path, tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    """What a backup is for: the file goes aside with what lies beside it, only when that is asked for."""
    path = tmp_path / "linetender.db"
    damage(path)
    broken = path.read_bytes()
    journal = tmp_path / "linetender.db-journal"
    journal.write_bytes(b"")

    refused = run("restore", str(backed_up))

    assert refused.exit_code == 1
    assert "the database is damaged: say --replace" in refused.output
    assert path.read_bytes() == broken

    done = run("restore", str(backed_up), "--replace")

    assert done.exit_code == 0, done.output
    [kept] = tmp_path.glob("linetender.db.damaged-*Z")
    assert str(kept) in done.output
    assert kept.read_bytes() == broken
    assert kept.with_name(f"{kept.name}-journal").exists()
    assert not journal.exists()
    assert run("audit", "verify").exit_code == 0


@pytest.mark.parametrize(("user", "theirs"), [(0, ["elsewhere.db", "new.db", "spool", "keeper"]), (1000, [])])
def test_what_root_makes_by_hand_is_for_the_user_of_the_processes(
    run: Run, backed_up: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, user: int, theirs: list[str]
) -> None:
    """Else a restore at night leaves a database to which the service cannot write."""
    given: list[str] = []
    around = tmp_path.stat()

    def chown(path: Path, uid: int, gid: int) -> None:
        assert (uid, gid) == (around.st_uid, around.st_gid)
        given.append(path.name)

    monkeypatch.setattr(ownership.os, "geteuid", lambda: user)
    monkeypatch.setattr(ownership.os, "chown", chown)
    elsewhere, new = (f"sqlite:///{tmp_path / name}" for name in ("elsewhere.db", "new.db"))

    assert run("restore", str(backed_up), DATABASE_URL=elsewhere).exit_code == 0
    assert run("migrate", DATABASE_URL=new).exit_code == 0
    assert run("restore", str(backed_up), "--replace", DATABASE_URL=elsewhere).exit_code == 0
    assert run("migrate", DATABASE_URL=new).exit_code == 0
    run("doctor", DATABASE_URL=new, SPOOL_DIR=str(tmp_path / "spool"))

    assert given == theirs


def test_what_a_process_of_root_leaves_in_the_spool_is_for_its_user_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody tried the web by hand, as root: texts that it kept, and its locks, are in nobody's way."""
    given: list[str] = []
    monkeypatch.setattr(ownership.os, "geteuid", lambda: 0)
    monkeypatch.setattr(ownership.os, "chown", lambda path, *_: given.append(path.name.partition("-")[0]))
    spool = Spool(tmp_path / "spool", "s" * 40)
    spool.make()

    spool.keep(DeliveryReceipt("one", "SM1", ReceiptState.DELIVERED, None, None, {}, datetime.now(UTC)))
    with spool.alone(0):
        spool.put_aside(spool.waiting()[0])
    lock = spool.keeper.claim()
    assert lock is not None
    os.close(lock)
    spool.keeper.leave_time(datetime.now(UTC))
    Journal(spool.keeper).write([Heard("one")])

    assert set(given) == {"spool", "lock", "aside", "receipt", "keeper", "seen", "journal.sealed"}
    assert len(given) == len(set(given)) + 1  # the other lock
