"""A contact who signs their OK: their own name behind it changes nothing, and any other word may say the opposite."""

from __future__ import annotations

import pytest

from service.domain.dive import Dive, Phase
from service.operations.plan_reading import NamedPhone
from tests.operations.stage import ANNA, CLEO, DOV, STRANGER, Stage, plan


@pytest.fixture
def stage(quick_stage: Stage) -> Stage:
    """On SQLite: what is understood does not depend on the database."""
    return quick_stage


def alarmed(stage: Stage, **changes: object) -> Dive:
    """A dive of which Cleo Marsh has been alerted."""
    dive = stage.dive_in(plan(**changes))
    stage.wait(minutes=66)
    assert stage.dive(dive.id).phase is Phase.ALERT
    return dive


def has_answered(stage: Stage, dive: Dive) -> bool:
    """Whether somebody has the alarm."""
    return bool(stage.dive(dive.id).acknowledged)


@pytest.mark.parametrize("words", ["OK {ref} Cleo", "ok cleo marsh", "Ok, Cleo {ref}", "Got it. CLEO", "ok cléo"])
def test_an_ok_with_the_contacts_own_name_is_an_ok(stage: Stage, words: str) -> None:
    """As they would write to anybody."""
    dive = alarmed(stage)

    [answer] = stage.text(CLEO, words.format(ref=dive.reference))

    assert has_answered(stage, dive)
    assert "then text CALLED" in answer
    stage.text(ANNA, "OUT 2")


@pytest.mark.parametrize(
    "words",
    ["OK {ref} no answer", "OK {ref} not going", "OK Dov", "OK Marsh", "OK {ref} Cleo not here", "OK Anna", "OK Cleo?"],
)
def test_an_ok_with_any_other_words_is_asked_about(stage: Stage, words: str) -> None:
    """Also with the name of another contact, or of the diver to whom it may be said: the next contact is woken."""
    dive = alarmed(stage)

    [answer] = stage.text(CLEO, words.format(ref=dive.reference))

    assert not has_answered(stage, dive)
    assert f"OK {dive.reference}" in answer
    stage.wait(minutes=10)
    assert any("OVERDUE" in body for body in stage.to(DOV))
    stage.text(ANNA, "OUT 2")


def test_the_name_of_a_diver_too_is_asked_about(stage: Stage) -> None:
    """A contact of the lead's name may be speaking to the lead."""
    dive = alarmed(stage, contacts=(NamedPhone("Anna Marsh", CLEO), NamedPhone("Dov Lind", DOV)))

    stage.text(CLEO, "ok Anna")
    assert not has_answered(stage, dive)
    stage.text(CLEO, "ok Anna Marsh")
    assert has_answered(stage, dive)
    stage.text(ANNA, "OUT 2")


def test_neither_a_diver_nor_a_stranger_answers_by_a_name(stage: Stage) -> None:
    """It is no name of a contact whose phone that is."""
    dive = alarmed(stage)

    stage.text(ANNA, "ok anna")
    stage.text(STRANGER, "ok cleo")

    assert not has_answered(stage, dive)
    stage.text(ANNA, "OUT 2")


def test_of_two_alarms_the_one_that_is_named_is_answered(stage: Stage) -> None:
    """By its reference, which may stand before the name or behind it."""
    first, second = alarmed(stage), stage.dive_in(plan(lead=NamedPhone("Edda Rowe", "07700 900003"), party=()))
    stage.wait(minutes=66)

    stage.text(CLEO, f"ok {second.reference} Cleo")

    assert has_answered(stage, second)
    assert not has_answered(stage, first)
    stage.text(ANNA, "OUT 2")
    stage.text("+447700900003", "OUT 1")


def test_what_is_no_name_is_heard_by_the_dive_of_its_sender(stage: Stage) -> None:
    """What looks like a reference may be a depth: their words must not be lost with a dive that is none of theirs."""
    dive = stage.dive_in()

    [answer] = stage.text(ANNA, "ok 5m deep")

    assert "no dive" not in answer
    heard = [entry.detail for entry in stage.entries(dive) if entry.kind == "event:heard"]
    assert [detail and detail["words"] for detail in heard] == ["ok 5m deep"]
    stage.text(ANNA, "OUT 2")
