"""A dive that cannot be read falls due while the database is gone: no sweep finds it, so the keeper tells of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.domain.dive import Dive
from service.store import opt_outs, reaches
from tests.operations.away import Keeping, gone
from tests.operations.stage import ANNA, CLEO, CLUB, DOV, FINN, OURS, STRANGER, Stage
from tests.operations.test_unreadable import alarms, damage


@pytest.fixture
def keeping(unchecked: Stage, tmp_path: Path) -> Keeping:
    """A keeper's standby beside a database that a test is going to break on purpose."""
    return Keeping(unchecked, tmp_path / "spool")


def unreadable(keeping: Keeping) -> Dive:
    """A dive that nobody can read any more, in the snapshot, of which a sweep would tell in forty minutes."""
    dive = keeping.stage.dive_in()
    damage(keeping.stage, dive)
    keeping.look()
    return dive


def test_it_is_alarmed_plainly_when_it_falls_due(keeping: Keeping) -> None:
    """By its plain columns, when a sweep would have found it; once, also by a keeper that is started again."""
    stage = keeping.stage
    unreadable(keeping)
    with gone(stage.engine):
        keeping.without(minutes=35)
        assert alarms(stage, CLEO) == 0
        keeping.without(minutes=6)
        for phone in (CLEO, DOV, FINN):
            assert alarms(stage, phone) == 1
        assert "Anna Holt at Lantern Cove" in stage.last_to(CLEO)
        keeping.start_again()
        keeping.without(minutes=20)
        assert alarms(stage, CLEO) == 1
    keeping.look()
    keeping.standby.close()


@pytest.mark.parametrize(
    ("words", "told"),
    [("SOS", True), ("HELP", True), ("cannot find Bram", True), ("OUT", False)],
    ids=["SOS", "HELP", "words of trouble", "no call for help"],
)
def test_a_call_for_help_about_it_is_told_at_once(keeping: Keeping, words: str, *, told: bool) -> None:
    """As with the database: by the phones in its plain columns, long before anything of it falls due."""
    stage = keeping.stage
    unreadable(keeping)
    with gone(stage.engine):
        keeping.without(minutes=3)
        keeping.spooled(ANNA, words)
        keeping.spooled(STRANGER, "SOS")
        keeping.without(seconds=10)
        assert [alarms(stage, phone) for phone in (CLEO, DOV, FINN)] == [int(told)] * 3
    keeping.look()
    keeping.standby.close()


@pytest.mark.parametrize(("words", "told"), [("SOS", True), ("HELP", False)])
def test_one_that_is_over_is_told_of_by_an_sos(keeping: Keeping, words: str, *, told: bool) -> None:
    """Where the sender has no other; HELP is answered by the carrier, where no clock runs."""
    stage = keeping.stage
    dive = stage.dive_in()
    stage.text(ANNA, "OUT")
    damage(stage, dive)
    keeping.look()
    with gone(stage.engine):
        keeping.hears(ANNA, words)
        assert alarms(stage, CLEO) == int(told)
    keeping.look()
    keeping.standby.close()


def test_who_opted_out_or_declined_is_not_told(keeping: Keeping) -> None:
    """As by a sweep."""
    stage = keeping.stage
    dive = stage.dive_in()
    damage(stage, dive)
    stage.service.write(lambda session: opt_outs.opt_out(session, OURS, CLEO, stage.clock.at))
    stage.service.write(lambda session: reaches.decide(session, CLUB, DOV, "declined", stage.clock.at))
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=41)
    assert [alarms(stage, phone) for phone in (CLEO, DOV, FINN)] == [0, 0, 1]
    keeping.standby.close()


def test_an_alarm_of_it_that_nobody_has_carried_goes_out(keeping: Keeping) -> None:
    """The sweep had found it, and then the database went."""
    stage = keeping.stage
    dive = stage.dive_in()
    damage(stage, dive)
    stage.text(CLEO, "STATUS")
    stage.receive_and_answer(CLEO, "SOS")
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=1, seconds=10)
        assert alarms(stage, DOV) == 1
    keeping.look()
    keeping.standby.close()


def test_a_snapshot_of_an_older_version_holds_up_nothing(keeping: Keeping, monkeypatch: pytest.MonkeyPatch) -> None:
    """It has no plain columns; then nothing can be told of such a dive, and all others are watched."""
    stage = keeping.stage
    monkeypatch.setattr("service.store.snapshots._is_read", lambda _: True)
    unreadable(keeping)
    with gone(stage.engine):
        keeping.without(minutes=41)
    assert alarms(stage, CLEO) == 0
    keeping.standby.close()
