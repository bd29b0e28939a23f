"""How an exercise ends at the desk: wherever it stands, with its own words, and never a dive that is none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from service.domain.dive import Phase
from service.domain.dive import commands as do
from service.domain.dive.events import Outcome
from service.domain.people import Actor, Channel, Role, Via
from service.domain.wording.drafts import MessageKind
from tests.domain.builders import DISTRESS, PLAN, RAISE_BY, Story, at, contact, diver, filed, kinds

EDDA = Actor(Role.ADMIN, "Edda Rowe", Via.PAGE, key="admin-1", words="End the drill")
REAL = do.EndDrill(EDDA, real_alarm=True)


def started(minutes: float, *, drill: bool = True) -> Story:
    """A dive that runs for so long."""
    story = filed(drill=drill)
    story.does(do.Start(diver("IN 2")), at())
    story.does(do.NoteHanded("start_notice", "contact-0"), at(seconds=2))
    story.runs_to(at(minutes))
    return story


STANDS: dict[str, Callable[[], Story]] = {
    "not started": lambda: filed(drill=True),
    "in the water": lambda: started(10),
    "overdue": lambda: started(RAISE_BY - 5),
    "alarm is up": lambda: started(RAISE_BY + 1),
    "distress": lambda: started(DISTRESS + 1),
}


@pytest.mark.parametrize("stand", STANDS)
def test_an_exercise_ends_wherever_it_stands(stand: str) -> None:
    """Nobody is in the water, so no count and no code is asked for."""
    story = STANDS[stand]()

    assert kinds(story.does(do.EndDrill(EDDA), at(100))) == ["Closed"]
    assert story.dive.phase is Phase.CLOSED
    assert story.dive.outcome is Outcome.CALLED_OFF
    assert story.dive.closed_by == EDDA


@pytest.mark.parametrize("minute", [101, 300])
def test_an_exercise_that_is_over_is_not_opened_again(minute: float) -> None:
    """Nothing would end it any more: neither its time nor a real alarm. Whoever is in earnest hears whom to call."""
    story = started(RAISE_BY + 1)
    story.does(do.EndDrill(EDDA), at(100))

    decision = story.does(do.RaiseNow(diver("SOS")), at(minute))

    assert kinds(decision) == ["refused: drill_over"]
    assert isinstance(decision, do.Refusal)
    assert "This exercise is over; no alarm went out. No exercise? Call rescue: 07700 900999" in decision.words
    assert story.dive.phase is Phase.CLOSED


@pytest.mark.parametrize("minute", [0.5, RAISE_BY + 1, DISTRESS + 1])
def test_a_real_dive_never_ends_like_an_exercise(minute: float) -> None:
    """Whatever asks for it, and whatever the mistake: its clock runs on."""
    story = started(minute, drill=False)
    before = story.dive

    assert kinds(story.does(REAL, at(100))) == ["refused: no_drill"]
    assert story.dive == before


def test_a_plan_that_is_not_started_never_ends_like_an_exercise() -> None:
    """Nor before anybody went in."""
    assert kinds(filed().does(REAL, at(5))) == ["refused: no_drill"]


def test_everybody_who_was_told_hears_exercise_first_and_why_it_is_over() -> None:
    """Who may be needed next must not think that the real alarm is called off."""
    story = started(RAISE_BY + 1)
    told = story.said(REAL, at(70))

    assert {draft.kind for draft in told} == {MessageKind.STAND_DOWN}
    assert {draft.to.key for draft in told} >= {"diver-0", "contact-0", "contact-1"}
    for draft in told:
        assert draft.text.startswith(
            "EXERCISE. Skerry Bay Divers: the exercise is over because of a real alarm. Said by Edda Rowe 11:10."
        ), draft.text


def test_one_that_is_simply_over_says_so() -> None:
    """Without a word of any alarm."""
    told = started(10).said(do.EndDrill(EDDA), at(12))

    assert told
    for draft in told:
        assert draft.text.startswith("EXERCISE. Skerry Bay Divers: the exercise is over. Said by Edda Rowe")


def test_it_is_said_in_every_way_and_language() -> None:
    """By call and by e-mail too, the mark first."""
    ashore = replace(
        PLAN.contacts[0], language="de", email="cleo@skerry.example", channels=(Channel.CALL, Channel.EMAIL)
    )
    story = filed(replace(PLAN, contacts=(ashore,)), drill=True, calls=True)
    story.does(do.Start(diver("IN 2")), at())
    story.runs_to(at(RAISE_BY + 1))

    told = {draft.channel: draft for draft in story.said(REAL, at(70)) if draft.to.key == "contact-0"}

    assert set(told) == {Channel.CALL, Channel.EMAIL}
    assert "die Übung ist vorbei, denn es gibt einen echten Alarm." in told[Channel.CALL].text
    assert told[Channel.EMAIL].subject is not None
    assert told[Channel.EMAIL].subject.startswith("EXERCISE")
    assert "echten Alarm" in told[Channel.EMAIL].text


def test_an_answer_after_it_is_told_that_it_is_over() -> None:
    """Who texts OK late is not left with the thought of an alarm."""
    story = started(RAISE_BY + 1)
    story.does(do.EndDrill(EDDA), at(70))

    assert kinds(story.does(do.Acknowledge(contact(0)), at(71))) == ["refused: closed"]
