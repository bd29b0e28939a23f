"""A keeper that was frozen for a while, and a database that hangs: what counts as an outage, and since when."""

from __future__ import annotations

from datetime import timedelta

import pytest

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


@pytest.mark.parametrize(("before_s", "within_s"), [(45, 0), (0, 50)], ids=["looks come late", "looks hang"])
def test_however_slow_looks_are_an_outage_is_one_in_the_end(keeping: Keeping, before_s: int, within_s: int) -> None:
    """On a machine that is starved, or with a database that answers nothing for a while: all of them say it is gone."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        for _ in range(5):
            stage.clock.at += timedelta(seconds=before_s)
            keeping.standby._note_look()
            stage.clock.at += timedelta(seconds=within_s)
            assert keeping.standby.without_database()
        assert keeping.journal != []
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")
