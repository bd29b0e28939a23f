"""A contact who says in other words that they act has the alarm; a diver who is on the way has not."""

from __future__ import annotations

import pytest

from service.domain.dive import Dive, Phase
from service.operations.plan_reading import NamedPhone
from tests.operations.away import Keeping, gone
from tests.operations.stage import ANNA, CLEO, DOV, FINN, Stage, plan, plan_of


def alarmed(stage: Stage) -> Dive:
    """A dive of which Cleo has been alerted."""
    dive = stage.dive_in()
    stage.wait(minutes=66)
    assert stage.dive(dive.id).phase is Phase.ALERT
    return dive


@pytest.mark.parametrize(
    "words", ["ok I will drive there", "On my way to the beach", "bin unterwegs {ref}", "j'y vais"]
)
def test_who_acts_has_the_alarm_and_nobody_further_is_woken(stage: Stage, words: str) -> None:
    """They hear what to do, as with OK."""
    dive = alarmed(stage)

    [answer] = stage.text(CLEO, words.format(ref=dive.reference))
    stage.wait(minutes=10)

    assert "then text CALLED" in answer
    assert stage.dive(dive.id).acknowledged[0].key == "contact-0"
    assert not any("OVERDUE" in body for body in stage.to(DOV))


@pytest.mark.parametrize("words", ["I can't go", "if you want I will drive there", "who is this", "on my way home"])
def test_who_does_not_leaves_the_next_one_to_be_woken(quick_stage: Stage, words: str) -> None:
    """And is asked what they mean."""
    dive = alarmed(quick_stage)

    [answer] = quick_stage.text(CLEO, words)
    quick_stage.wait(minutes=5)

    assert "not understood, the alarm stands." in answer
    assert quick_stage.dive(dive.id).acknowledged == ()
    assert any("OVERDUE" in body for body in quick_stage.to(DOV))


def test_a_diver_who_is_on_the_way_is_quoted_and_answers_nothing(quick_stage: Stage) -> None:
    """To the shore, perhaps: those who look for them want to know it."""
    dive = alarmed(quick_stage)

    [answer] = quick_stage.text(ANNA, "we are on our way")

    assert "not understood, the alarm stands." in answer
    assert 'Anna Holt says "we are on our way"' in quick_stage.last_to(CLEO)
    assert quick_stage.dive(dive.id).acknowledged == ()


def test_who_dives_and_is_a_contact_answers_no_alarm_by_it(quick_stage: Stage) -> None:
    """They may speak of their own dive; OK with the reference says which."""
    other = quick_stage.dive_in(plan_of(1, contacts=(ANNA,)))
    own = quick_stage.dive_in(plan(run_time_min=200, contacts=(NamedPhone("Cleo Marsh", CLEO),)))
    quick_stage.wait(minutes=66)

    quick_stage.text(ANNA, "on our way")

    assert quick_stage.dive(other.id).acknowledged == ()
    assert quick_stage.dive(own.id).live
    quick_stage.text(ANNA, f"OK {other.reference}")
    assert quick_stage.dive(other.id).acknowledged


def test_an_admin_answers_an_alarm_that_was_handed_up_in_other_words(quick_stage: Stage) -> None:
    """As with OK."""
    dive = alarmed(quick_stage)
    quick_stage.wait(minutes=60)

    quick_stage.text(FINN, "I'll handle it")

    assert quick_stage.dive(dive.id).acknowledged[0].key.startswith("admin-")


def test_before_the_alarm_it_answers_nothing(quick_stage: Stage) -> None:
    """On the way to a barbecue, perhaps."""
    dive = quick_stage.dive_in()

    quick_stage.text(CLEO, "on my way to the beach")
    quick_stage.wait(minutes=66)

    assert quick_stage.dive(dive.id).acknowledged == ()
    assert any("OVERDUE" in body for body in quick_stage.to(CLEO))


def test_in_an_outage_it_counts_as_an_ok(keeping_on_both: Keeping) -> None:
    """The keeper wakes nobody further, and the record has it."""
    stage = keeping_on_both.stage
    dive = alarmed(stage)
    keeping_on_both.look()
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        keeping_on_both.spooled(CLEO, "ok on my way")
        keeping_on_both.spooled(ANNA, "on our way")
        keeping_on_both.without(minutes=5)
        assert not any("OVERDUE" in body for body in stage.to(DOV))
    keeping_on_both.look()
    stage.turn()

    assert [told.key for told in stage.dive(dive.id).acknowledged] == ["contact-0"]
