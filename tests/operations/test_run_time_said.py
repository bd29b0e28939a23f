"""An IN with other minutes than the plan's: everybody who holds a raise-by time holds the true one."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.operations.stage import ANNA, CLEO, DOV, Stage


@pytest.fixture
def stage(quick_stage: Stage) -> Stage:
    """On SQLite: what is understood does not depend on the database."""
    return quick_stage


@pytest.mark.parametrize("words", ["IN LANTERN 30 P2", "IN {ref} 30", "IN {code} 30 min", "in for 30", "IN 30 P2"])
def test_fewer_minutes_than_the_plan_has_count_and_all_hear_of_it(stage: Stage, words: str) -> None:
    """The contacts with the plan, the diver with ARMED: a plan of fifty, it is ten."""
    dive = stage.file()

    told = stage.text(ANNA, words.format(ref=dive.reference, code=dive.start_code))

    assert stage.dive(dive.id).due_out_at == stage.clock.at + timedelta(minutes=30)
    assert ["Due out 10:30. Not heard by 10:45" in stage.last_to(phone) for phone in (CLEO, DOV)] == [True, True]
    assert any("due out 10:30" in text and "Alarm 10:45" in text for text in told)
    stage.text(ANNA, "out 2")


def test_more_minutes_are_not_taken_and_the_diver_is_told_how_to_ask(stage: Stage) -> None:
    """By LATE, which the contacts hear of before it counts."""
    dive = stage.file()

    told = stage.text(ANNA, f"IN {dive.reference} 70")

    assert stage.dive(dive.id).due_out_at == stage.clock.at + timedelta(minutes=50)
    runs = f"dive {dive.reference} runs by its plan: 50 minutes, not 70. Need longer? Text LATE 20."
    assert f"Skerry Bay Divers: {runs}" in told
    assert "Not heard by 11:05" in stage.last_to(CLEO)
    stage.text(ANNA, "LATE 20")
    assert "Not heard by 11:25" in stage.last_to(CLEO)
    stage.text(ANNA, "out 2")


def test_an_end_in_the_first_half_is_measured_by_what_was_said(stage: Stage) -> None:
    """Of ten minutes the sixth is the second half: a bare OUT is about this dive, whatever ended before."""
    stage.dive_in()
    stage.sleep(30)
    stage.text(ANNA, "OUT 2")
    dive = stage.file()
    stage.text(ANNA, f"IN {dive.reference} 10")
    stage.sleep(6)

    stage.text(ANNA, "OUT")

    assert not stage.dive(dive.id).live
