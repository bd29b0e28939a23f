"""A keeper that was frozen for a while, and a database that hangs: what counts as an outage, and since when."""

from __future__ import annotations

from datetime import timedelta

from tests.operations.away import Keeping, armed, gone
from tests.operations.stage import ANNA


def test_a_keeper_that_stood_still_takes_no_first_fault_for_minutes_without_a_database(keeping: Keeping) -> None:
    """It has looked at nothing meanwhile, and the alarms that it remembers went out long ago."""
    stage = keeping.stage
    armed(keeping)
    stage.wait(minutes=10)
    with gone(stage.engine):
        keeping.without(seconds=60)  # the admins hear of it from a minute on
        assert keeping.journal == []
        keeping.without(seconds=70)
        assert keeping.journal != []
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_a_keeper_that_looks_seldom_finds_an_outage_all_the_same(keeping: Keeping) -> None:
    """A machine that is starved: every look comes late, and still all of them say that the database is gone."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        for _ in range(5):
            stage.clock.at += timedelta(seconds=45)
            keeping.standby._note_look()
            assert keeping.standby.without_database()
        assert keeping.journal != []
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_a_look_that_hangs_is_no_time_in_which_nobody_looked(keeping: Keeping) -> None:
    """A database that answers nothing for a while at each look is gone after two minutes all the same."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        for _ in range(3):
            keeping.standby._note_look()
            stage.clock.at += timedelta(seconds=50)
            assert keeping.standby.without_database()
        assert keeping.journal != []
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")
