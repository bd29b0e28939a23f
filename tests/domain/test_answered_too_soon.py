"""An OK from a contact who was told of no alarm: it answers something else, so they are told, and nobody is held up."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import commands as do
from service.domain.grace import Step
from service.domain.people import Actor, Via
from service.domain.wording import MessageKind
from tests.domain.builders import DISTRESS, RAISE_BY, at, contact, diver, in_water, kinds, overdue

FIRST, SECOND, THIRD = contact(0), contact(1, "Got it, thanks"), contact(2)


def test_who_was_not_told_of_the_alarm_gets_it_and_takes_it_with_another_ok() -> None:
    """The first word thanks us for the plan; the second answers the alarm."""
    story = overdue(RAISE_BY)

    told = story.said(do.Acknowledge(SECOND), at(RAISE_BY + 1))

    assert [(draft.to.key, draft.kind) for draft in told if draft.channel == "text"] == [
        (SECOND.key, MessageKind.ALERT)
    ]
    assert "OVERDUE: Anna Holt" in told[0].text
    assert "due out 10:50" in told[0].text
    assert "Reply OK 7K" in told[0].text
    assert not story.dive.acknowledged

    assert kinds(story.does(do.Acknowledge(SECOND), at(RAISE_BY + 2))) == ["Acknowledged"]


def test_the_same_word_twice_at_once_is_one_word() -> None:
    """A text that a carrier doubles answers no alarm that went out by its first copy."""
    story = overdue(RAISE_BY)
    story.does(do.Acknowledge(SECOND), at(RAISE_BY + 1))

    assert story.does(do.Acknowledge(SECOND), at(RAISE_BY + 1)) == ()
    assert not story.dive.acknowledged


def test_the_search_for_a_contact_goes_on() -> None:
    """Nobody has the alarm, so the next who does not know of it is told when nobody answers."""
    story = overdue(RAISE_BY)
    story.does(do.Acknowledge(SECOND), at(RAISE_BY + 1))

    story.runs_to(at(RAISE_BY + 6))

    assert story.steps()[-2:] == [Step.NEXT_CONTACT, Step.NEXT_CONTACT]
    assert story.dive.alerted_keys() == {FIRST.key, SECOND.key, THIRD.key}


@pytest.mark.parametrize(
    "who",
    [FIRST, replace(SECOND, via=Via.PAGE), replace(SECOND, via=Via.CALL)],
    ids=["told", "on the page", "by a call"],
)
def test_who_knows_of_the_alarm_takes_it_at_once(who: Actor) -> None:
    """Who was alerted, who reads the page of the alarm and who hears it in a call answers that alarm."""
    assert kinds(overdue(RAISE_BY).does(do.Acknowledge(who), at(RAISE_BY + 1))) == ["Acknowledged"]


def test_all_know_of_an_alarm_that_was_raised_or_went_to_all() -> None:
    """SOS and distress go to every contact, and so does the word that rescue was called."""
    raised, called = in_water(), in_water()
    raised.does(do.RaiseNow(diver("SOS")), at(20))
    called.does(do.ReportCalled(FIRST), at(20))

    for story, minute in ((raised, 21), (called, 21), (overdue(DISTRESS), DISTRESS + 1)):
        assert kinds(story.does(do.Acknowledge(SECOND), at(minute))) == ["Acknowledged"]


def test_who_has_declined_and_answers_acts() -> None:
    """They are sent no alarm, so their word is taken as it is."""
    story = overdue(RAISE_BY - 1)
    story.does(do.NoteUnreachable(SECOND.key or "", "declined"), at(RAISE_BY - 1))
    story.runs_to(at(RAISE_BY))

    assert kinds(story.does(do.Acknowledge(SECOND), at(RAISE_BY + 1))) == ["Acknowledged"]
