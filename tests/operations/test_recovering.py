"""After a restore: the first sweep finds the copy, asks the divers, tells the admins, and loses no alarm."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import update

from service.domain.dive.state import Phase
from service.operations import recovering
from service.operations.backing_up import back_up
from service.operations.gap import beat
from service.operations.recovering import NoRecoveryError, asking, begin_recovery, confirm, mark_by_hand
from service.operations.restoring import restore
from service.operations.sweeping import sweep
from service.store import epochs, log
from service.store.engine import writing
from service.store.tables import DiveRow, EpochRow
from tests.operations.stage import ANNA, CLEO, FINN, Stage, plan_of

MINUTE = timedelta(minutes=1)


@pytest.fixture
def restored(unchecked: Stage, tmp_path: Path) -> Stage:
    """A dive that went in at nine and is out by half past; restored at eleven from a copy of five past nine."""
    dive = unchecked.dive_in()
    unchecked.wait(minutes=5)
    path, _ = back_up(unchecked.engine, tmp_path / "one", unchecked.clock.at, "1.0")
    unchecked.wait(minutes=25)
    unchecked.text(ANNA, f"OUT {dive.finish_code}")
    unchecked.sleep(90)
    restore(unchecked.service, path, replaces=True, even_if_running=True)
    assert unchecked.dive(dive.id).phase is Phase.IN_WATER
    return unchecked


def only_dive(stage: Stage) -> str:
    """The id of the one dive."""
    [dive_id] = stage.service.read(epochs.to_be_asked)
    return dive_id


def test_nobody_ashore_is_alarmed_before_the_divers_were_asked(restored: Stage) -> None:
    """An hour overdue by the copy: the divers are asked after a minute, and their answer is the end of it."""
    to_cleo = len(restored.to(CLEO))
    restored.turn()
    assert len(restored.to(CLEO)) == to_cleo

    restored.wait(MINUTE, step=MINUTE)
    assert "we lost the texts since 10:05. All out? Text OUT" in restored.last_to(ANNA)

    dive = restored.dive(only_dive(restored))
    restored.text(ANNA, f"OUT {dive.finish_code}")
    restored.wait(minutes=20, step=MINUTE)
    assert not any("OVERDUE" in body for body in restored.to(CLEO))


def test_without_an_answer_the_alarm_goes_out_after_ten_minutes(restored: Stage) -> None:
    """Not one minute later, and with the true times."""
    found_at = restored.clock.at
    restored.turn()
    restored.wait(9 * MINUTE, step=MINUTE)
    assert not any("OVERDUE" in body for body in restored.to(CLEO))

    restored.wait(MINUTE, step=MINUTE)

    assert restored.clock.at == found_at + 10 * MINUTE
    assert "OVERDUE, CALL RESCUE NOW" in restored.last_to(CLEO)
    assert "due out 10:50" in restored.last_to(CLEO)
    dive = restored.service.read(epochs.to_be_asked)
    assert dive == []
    assert log.verify_database(restored.engine) == []


def test_admins_are_told_at_once(restored: Stage) -> None:
    """They know who may be in the water, which the service does not; the log has it too."""
    restored.turn()

    assert "restored from a copy of 01.06. 09:05 UTC" in restored.last_to(FINN)
    assert "no alarm till 11:10 UTC" in restored.last_to(FINN)
    [entry] = [entry for entry in restored.entries(chain="service") if entry.kind == "restored"]
    assert entry.detail == {
        "copied_at": "2027-06-01T09:05:00.000000Z",
        "until_at": "2027-06-01T11:10:00.000000Z",
        "asked": 1,
    }


def test_an_admin_who_knows_lets_the_clocks_go_on(restored: Stage) -> None:
    """The alarm goes out at once; the log says who said so, and there is nothing to confirm twice."""
    restored.turn()
    assert asking(restored.service) is not None

    with pytest.raises(NoRecoveryError, match="no admin is called Nobody"):
        confirm(restored.service, "Nobody")
    assert confirm(restored.service, "finn aske") == 1

    restored.courier.carry()
    assert "OVERDUE, CALL RESCUE NOW" in restored.last_to(CLEO)
    [entry] = [entry for entry in restored.entries(chain="service") if entry.kind == "recovery_confirmed"]
    assert entry.actor is not None
    assert (entry.actor["role"], entry.actor["name"]) == ("admin", "Finn Aske")
    with pytest.raises(NoRecoveryError, match="nothing is held up"):
        confirm(restored.service, "Finn Aske")


def test_sos_is_heard_at_once_meanwhile(restored: Stage) -> None:
    """Who calls for help waits for nobody."""
    restored.turn()

    restored.text(ANNA, "SOS")

    assert "ALARM" in restored.last_to(CLEO)


def test_it_begins_once_however_many_sweeps_find_the_copy(restored: Stage) -> None:
    """Two keepers and three workers start together after a restore."""
    begin_recovery(restored.service, None)
    restored.clock.at += 5 * MINUTE
    begin_recovery(restored.service, None)
    sweep(restored.service)

    known = restored.service.read(epochs.current)
    assert known is not None
    assert known.until_at == restored.clock.at + 5 * MINUTE
    assert [entry.kind for entry in restored.entries(chain="service")].count("restored") == 1
    waiting = restored.dive(only_dive(restored)).waiting
    assert waiting is not None
    assert waiting.until_at == known.until_at


def test_a_recovery_that_breaks_off_is_taken_up_and_holds_no_alarm_for_longer(
    restored: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The admins could not be told for a quarter of an hour: they are at last, and the contacts were in time."""

    def break_down(*_: object) -> None:
        raise RuntimeError("a fault of ours")

    with monkeypatch.context() as patch:
        patch.setattr(recovering, "tell_admins", break_down)
        restored.turn()
        restored.wait(10 * MINUTE, step=MINUTE)
        assert "OVERDUE, CALL RESCUE NOW" in restored.last_to(CLEO)
        restored.wait(5 * MINUTE, step=MINUTE)
    restored.turn()

    assert any("restored from a copy of 01.06. 09:05 UTC" in body for body in restored.to(FINN))


def test_an_outage_alone_asks_nobody_first(stage: Stage) -> None:
    """The database is itself: what fell due meanwhile is told to contacts at once."""
    stage.dive_in()
    stage.turn()
    stage.sleep(90)

    stage.turn()

    assert "OVERDUE" in stage.last_to(CLEO)
    assert asking(stage.service) is None


def test_a_database_that_was_set_back_by_other_means_is_told_so(stage: Stage) -> None:
    """The image of a machine cannot be told from an outage, but by whoever put it there."""
    stage.dive_in()
    stage.turn()
    stage.sleep(90)

    assert mark_by_hand(stage.service) == stage.clock.at - 90 * MINUTE
    stage.turn()

    assert not any("OVERDUE" in body for body in stage.to(CLEO))
    assert asking(stage.service) is not None
    stage.wait(10 * MINUTE, step=MINUTE)
    assert "OVERDUE" in stage.last_to(CLEO)


def put_in_place(stage: Stage) -> None:
    """As after a restore by hand or pg_upgrade: the database is known by something else."""
    with writing(stage.engine) as session:
        session.execute(update(EpochRow).values(identity="another server's"))


def test_a_copy_that_was_in_place_within_a_minute_holds_nothing_up(stage: Stage) -> None:
    """Now and after the next outage: it lacks a minute at most, and it was found as a copy when that was long over."""
    stage.dive_in()
    stage.turn()
    put_in_place(stage)
    stage.sleep(0.5)
    stage.turn()

    assert not stage.service.read(epochs.is_copy)
    assert [entry.kind for entry in stage.entries(chain="service")].count("copy_taken_on") == 1
    [told] = [body for body in stage.to(FINN) if "replaced by a copy" in body]
    assert "No alarm is held up" in told
    stage.sleep(90)
    stage.turn()
    assert "OVERDUE" in stage.last_to(CLEO)
    assert asking(stage.service) is None


@pytest.mark.parametrize("marked", [False, True], ids=["by hand", "by our command"])
def test_a_sweep_that_began_before_a_copy_was_put_in_place_does_not_hide_it(stage: Stage, *, marked: bool) -> None:
    """It ends on the copy, and gives it no sign of life: the next one finds the copy out, and asks the divers."""
    stage.dive_in()
    stage.turn()
    stage.sleep(90)
    if marked:
        mark_by_hand(stage.service)
    else:
        put_in_place(stage)

    stage.service.write(lambda session: beat(stage.service, session, stage.clock.at))
    stage.turn()

    assert asking(stage.service) is not None
    assert not any("OVERDUE" in body for body in stage.to(CLEO))
    stage.wait(10 * MINUTE, step=MINUTE)


def test_a_dive_that_cannot_be_read_is_not_held(unchecked: Stage) -> None:
    """Its party's answer could not be read either; the others are held all the same."""
    bad, good = unchecked.dive_in(), unchecked.dive_in(plan_of(1))
    unchecked.turn()
    with writing(unchecked.engine) as session:
        session.execute(update(DiveRow).where(DiveRow.id == bad.id).values(state="{}"))
    unchecked.sleep(90)
    mark_by_hand(unchecked.service)

    unchecked.turn()

    assert "SERVICE FAULT" in unchecked.last_to(CLEO)
    assert unchecked.dive(good.id).waiting is not None
