"""Which dive a call for help raises: every live one, else what it is about by the time, and in doubt more than one."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.dive import Dive, Phase
from service.operations.plan_reading import NamedPhone, PlanRequest
from tests.operations.away import Keeping, gone
from tests.operations.stage import ANNA, BEGIN_AT, CLEO, DOV, EDDA, FINN, STRANGER, Stage, plan, plan_of

OTHERS = (NamedPhone("Edda Quist", EDDA),)


def later(hours: float) -> PlanRequest:
    """A plan of the same party with another contact, for so many hours after the day begins."""
    return plan(time_in_at=BEGIN_AT + timedelta(hours=hours), contacts=OTHERS)


def phases(stage: Stage, *dives: Dive) -> list[Phase]:
    """How they stand, in that order."""
    return [stage.dive(dive.id).phase for dive in dives]


def test_an_sos_after_a_dive_raises_that_one_and_not_tomorrows_plan(stage: Stage) -> None:
    """Out ten minutes ago, and somebody collapses: those who watched that dive hear of it."""
    first = stage.dive_in()
    second = stage.file(later(24))
    stage.text(ANNA, "OUT 2")
    stage.sleep(10)

    stage.text(ANNA, "SOS Bram collapsed")

    assert phases(stage, first, second) == [Phase.ALERT, Phase.FILED]
    assert '"Bram collapsed"' in stage.last_to(CLEO)
    assert stage.to(EDDA) == []
    stage.text(ANNA, f"OUT 2 {first.reference}")


def test_an_sos_between_two_dives_raises_both_where_the_next_is_nearer(stage: Stage) -> None:
    """An hour after the one and five minutes before the other nobody can say which."""
    first = stage.dive_in()
    second = stage.file(later(65 / 60))
    stage.text(ANNA, "OUT 2")
    stage.sleep(60)

    stage.text(ANNA, "SOS")

    assert phases(stage, first, second) == [Phase.ALERT, Phase.ALERT]


def test_an_sos_raises_the_plan_whose_time_in_is_nearest(stage: Stage) -> None:
    """Not the one that was filed last."""
    today = stage.file(plan(time_in_at=BEGIN_AT + timedelta(minutes=5)))
    tomorrow = stage.file(later(24))
    stage.sleep(10)

    stage.text(ANNA, "SOS")

    assert phases(stage, today, tomorrow) == [Phase.ALERT, Phase.FILED]
    assert "ALARM" in stage.last_to(DOV)


def test_an_sos_raises_plans_of_about_the_same_time_together(stage: Stage) -> None:
    """One is to be started by IN, the other was planned for now: both may be meant."""
    by_word = stage.file(plan(contacts=OTHERS))
    by_time = stage.file(plan(time_in_at=BEGIN_AT + timedelta(minutes=5)))

    stage.text(ANNA, "SOS")

    assert phases(stage, by_word, by_time) == [Phase.ALERT, Phase.ALERT]


def test_an_sos_before_ones_own_dive_raises_no_plan_that_one_only_watches(stage: Stage) -> None:
    """Its divers' contacts would look for people who are at home."""
    own = stage.file()
    watched = stage.file(plan_of(1, [ANNA, EDDA]))

    stage.text(ANNA, "SOS")

    assert phases(stage, own, watched) == [Phase.ALERT, Phase.FILED]


def test_the_code_of_a_dive_that_is_long_over_shuts_no_live_one_out(stage: Stage) -> None:
    """They read it off the wrong slate, and need help all the same."""
    old = stage.dive_in()
    stage.text(ANNA, "OUT 2")
    stage.sleep(121)
    live = stage.dive_in()

    stage.text(ANNA, f"SOS {old.finish_code}")

    assert phases(stage, live) == [Phase.ALERT]


def test_the_code_of_a_dive_that_is_long_over_gets_the_rescue_call_where_there_is_no_other(stage: Stage) -> None:
    """No contact was told, and they must know; the admins hear which dive it was."""
    old = stage.dive_in()
    stage.text(ANNA, "OUT 2")
    stage.sleep(121)

    [answer] = stage.text(STRANGER, f"SOS {old.finish_code}")

    assert f"dive {old.reference} is over since 10:00. Only the club's admins are told. Call rescue now" in answer
    assert f"Their dive {old.reference} at Lantern Cove is over since 10:00." in stage.last_to(FINN)


@pytest.mark.parametrize("filed_last", ["today", "tomorrow"])
def test_a_keeper_raises_the_plan_whose_time_in_is_nearest(keeping: Keeping, filed_last: str) -> None:
    """With the database gone, whichever was filed last."""
    stage = keeping.stage
    plans = {"tomorrow": later(24), "today": plan(time_in_at=BEGIN_AT + timedelta(minutes=5))}
    if filed_last == "tomorrow":
        plans = dict(reversed(plans.items()))
    for request in plans.values():
        stage.file(request)
    keeping.look()
    with gone(stage.engine):
        keeping.hears(ANNA, "SOS lost Bram")
        assert "lost Bram" in stage.last_to(CLEO)
        assert stage.to(EDDA) == []
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT 2")


def test_of_a_contact_who_calls_the_day_before_the_dive_all_hear_that_it_is_they(quick_stage: Stage) -> None:
    """Help comes as ever, and nobody believes the divers in trouble."""
    stage = quick_stage
    dive = stage.file(plan(time_in_at=BEGIN_AT + timedelta(hours=24)))

    [answer] = stage.text(CLEO, "SOS I fell on the rocks")

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert "The contacts are being told." in answer
    assert 'Cleo Marsh 10:00 says "I fell on the rocks". Contact of Anna Holt + 1 (2 divers).' in stage.last_to(DOV)
    stage.wait(minutes=15)
    for phone in (CLEO, DOV):
        assert "ALARM, CALL RESCUE NOW: Cleo Marsh, contact of Anna Holt + 1 (2 divers)." in stage.last_to(phone)
    stage.wait(minutes=30)
    assert "NO CONTACT HAS ANSWERED" in stage.last_to(FINN)
    assert "Cleo Marsh, contact of Anna Holt" in stage.last_to(FINN)
    stage.text(DOV, f"SAFE 2 {dive.reference}")
