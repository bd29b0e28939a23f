"""A backup that is restored is the same database: every row, every fold, every chain."""

from __future__ import annotations

import stat
import subprocess
import threading
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import pytest
from sqlalchemy import Engine, text, update

from service.operations.backing_up import back_up
from service.operations.restoring import restore
from service.operations.service import Service
from service.operations.sweeping import sweep
from service.store import epochs, log, schema
from service.store.copies import file, postgresql
from service.store.copies.fault import CopyError
from service.store.engine import open_engine, reading
from service.store.tables import Base, EpochRow
from tests.operations.conftest import staged_on
from tests.operations.stage import ANNA, Stage, plan_of
from tests.servers.postgres import find_programs

# What a restore itself changes: the copy knows that it is one, and that its last sweep was another's.
CHANGED_BY_IT = {"epochs", "heartbeats"}


@pytest.fixture
def elsewhere(stage: Stage, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Service]:
    """The service on an empty database of the same kind."""
    if stage.engine.dialect.name == "sqlite":
        url = f"sqlite:///{tmp_path / 'elsewhere.db'}"
    else:
        server = request.getfixturevalue("postgres_server")
        url = server.url(server.create_database())
    engine = open_engine(url)
    yield replace(stage.service, engine=engine)
    engine.dispose()


def taken(stage: Stage, to: Path) -> Path:
    """A backup of the stage's database."""
    path, _ = back_up(stage.engine, to, stage.clock.at, "1.0")
    return path


def rows(engine: Engine) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of all our tables."""
    with engine.connect() as connection:
        return {
            table.name: sorted(map(tuple, connection.execute(table.select())), key=repr)
            for table in Base.metadata.sorted_tables
        }


def a_lively_club(stage: Stage) -> None:
    """A dive that is over, one that is overdue and alerted, one in the water, one planned."""
    over = stage.dive_in()
    stage.text(ANNA, f"OUT {over.finish_code}")
    stage.dive_in(plan_of(1))
    stage.wait(minutes=70)
    stage.dive_in(plan_of(2))
    stage.file(plan_of(3))


def test_all_rows_folds_and_chains_come_back(stage: Stage, elsewhere: Service, tmp_path: Path) -> None:
    """Nothing is lost, changed or added but for what the restore itself says of itself."""
    a_lively_club(stage)
    before = rows(stage.engine)

    done = restore(elsewhere, taken(stage, tmp_path / "one"), replaces=False, even_if_running=False)

    after = rows(elsewhere.engine)
    assert {name for name in before if after[name] != before[name]} == CHANGED_BY_IT
    assert set(before["epochs"]) < set(after["epochs"])
    assert {name for name, *_ in before["heartbeats"]} - {name for name, *_ in after["heartbeats"]} == {"sweep"}
    assert done.faults == ()
    assert log.verify_database(elsewhere.engine) == []
    assert done.manifest.dives == {"alert": 1, "closed": 1, "filed": 1, "in_water": 1}
    assert done.manifest.heads[f"club:{stage.service.read(_club)}"][0] > 0


def _club(session: Any) -> str:
    return str(session.execute(text("SELECT id FROM clubs")).scalar_one())


def test_a_backup_is_one_file_for_its_owner_alone(stage: Stage, tmp_path: Path) -> None:
    """In a directory it is named by the time, nothing is left beside it, and it says what it is."""
    stage.dive_in()

    path = taken(stage, tmp_path)

    assert [one.name for one in tmp_path.iterdir()] == ["linetender-20270601T090000Z.backup"]
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    manifest = file.read(path)
    assert (manifest.kind, manifest.schema, manifest.clubs) == (stage.engine.dialect.name, schema.head(), 1)
    assert manifest.dives == {"in_water": 1}
    assert manifest.made_at == stage.clock.at


def test_a_backup_overwrites_nothing(stage: Stage, tmp_path: Path) -> None:
    """What is there may be the last good one."""
    path = tmp_path / "one"
    path.write_bytes(b"the last good one")

    with pytest.raises(CopyError, match="is there already"):
        taken(stage, path)

    assert path.read_bytes() == b"the last good one"


def test_a_backup_is_of_one_instant_while_others_write(stage: Stage, elsewhere: Service, tmp_path: Path) -> None:
    """Writers go on during the copy, none of them fails, and what was copied is whole and consistent."""
    dive = stage.dive_in()
    stopping = threading.Event()
    written: list[int] = []

    def write() -> None:
        while not stopping.is_set():
            now = stage.clock.at
            detail = {"dive": dive.id, "padding": "y" * 500}
            note = partial(log.append, chain="service", at=now, kind="noise", actor={}, detail=detail)
            written.append(stage.service.write(note))

    writers = [threading.Thread(target=write) for _ in range(2)]
    for writer in writers:
        writer.start()
    assert stage.until(lambda: len(written) > 5)
    backups = [taken(stage, tmp_path / name) for name in ("one", "two", "three")]
    stopping.set()
    for writer in writers:
        writer.join(30)

    assert not any(writer.is_alive() for writer in writers)
    counts = [file.read(backup).entries for backup in backups]
    assert counts == sorted(counts)
    assert counts[0] < counts[-1], "nobody wrote during the copies"
    assert restore(elsewhere, backups[1], replaces=False, even_if_running=False).faults == ()


def test_a_restore_does_not_overwrite_what_is_there(unchecked: Stage, tmp_path: Path) -> None:
    """Unless it is told to."""
    backup = taken(unchecked, tmp_path / "one")
    dive = unchecked.file()

    with pytest.raises(CopyError, match="the database holds 1 clubs and 1 dives: say --replace to lose it"):
        restore(unchecked.service, backup, replaces=False, even_if_running=False)
    assert unchecked.dive(dive.id) == dive

    restore(unchecked.service, backup, replaces=True, even_if_running=False)
    with reading(unchecked.engine) as session:
        assert session.execute(text("SELECT count(*) FROM dives")).scalar_one() == 0


def test_a_restore_is_refused_while_the_service_runs(unchecked: Stage, tmp_path: Path) -> None:
    """A sweep of a minute ago says that processes run; with the flag it is done all the same."""
    backup = taken(unchecked, tmp_path / "one")
    sweep(unchecked.service)

    with pytest.raises(CopyError, match=r"the service is running \(sweep gave a sign of life"):
        restore(unchecked.service, backup, replaces=True, even_if_running=False)

    unchecked.sleep(1)
    restore(unchecked.service, backup, replaces=True, even_if_running=False)
    sweep(unchecked.service)
    restore(unchecked.service, backup, replaces=True, even_if_running=True)


def spoiled(backup: Path, how: str) -> Path:
    """The backup with something wrong with it."""
    bad = backup.with_name(how)
    whole = backup.read_bytes()
    match how:
        case "cut off":
            bad.write_bytes(whole[: len(whole) // 2])
        case "empty":
            bad.write_bytes(b"")
        case "another file":
            with zipfile.ZipFile(bad, "w") as other:
                other.writestr("holiday.txt", "sand")
        case "a bit turned":
            middle = len(whole) // 2
            bad.write_bytes(whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :])
        case _:
            manifest = msgspec.structs.asdict(file.read(backup)) | CHANGED[how]
            with zipfile.ZipFile(backup) as source, zipfile.ZipFile(bad, "w") as other:
                other.writestr(file.DATABASE, source.read(file.DATABASE))
                other.writestr(file.MANIFEST, msgspec.json.encode(manifest))
    return bad


CHANGED: dict[str, dict[str, Any]] = {
    "a newer format": {"format": 2, "more": "to come"},
    "a newer schema": {"schema": "9999"},
    "another database": {"sha256": "0" * 64},
    "the other kind": {"kind": "another"},
    "odd": {"clubs": "many"},
}


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ("cut off", "was cut off or damaged"),
        ("empty", "was cut off or damaged"),
        ("another file", "is no backup of Linetender"),
        ("a bit turned", "damaged"),
        ("a newer format", "made by a newer version"),
        ("a newer schema", "at schema 9999, which this program does not know"),
        ("another database", "is not the one that its manifest describes"),
        ("the other kind", "the backup is of another, and the database in the settings is"),
        ("odd", "the manifest of the backup cannot be read"),
    ],
)
def test_a_bad_backup_is_refused_and_nothing_is_lost(quick_stage: Stage, tmp_path: Path, how: str, words: str) -> None:
    """Whatever is wrong with the file, what the database held it still holds."""
    dive = quick_stage.file()
    bad = spoiled(taken(quick_stage, tmp_path / "one"), how)
    before = rows(quick_stage.engine)

    with pytest.raises(CopyError, match=words):
        restore(quick_stage.service, bad, replaces=True, even_if_running=True)

    assert rows(quick_stage.engine) == before
    assert quick_stage.dive(dive.id) == dive


def test_a_restore_that_breaks_off_leaves_what_was_there(
    stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last step is one transaction: one that fails at its end changes nothing."""
    stage.file()
    backup = taken(stage, tmp_path / "one")
    before = rows(stage.engine)
    if stage.engine.dialect.name == "postgresql":
        monkeypatch.setattr(postgresql, "EMPTY_IT", postgresql.EMPTY_IT + "; SELECT 1 / 0")
    else:
        with zipfile.ZipFile(backup) as source:
            (tmp_path / "not-a-database").write_bytes(source.read(file.DATABASE)[:5000])
        backup = tmp_path / "two"
        file.write(_moved(tmp_path / "not-a-database", tmp_path / "work"), file.read(tmp_path / "one"), backup)

    with pytest.raises(CopyError, match=r"psql failed: ERROR:  division by zero|the copy is damaged"):
        restore(stage.service, backup, replaces=True, even_if_running=True)

    assert rows(stage.engine) == before


def _moved(path: Path, directory: Path) -> Path:
    directory.mkdir()
    return path.rename(directory / path.name)


def test_an_older_backup_is_brought_to_the_current_schema(stage: Stage, elsewhere: Service, tmp_path: Path) -> None:
    """A backup from before an upgrade is of use after it."""
    dive = stage.dive_in()
    stage.engine.dispose()
    schema.take_back(stage.engine, "0006")
    backup = taken(stage, tmp_path / "one")
    schema.migrate(stage.engine)

    done = restore(elsewhere, backup, replaces=False, even_if_running=False)

    assert done.manifest.schema == "0006"
    assert schema.is_current(elsewhere.engine)
    assert replace(stage, service=elsewhere).dive(dive.id) == dive


def test_a_copy_knows_that_it_is_one_wherever_it_is_put(stage: Stage, elsewhere: Service, tmp_path: Path) -> None:
    """Also when it is put in place by hand, with the database's own tools."""
    assert not stage.service.read(epochs.is_copy)
    backup = taken(stage, tmp_path / "one")
    file.unpack(backup, tmp_path / "copy")
    elsewhere.engine.dispose()
    if stage.engine.dialect.name == "sqlite":
        Path(elsewhere.engine.url.database or "").write_bytes((tmp_path / "copy").read_bytes())
    else:
        where = elsewhere.engine.url.set(drivername="postgresql").render_as_string()
        programs = find_programs()
        subprocess.run([programs / "pg_restore", "--no-owner", "--dbname", where, tmp_path / "copy"], check=False)

    assert elsewhere.read(epochs.is_copy)
    assert not stage.service.read(epochs.is_copy)


@pytest.mark.postgres
def test_a_copy_with_the_same_numbers_on_another_server_is_one_too(
    postgres_engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each new server numbers what is put into it in the same way from the same number on."""
    with staged_on(postgres_engine) as stage:
        assert not stage.service.read(epochs.is_copy)
        monkeypatch.setattr(epochs, "_SERVER", "SELECT 7")

        assert stage.service.read(epochs.is_copy)


@pytest.mark.postgres
def test_where_nobody_may_ask_for_the_server_the_numbers_tell(
    postgres_engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A server whose owner took that right away is worked with all the same."""
    with staged_on(postgres_engine) as stage:
        whole = stage.service.read(epochs.identity)
        monkeypatch.setattr(epochs, "_MAY_ASK_SERVER", "SELECT false")

        assert whole.partition(".")[2] == stage.service.read(epochs.identity)


def known_by(service: Service) -> str:
    """What the database says that it is known by."""
    known = service.read(epochs.current)
    assert known is not None
    return known.identity


def test_what_a_database_is_known_by_outlasts_an_upgrade(stage: Stage) -> None:
    """It is itself after it as before, and what was a copy before is one after."""
    for as_before in (True, False):
        schema.take_back(stage.engine, "0018")
        assert known_by(stage.service).count(".") in {0, 3}
        if not as_before:
            stage.service.write(lambda session: session.execute(update(EpochRow).values(identity="1.2.3.4")))
        schema.migrate(stage.engine)

        assert stage.service.read(epochs.is_copy) is not as_before


def test_a_restored_copy_is_one_though_all_by_which_it_is_known_is_the_same(
    stage: Stage, elsewhere: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where it was restored in the same way before, on a server that is gone since."""
    monkeypatch.setattr(epochs, "identity", lambda _: "the same")
    at = stage.clock.at
    stage.service.write(lambda session: epochs.begin(session, at, at, at))
    assert not stage.service.read(epochs.is_copy)

    restore(elsewhere, taken(stage, tmp_path / "one"), replaces=False, even_if_running=False)

    assert elsewhere.read(epochs.is_copy)
    known = elsewhere.read(epochs.current)
    assert known is not None
    assert known.copied_at == stage.clock.at
