"""Whoever texts is answered in their language: that of the plan, else that of the club."""

from __future__ import annotations

from service.operations.plan_reading import NamedPhone
from tests.operations.stage import ANNA, CLEO, STRANGER, Stage, plan

GERMAN = plan(
    lead=NamedPhone("Anna Holt", "07700 900001", language="de"),
    contacts=(NamedPhone("Cleo Marsh", CLEO, language="fr"),),
)


def test_a_refusal_and_a_question_are_in_the_language_of_their_sender(stage: Stage) -> None:
    """The diver's in German, the contact's in French; what they text is the same in both."""
    stage.dive_in(GERMAN)

    [refused] = stage.text(ANNA, "OK")
    [thanked] = stage.text(CLEO, "OK")
    [where] = stage.text(CLEO, "WHERE")

    assert "OK stoppt die Uhr nicht. Alle raus? SMS OUT." in refused
    assert "Merci. Pas d'alerte." in thanked
    assert "plongée" in where


def test_a_phone_that_belongs_to_no_plan_is_answered_in_the_language_of_the_club(stage: Stage) -> None:
    """English unless the club has chosen."""
    [answer] = stage.text(STRANGER, "STATUS")

    assert "no open dive for this phone" in answer
