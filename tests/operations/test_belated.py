"""Words that lay on a disk or in a gateway's list: they end what they were said of, and nothing that came after."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.dive.commands import RaiseNow, TakeBackCalled
from service.domain.people import Actor, Role, Via
from service.operations.recording import act
from tests.operations.stage import ANNA, BY_ANNA, CLEO, DOV, EDDA, Stage

MINUTE = timedelta(minutes=1)


def lay(stage: Stage, sender: str, body: str, minutes: int) -> None:
    """A text that a gateway had so long ago is brought now."""
    inbound_id = stage.receive(sender, body, received_at=stage.clock.at - minutes * MINUTE)
    assert inbound_id is not None
    stage.answer(inbound_id)
    stage.courier.carry()


@pytest.mark.parametrize("words", ["OUT 2", "SAFE 2", "OUT 2 {finish}"])
def test_a_finish_of_before_a_call_for_help_does_not_stand_it_down(stage: Stage, words: str) -> None:
    """They came out, said so, and something happened after that: contacts hear both, and the alarm stands."""
    dive = stage.dive_in()
    stage.sleep(30)
    stage.text(ANNA, "SOS")

    lay(stage, ANNA, words.format(finish=dive.finish_code), minutes=5)

    assert stage.dive(dive.id).alarmed
    assert "The alarm stands." in stage.last_to(CLEO)
    came_late = "your text came late, from before other news, and changed nothing. The clock runs."
    assert came_late in stage.last_to(ANNA)
    assert "All out? Text OUT" in stage.last_to(ANNA)
    stage.text(ANNA, "out 2")
    assert not stage.dive(dive.id).live


def test_a_finish_of_before_an_alarm_from_a_page_does_not_stand_it_down(stage: Stage) -> None:
    """Whichever way help was called for."""
    dive = stage.dive_in()
    stage.sleep(30)
    act(stage.service, dive.id, RaiseNow(BY_ANNA))

    lay(stage, ANNA, "OUT 2", minutes=5)

    assert stage.dive(dive.id).alarmed
    stage.text(ANNA, "out 2")


def test_a_finish_of_after_a_call_for_help_ends_it_though_both_lay(stage: Stage) -> None:
    """What counts is when they came, not when they were brought."""
    dive = stage.dive_in()
    stage.sleep(30)

    lay(stage, ANNA, "SOS", minutes=10)
    lay(stage, ANNA, "OUT 2", minutes=5)

    assert not stage.dive(dive.id).live
    assert "It is over" in stage.last_to(CLEO)


def test_a_finish_that_comes_late_ends_an_alarm_of_the_clock(stage: Stage) -> None:
    """That is what it was kept for: it finishes and stands everybody down."""
    dive = stage.dive_in()
    stage.wait(minutes=70)
    assert stage.dive(dive.id).alarmed

    lay(stage, ANNA, "OUT 2", minutes=30)

    assert not stage.dive(dive.id).live
    assert "It is over" in stage.last_to(CLEO)


@pytest.mark.parametrize("words", ["OUT 2", "NOGO", "LATE 20"])
def test_words_of_an_earlier_dive_change_nothing_in_the_next(stage: Stage, words: str) -> None:
    """The same phone had a dive before, which its contact closed."""
    stage.dive_in()
    stage.sleep(30)
    stage.text(CLEO, "SAFE 2")
    stage.sleep(60)
    dive = stage.dive_in()

    lay(stage, ANNA, words, minutes=70)

    kinds = stage.kinds(dive)
    assert stage.dive(dive.id).live
    assert "event:heard" in kinds
    assert "event:extension_asked" not in kinds
    stage.text(ANNA, "out 2")


def test_an_answer_of_before_the_alarm_is_none_to_it(stage: Stage) -> None:
    """They said OK to the plan; the search for somebody who has the alarm goes on."""
    dive = stage.dive_in()
    stage.wait(minutes=65)

    lay(stage, CLEO, "OK", minutes=60)

    assert stage.dive(dive.id).acknowledged == ()
    stage.text(CLEO, "OK")
    assert [told.key for told in stage.dive(dive.id).acknowledged] == ["contact-0"]
    stage.text(ANNA, "out 2")


@pytest.mark.parametrize("denies", [CLEO, DOV])
def test_called_of_before_a_not_called_ends_no_repeats(stage: Stage, denies: str) -> None:
    """Nobody's word had come by then, so that none could fall; who has called says so once more."""
    dive = stage.dive_in()
    stage.wait(minutes=100)
    stage.text(denies, "NOT CALLED")

    lay(stage, CLEO, "CALLED 4711", minutes=5)

    assert stage.dive(dive.id).called_at is None
    assert "event:heard" in stage.kinds(dive)
    came_late = "your CALLED came late: NOT CALLED was said after it, so it changed nothing."
    assert f"{came_late} Rescue was called? Text CALLED {dive.reference}." in stage.last_to(CLEO)
    stage.text(CLEO, "CALLED")
    assert stage.dive(dive.id).called_at is not None
    stage.text(ANNA, "out 2")


def test_called_of_before_its_taking_back_on_a_page_ends_no_repeats(stage: Stage) -> None:
    """The same words, which a gateway brings once more, are of before as well."""
    dive = stage.dive_in()
    stage.wait(minutes=100)
    stage.text(CLEO, "CALLED")
    stage.sleep(10)
    act(stage.service, dive.id, TakeBackCalled(Actor(Role.CONTACT, "Cleo Marsh", Via.PAGE, "contact-0")))

    lay(stage, CLEO, "I have called rescue", minutes=5)

    assert stage.dive(dive.id).not_called_after_all
    stage.text(ANNA, "out 2")


def test_a_start_and_a_finish_that_both_lay_are_of_one_dive(stage: Stage) -> None:
    """Brought one after the other within a second, in their order."""
    dive = stage.file()
    stage.sleep(40)
    for seconds, words in ((40, f"IN {dive.start_code}"), (20, "OUT 2")):
        inbound_id = stage.receive(ANNA, words, received_at=stage.clock.at - timedelta(seconds=seconds))
        assert inbound_id is not None
        stage.answer(inbound_id)
    stage.courier.carry()

    assert not stage.dive(dive.id).live


def test_a_plan_by_text_that_lay_with_its_start_and_finish_is_of_the_same_dive(stage: Stage) -> None:
    """All three were said in an outage, in their order."""
    stage.sleep(50)

    for words, minutes in (("PLAN LANTERN 1100 50 P2", 45), ("IN", 40), ("OUT 2", 5)):
        lay(stage, ANNA, words, minutes)

    assert "Out" not in stage.last_to(ANNA)
    assert "It is over" in stage.last_to(EDDA)


def test_a_start_that_lay_behind_its_plan_runs_from_when_it_was_said(stage: Stage) -> None:
    """The plan was found with it and filed only then: an alarm by that would come as late as they lay."""
    stage.sleep(50)
    went_in_at = stage.clock.at - 40 * MINUTE

    for words, minutes in (("PLAN LANTERN 1100 50 P2", 45), ("IN", 40)):
        lay(stage, ANNA, words, minutes)

    [dive] = stage.all_dives()
    assert (dive.started_at, dive.due_out_at) == (went_in_at, went_in_at + 50 * MINUTE)
    stage.wait(minutes=26)
    assert stage.dive(dive.id).alarmed
    stage.text(ANNA, "OUT 2")


def test_a_plan_by_text_that_lay_past_its_time_in_is_of_the_day_on_which_it_was_said(stage: Stage) -> None:
    """Nobody has said IN: the start is taken for granted at once, and its alarm comes when it would have come."""
    stage.sleep(60)
    planned_at = stage.clock.at - 30 * MINUTE

    lay(stage, ANNA, "PLAN LANTERN 1030 50 P2", minutes=40)

    assert "plan filed for Lantern Cove, 10:30. Going in" in stage.last_to(ANNA)
    [dive] = stage.all_dives()
    assert dive.plan.time_in_at == planned_at
    stage.turn()
    dive = stage.dive(dive.id)
    assert (dive.assumed, dive.started_at) == (True, planned_at)
    assert "Not heard by 11:35" in stage.last_to(EDDA)
    stage.wait(minutes=35)
    assert stage.dive(dive.id).alarmed
    stage.text(ANNA, "OUT 2")


def test_a_plan_by_text_that_lay_a_little_is_asked_about_at_once(stage: Stage) -> None:
    """Between the question whether they went in and the start that is taken for granted."""
    stage.sleep(47)

    lay(stage, ANNA, "PLAN LANTERN 1030 50 P2", minutes=20)

    stage.turn()
    [dive] = stage.all_dives()
    assert (dive.started_at, "10:30" in stage.last_to(ANNA)) == (None, True)
    assert "plan filed" not in stage.last_to(ANNA)
    stage.text(ANNA, "NOGO")


def test_a_plan_by_text_for_a_time_that_had_passed_when_it_was_said_is_for_the_next_day(stage: Stage) -> None:
    """And the answer names that day; so it does where nothing lay."""
    stage.sleep(60)

    lay(stage, ANNA, "PLAN LANTERN 1000 50 P2", minutes=40)
    assert "plan filed for Lantern Cove, Wed 2 Jun 10:00. Going in" in stage.last_to(ANNA)
    stage.text(ANNA, "NOGO")
    assert stage.text(ANNA, "PLAN LANTERN 1030 50 P2")[-1].startswith(
        "Skerry Bay Divers: plan filed for Lantern Cove, Wed 2 Jun 10:30. Going in"
    )
