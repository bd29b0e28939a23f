"""A contact says OK to an alarm and a moment later that they want nothing more: somebody else is alerted at once."""

from __future__ import annotations

import re

import pytest

from service.domain.wording import LinkKind
from service.operations.consenting import say_on_page
from service.operations.pages import open_link
from service.operations.plan_reading import NamedPhone
from tests.operations.stage import ANNA, CLEO, DOV, FINN, Stage, plan

ONLY_CLEO = plan(contacts=(NamedPhone("Cleo Marsh", CLEO),))


def says_ok(stage: Stage, minutes: float = 65) -> str:
    """The alarm is up, and the first contact has said that they act; gives the dive."""
    dive = stage.dive_in()
    stage.wait(minutes=minutes)
    stage.text(CLEO, f"OK {dive.reference}")
    return dive.id


@pytest.mark.parametrize("words", ["DECLINE", "STOP"])
def test_the_next_contact_has_the_alarm_at_once(stage: Stage, words: str) -> None:
    """It waited for distress, a quarter of an hour later."""
    dive_id = says_ok(stage)

    stage.text(CLEO, words)

    assert "OVERDUE: Anna Holt" in stage.last_to(DOV)
    assert stage.dive(dive_id).acknowledged == ()


def test_who_had_heard_that_they_act_hears_that_they_do_not(stage: Stage) -> None:
    """Nobody else would have been told anything before distress."""
    says_ok(stage, minutes=70)
    assert "Cleo Marsh has the alarm" in stage.last_to(DOV)

    stage.text(CLEO, "DECLINE")

    assert "Cleo Marsh no longer acts on this alarm." in stage.last_to(DOV)
    assert "Reply OK" in stage.last_to(DOV)


@pytest.mark.parametrize("words", ["DECLINE", "STOP"])
def test_of_an_only_contact_the_admins_have_the_alarm_at_once(stage: Stage, words: str) -> None:
    """Nobody heard anything of it any more, ever."""
    dive = stage.dive_in(ONLY_CLEO)
    stage.wait(minutes=65)
    stage.text(CLEO, "OK")

    stage.text(CLEO, words)
    stage.turn()

    assert f"NO CONTACT CAN BE REACHED BY TEXT. Dive {dive.reference}:" in stage.last_to(FINN)


def test_the_button_of_their_page_says_the_same(stage: Stage) -> None:
    """The link to it came with the question whether they will be a contact."""
    grete = "+447700900031"
    stage.dive_in(plan(contacts=(NamedPhone("Grete Olsen", grete), NamedPhone("Dov Lind", DOV))))
    found = re.search(r"/contact/(\S+)$", stage.to(grete)[0])
    stage.wait(minutes=65)
    stage.text(grete, "OK")
    view = open_link(stage.service, found[1] if found else "", LinkKind.CONTACT)
    assert view is not None

    say_on_page(stage.service, view, agrees=False)
    stage.turn()

    assert "OVERDUE: Anna Holt" in stage.last_to(DOV)


def test_an_admin_who_says_ok_and_then_stop_has_it_no_more(stage: Stage) -> None:
    """Nobody else was asked before distress; the second contact has it at their turn, and the first hears of it."""
    dive = stage.dive_in()
    stage.wait(minutes=66)
    stage.text(FINN, f"OK {dive.reference}")
    assert stage.dive(dive.id).acknowledged

    stage.text(FINN, "STOP")

    assert stage.dive(dive.id).acknowledged == ()
    assert "An admin no longer acts on this alarm." in stage.last_to(CLEO)
    stage.wait(minutes=5)
    assert "OVERDUE: Anna Holt" in stage.last_to(DOV)
    stage.text(ANNA, "OUT")


def test_an_admins_stop_is_of_no_alarm_that_they_did_not_answer(stage: Stage) -> None:
    """It is in the club's log and in no dive's."""
    dive = stage.dive_in()
    stage.wait(minutes=66)
    before = stage.kinds(dive)

    stage.text(FINN, "STOP")

    assert stage.kinds(dive) == before
    stage.text(ANNA, "OUT")
