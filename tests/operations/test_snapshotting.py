"""The keeper's snapshot: what changed and no more, unreadable to others, whole after any crash."""

from __future__ import annotations

import os
import stat
from datetime import timedelta
from pathlib import Path

import pytest

from service.domain.dive import Phase
from service.operations import snapshotting
from service.operations.merging import merge_first
from service.operations.snapshotting import KeeperFiles, Snapshot, note_snapshot, snapshot_age
from service.store.codec import load_dive
from tests.operations.away import Keeping, alarms, armed, gone
from tests.operations.stage import ANNA, CLEO, FINN, Stage, counted_statements, plan_of

SECRET = "s" * 40


@pytest.fixture
def files(tmp_path: Path) -> KeeperFiles:
    """A keeper's directory, claimed by nobody."""
    files = KeeperFiles(tmp_path / "spool", SECRET)
    files.directory.mkdir(parents=True)
    return files


def found(files: KeeperFiles) -> Snapshot:
    """What the next keeper finds there."""
    snapshot = Snapshot(files)
    snapshot.load()
    return snapshot


def test_it_holds_every_open_dive_as_it_is(stage: Stage, files: KeeperFiles) -> None:
    """Filed and under way, with its number; one that is over stands apart for two hours, and is none of them."""
    filed, live = stage.file(plan_of(1)), stage.dive_in()
    over = stage.dive_in(plan_of(2))
    stage.text(over.lead.phone or "", "OUT")
    snapshot = Snapshot(files)

    assert snapshot.refresh(stage.service) == 3
    contents = found(files).contents()
    kept = {one.id: load_dive(one.state) for one in contents.dives}
    assert kept == {dive.id: stage.dive(dive.id) for dive in (filed, live)}
    assert len(snapshot) == 2
    assert [(one.id, load_dive(one.state)) for one in contents.over] == [(over.id, stage.dive(over.id))]


def test_what_ended_two_hours_ago_is_in_it_no_more(quick_stage: Stage, files: KeeperFiles) -> None:
    """By then no words are about it."""
    dive = quick_stage.dive_in()
    quick_stage.text(ANNA, "OUT")
    snapshot = Snapshot(files)
    snapshot.refresh(quick_stage.service)
    assert [one.id for one in found(files).contents().over] == [dive.id]

    quick_stage.clock.at += timedelta(hours=2)
    assert snapshot.refresh(quick_stage.service) == 1
    assert found(files).contents().over == ()


def test_only_what_has_changed_is_written_again(quick_stage: Stage, files: KeeperFiles) -> None:
    """A dive at rest costs nothing; one that ended is none of the open ones from the next snapshot on."""
    stage = quick_stage
    dives = [stage.dive_in(plan_of(number)) for number in range(3)]
    snapshot = Snapshot(files)
    snapshot.refresh(stage.service)

    assert snapshot.refresh(stage.service) == 0
    stage.text(dives[0].lead.phone or "", "LATE 10")
    assert snapshot.refresh(stage.service) == 1
    stage.text(dives[1].lead.phone or "", "OUT")
    assert snapshot.refresh(stage.service) == 1
    assert {one.id for one in found(files).contents().dives} == {dives[0].id, dives[2].id}


def test_many_dives_at_rest_cost_a_handful_of_statements(quick_stage: Stage, files: KeeperFiles) -> None:
    """However many there are."""
    stage = quick_stage
    for number in range(5):
        stage.dive_in(plan_of(number))
    snapshot = Snapshot(files)
    snapshot.refresh(stage.service)

    with counted_statements(stage.engine) as statements:
        snapshot.refresh(stage.service)
    assert len([one for one in statements if one.startswith("SELECT")]) == 6


def test_it_knows_whom_to_tell_and_whom_not(quick_stage: Stage, files: KeeperFiles) -> None:
    """The club's admins with their numbers, and the phones that have opted out."""
    stage = quick_stage
    stage.text(CLEO, "STOP")
    dive = stage.dive_in()
    snapshot = Snapshot(files)
    snapshot.refresh(stage.service)

    contents = found(files).contents()
    assert [admin.phone for club in contents.clubs for admin in club.admins] == [FINN]
    assert [(one.id, one.opted_out) for one in contents.dives] == [(dive.id, (CLEO,))]
    assert contents.as_of == stage.clock.at


def test_an_alarm_that_nobody_has_carried_is_in_it(quick_stage: Stage, files: KeeperFiles) -> None:
    """Decided by the database and not handed over when that went: else it would wait for the ladder's next word."""
    stage = quick_stage
    stage.dive_in()
    stage.receive_and_answer(ANNA, "SOS")
    snapshot = Snapshot(files)
    snapshot.refresh(stage.service)

    assert {one.person_key for one in found(files).contents().waiting} == {"contact-0", "contact-1"}
    stage.courier.carry()
    snapshot.refresh(stage.service)
    assert found(files).contents().waiting == ()
    stage.text(ANNA, "OUT")


def test_nobody_else_can_read_it(quick_stage: Stage, files: KeeperFiles) -> None:
    """No name and no number lies there in clear, and the file is for its user alone; with another key it is nothing."""
    stage = quick_stage
    stage.dive_in()
    Snapshot(files).refresh(stage.service)

    lies_there = files.snapshot.read_bytes()
    for clear in (b"Anna", ANNA.encode(), b"Cleo"):
        assert clear not in lies_there
    assert stat.S_IMODE(files.snapshot.stat().st_mode) == 0o600
    other = KeeperFiles(files.directory.parent, "t" * 40)
    assert not found(other).is_there


def test_a_torn_last_line_costs_no_more_than_itself(quick_stage: Stage, files: KeeperFiles) -> None:
    """A power cut in mid-write: the snapshot is as of the look before, and the next look goes on."""
    stage = quick_stage
    dive = stage.dive_in()
    snapshot = Snapshot(files)
    snapshot.refresh(stage.service)
    snapshot.refresh(stage.service)
    whole = files.snapshot.read_bytes()
    files.snapshot.write_bytes(whole[:-30])

    after = found(files)
    assert [one.id for one in after.contents().dives] == [dive.id]
    stage.text(ANNA, "OUT")
    after.refresh(stage.service)
    assert stage.dive(dive.id).phase is Phase.CLOSED
    assert found(files).contents().dives == ()


def test_a_disk_that_takes_nothing_leaves_the_snapshot_in_mind(
    quick_stage: Stage, files: KeeperFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What could not be written is known all the same, and is written whole once there is room."""
    stage = quick_stage
    snapshot = Snapshot(files)
    snapshot.refresh(stage.service)
    dive = stage.dive_in()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(snapshotting, "append_whole", full)
        with pytest.raises(OSError, match="No space"):
            snapshot.refresh(stage.service)
    assert [one.id for one in snapshot.contents().dives] == [dive.id]
    assert found(files).contents().dives == ()
    snapshot.refresh(stage.service)
    assert [one.id for one in found(files).contents().dives] == [dive.id]


def test_it_grows_no_further_than_twice_what_it_need_be(
    quick_stage: Stage, files: KeeperFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Old lines are left behind when the file is written anew."""
    stage = quick_stage
    monkeypatch.setattr(snapshotting, "LINES_OVER_MAX", 10)
    stage.dive_in()
    snapshot = Snapshot(files)
    sizes = []
    for _ in range(40):
        snapshot.refresh(stage.service)
        sizes.append(len(files.snapshot.read_bytes().splitlines()))

    assert max(sizes) == 12
    assert len(found(files).contents().dives) == 1


def test_of_two_keepers_on_one_machine_one_writes(files: KeeperFiles) -> None:
    """The other finds it claimed, until the first has ended."""
    claimed = files.claim()
    assert claimed is not None
    assert files.claim() is None
    os.close(claimed)
    again = files.claim()
    assert again is not None
    os.close(again)


def test_its_age_is_in_the_database_for_those_on_other_machines(quick_stage: Stage, files: KeeperFiles) -> None:
    """Nothing before the first one; then what it held and how long ago."""
    stage = quick_stage
    assert snapshot_age(stage.service) == (None, "")
    Snapshot(files).refresh(stage.service)
    note_snapshot(stage.service, 0)
    stage.sleep(1)

    assert snapshot_age(stage.service) == (60.0, "0 dives")


def test_admins_are_not_told_that_alarms_go_on_where_no_copy_of_today_is_left(unchecked: Stage, tmp_path: Path) -> None:
    """The keeper finds the database gone after half a day of nothing: it says so, and whom to phone."""
    keeping = Keeping(unchecked, tmp_path)
    armed(keeping)
    keeping.standby.close()
    unchecked.sleep(13 * 60)
    with gone(unchecked.engine):
        keeping.start()
        keeping.without(minutes=3)
        assert "NO ALARM GOES OUT" in unchecked.last_to(FINN)
        assert alarms(unchecked, CLEO) == []
    keeping.standby.close()


def test_a_journal_of_another_secret_key_is_put_aside(unchecked: Stage, tmp_path: Path) -> None:
    """Who was told is in it, for whoever has that key; the service goes on."""
    keeping = Keeping(unchecked, tmp_path)
    armed(keeping)
    with gone(unchecked.engine):
        keeping.without(minutes=3)
    keeping.standby.close()
    files = KeeperFiles(tmp_path, "t" * 40)
    kept = files.journal.read_bytes()

    merge_first(unchecked.service, files)

    assert not files.journal.exists()
    [aside] = files.directory.glob("*.aside")
    assert aside.read_bytes() == kept
