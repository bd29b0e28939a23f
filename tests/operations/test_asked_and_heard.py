"""A text that is asked about ends nothing, and says that somebody had their phone in the hand: rescue wants that."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.dive import Dive
from service.operations.plan_reading import NamedPhone
from tests.operations.stage import ANNA, BRAM, CLEO, EDDA, STRANGER, Stage, plan

MAYBE = "maybe about another dive. This one is not over."


def two_dives(stage: Stage) -> tuple[Dive, Dive]:
    """Anna leads both, half an hour apart, so that each may be what she speaks of."""
    first = stage.dive_in()
    stage.sleep(30)
    return first, stage.dive_in()


def others_dive(stage: Stage) -> Dive:
    """One of which Anna is only the contact."""
    by_dov = plan(lead=NamedPhone("Dov Perl", STRANGER), party=(), contacts=(NamedPhone("Anna Holt", ANNA),))
    return stage.dive_in(by_dov)


@pytest.mark.parametrize("words", ["OUT", "OUT 2", "LATE 20", "NOGO", "AT 50.12345,-5.54321", "all fine here"])
def test_what_is_asked_about_is_the_last_that_was_heard_of_each_dive_that_it_may_mean(stage: Stage, words: str) -> None:
    """The alarm said that nothing was heard since the IN, though a phone of theirs was in a hand ten minutes before."""
    first, second = two_dives(stage)
    stage.sleep(30)
    asked_at = stage.clock.at

    [answer] = stage.text(ANNA, words)

    assert "which dive? Nothing changed." in answer
    for dive in (first, second):
        heard = stage.dive(dive.id).last_heard
        assert heard is not None
        assert (heard.at, heard.words, heard.asked_which) == (asked_at, words, True)
        assert stage.dive(dive.id).live
    stage.wait(minutes=10)
    assert f'Last heard 11:00 Anna Holt: "{words}", {MAYBE}' in stage.to(CLEO)[-1]
    end(stage, first, second)


def end(stage: Stage, *each: Dive) -> None:
    """They are out, and say of which dive."""
    for dive in each:
        stage.text(ANNA, f"OUT 2 {dive.reference}")
        assert not stage.dive(dive.id).live


def test_an_alarm_that_is_up_passes_the_words_on_with_what_they_did_not_do(stage: Stage) -> None:
    """An OUT that is quoted alone reads like an end."""
    first, second = two_dives(stage)
    stage.wait(minutes=36)
    assert stage.dive(first.id).alarmed

    stage.text(ANNA, "OUT")

    said = stage.last_to(CLEO)
    assert 'Anna Holt says "OUT".' in said
    assert "It may be about another dive, and they are asked which. The alarm stands." in said
    end(stage, first, second)
    assert stage.dive(first.id).last_heard is not None


def test_a_word_that_is_understood_takes_its_place(stage: Stage) -> None:
    """Then nothing is in doubt any more."""
    first, second = two_dives(stage)
    stage.text(ANNA, "OUT")
    stage.sleep(1)

    stage.text(ANNA, f"LATE 20 {first.reference}")

    heard = stage.dive(first.id).last_heard
    assert heard is not None
    assert not heard.asked_which
    end(stage, first, second)


def test_nobody_elses_dive_is_spoken_for(stage: Stage) -> None:
    """What the contact of a dive texts about it is not the last word of those who dive."""
    own, watched = stage.dive_in(), others_dive(stage)

    stage.text(ANNA, "SAFE 1")

    assert (heard := stage.dive(own.id).last_heard) is not None
    assert heard.asked_which
    assert (heard := stage.dive(watched.id).last_heard) is not None
    assert (heard.name, heard.asked_which) == ("Dov Perl", False)
    stage.text(ANNA, f"OUT 2 {own.reference}")
    stage.text(STRANGER, "OUT")


def test_a_question_is_no_word_of_the_dive(stage: Stage) -> None:
    """STATUS of one dive is not kept either."""
    first, second = two_dives(stage)
    before = stage.dive(first.id).last_heard

    stage.text(BRAM, "STATUS")

    assert stage.dive(first.id).last_heard == before
    end(stage, first, second)


def test_what_lay_somewhere_was_said_when_it_was_said(stage: Stage) -> None:
    """A phone that was in a hand forty minutes ago may be under water now; and it takes no later word's place."""
    first, second = two_dives(stage)
    stage.sleep(10)
    said_at = stage.clock.at - timedelta(minutes=8)
    stage.text(BRAM, "cold here")
    later = stage.dive(first.id).last_heard

    stage.text(ANNA, "OUT", received_at=said_at)
    assert stage.dive(first.id).last_heard == later
    stage.sleep(30)
    stage.text(BRAM, "still cold", received_at=stage.clock.at - timedelta(minutes=20))

    heard = stage.dive(first.id).last_heard
    assert heard is not None
    assert (heard.words, heard.at) == ("still cold", stage.clock.at - timedelta(minutes=20))
    end(stage, first, second)


@pytest.mark.parametrize("words", ["1 out", "late 10", "at 47.12345,-20.54321", "sos leg cramp"])
def test_whatever_lay_somewhere_was_said_when_it_was_said(stage: Stage, words: str) -> None:
    """A count or a delay that a carrier kept for twenty minutes is no word of just now, in no alarm that quotes it."""
    dive = stage.dive_in()
    stage.sleep(30)
    said_at = stage.clock.at - timedelta(minutes=20)

    stage.text(ANNA, words, received_at=said_at)

    heard = stage.dive(dive.id).last_heard
    assert heard is not None
    assert (heard.words, heard.at) == (words, said_at)
    stage.text(BRAM, "cold here")
    later = stage.dive(dive.id).last_heard
    stage.text(ANNA, words, received_at=stage.clock.at - timedelta(minutes=2))
    assert stage.dive(dive.id).last_heard == later
    stage.text(ANNA, "out 2")


def test_words_of_a_contact_leave_the_last_of_the_divers_as_they_were(stage: Stage) -> None:
    """That theirs may be about another dive is said still, once somebody ashore has texted what nobody understands."""
    first, second = stage.dive_in(), stage.dive_in(plan(contacts=(NamedPhone("Edda Finch", EDDA),)))
    stage.text(ANNA, "OUT")
    before = stage.dive(first.id).last_heard
    assert before is not None
    assert before.asked_which

    stage.text(CLEO, "what is this")

    assert stage.kinds(first).count("event:heard") == 2
    assert stage.dive(first.id).last_heard == before
    end(stage, first, second)
