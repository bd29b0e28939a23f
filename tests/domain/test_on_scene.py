"""Who is at the site for rescue to meet, and what they and the others are told."""

from __future__ import annotations

import pytest

from service.domain.dive import commands as do
from service.domain.dive.events import OnScene
from service.domain.place.position import Position
from service.domain.wording import MessageKind
from tests.domain.builders import ADMIN, PLAN, RAISE_BY, RESCUE, at, contact, diver, filed, kinds, overdue


def test_a_contact_on_scene_is_noted_once_and_the_other_alerted_ones_hear_it() -> None:
    """So that rescue has somebody to meet; who was never alerted is not woken for it."""
    story = overdue(RAISE_BY + 5)

    drafts = story.said(do.ReportOnScene(contact(words="ON SCENE")), at(RAISE_BY + 6))

    assert [(draft.to.key, draft.kind) for draft in drafts] == [
        ("contact-0", MessageKind.REPLY),
        ("contact-1", MessageKind.OTHER),
    ]
    assert "noted, you are at the site. Stay out of the water." in drafts[0].text
    assert drafts[1].text.endswith("Cleo Marsh is at the site for dive 7K since 11:11. Nobody has called rescue yet.")
    assert [(told.key, told.at) for told in story.dive.on_scene] == [("contact-0", at(RAISE_BY + 6))]
    again = story.does(do.ReportOnScene(contact(words="ON SCENE")), at(RAISE_BY + 7))
    assert kinds(again) == ["refused: on_scene_already"]
    story.does(do.ReportOnScene(ADMIN), at(RAISE_BY + 8))
    assert [told.key for told in story.dive.on_scene] == ["contact-0", "admin-1"]


def test_on_scene_does_not_outlive_the_end() -> None:
    """Raised again, nobody is known to be there."""
    story = overdue(RAISE_BY)
    story.does(do.ReportOnScene(contact(words="ON SCENE")), at(RAISE_BY + 1))
    story.does(do.ReportSafe(contact(words="SAFE 2"), 2), at(RAISE_BY + 2))
    story.does(do.RaiseNow(diver("SOS")), at(RAISE_BY + 9))

    assert story.dive.on_scene == ()
    assert any(isinstance(event, OnScene) for event in story.events)


@pytest.mark.parametrize("called", [False, True], ids=["not called", "called"])
@pytest.mark.parametrize("drill", [False, True], ids=["real", "drill"])
def test_whoever_is_at_the_site_knows_whether_rescue_was_called(*, drill: bool, called: bool) -> None:
    """To be told where to meet rescue sounds as if it were on its way."""
    story = filed(PLAN, drill=drill)
    story.does(do.Start(diver("IN 2")), at())
    story.runs_to(at(RAISE_BY))
    if called:
        story.does(do.ReportCalled(contact(0)), at(RAISE_BY + 1))

    answer, *_ = story.said(do.ReportOnScene(contact(0, "ON SCENE")), at(RAISE_BY + 2))

    assert "Stay out of the water." in answer.text
    assert ("Nobody has called rescue yet." in answer.text) is (not called and not drill)
    assert (f"In doubt call {RESCUE}" in answer.text) is (not called and not drill)
    assert ("meet you" in answer.text) is called
    assert drill is ("In a real alarm" in answer.text)


def test_a_contact_who_texts_a_position_is_told_what_it_is_taken_for() -> None:
    """Their own place, taken for the divers', would move the search."""
    story = overdue(RAISE_BY)

    drafts = story.said(do.ReportFix(contact(words="AT 47.12,-20.54"), Position(47.12, -20.54)), at(RAISE_BY + 1))

    assert drafts[-1].to.key == "contact-0"
    assert drafts[-1].text == (
        "Skerry Bay Divers: position 47.12000,-20.54000 noted as where they were last seen, dive 7K."
        " Your own place? Text ON SCENE 7K"
    )
