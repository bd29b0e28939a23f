"""A text takes back that rescue was called: of the right dive, before what waits, and while the database is gone."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.dive import Dive, Phase
from service.operations.alarm_endings import Ending, alarm_of
from service.operations.gateway import Blame, InboundText
from service.operations.outage_journal import Told
from service.store.figures import AlarmedDive, Trace
from tests.operations.away import Keeping, armed, gone
from tests.operations.stage import (
    ANNA,
    BEGIN_AT,
    BRAM,
    CLEO,
    DOV,
    FINN,
    OURS,
    Behaviour,
    Stage,
    accept,
    plan,
    plan_of,
    refuse,
)
from tests.operations.test_called_meanwhile import CALLED, alarmed
from tests.operations.test_called_then_gone import called
from tests.operations.test_figures import of
from tests.operations.test_over_then_gone import SOS, over
from tests.operations.test_overtaken import FROM_A_CALL, ends_with, followed, slow

SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)
SAID_OF_RESCUE = ("event:alarm_raised", "event:rescue_called", "event:called_taken_back")
NOT_CALLED, AGAIN = "RESCUE NOT CALLED AFTER ALL, CALL NOW", "CALL RESCUE NOW"


def in_distress(stage: Stage) -> Dive:
    """A dive in distress for which Cleo has said that rescue was called, twenty minutes ago."""
    dive = stage.dive_in()
    stage.wait(minutes=50 + 30 + 1)
    stage.text(CLEO, f"CALLED 4711 {dive.reference}")
    stage.wait(minutes=20)
    return dive


def test_everybody_hears_it_at_once_and_again_every_ten_minutes(stage: Stage) -> None:
    """The repeats count from there; CALLED ends them once more."""
    in_distress(stage)
    before = len(stage.to(DOV))

    answers = stage.text(CLEO, "NOT CALLED")
    stage.wait(minutes=21)

    assert "noted, rescue NOT called. Call" in answers[0]
    heard = stage.to(DOV)[before:]
    assert [any(words in body for words in (NOT_CALLED, AGAIN)) for body in heard] == [True, True, True]
    assert NOT_CALLED in heard[0]
    assert any("Rescue was not called after all." in body for body in stage.to(ANNA))
    stage.text(DOV, "CALLED")
    told = len(stage.journal)
    stage.wait(minutes=25)
    assert len(stage.journal) == told
    stage.text(ANNA, "out 2")


def test_the_admins_are_handed_up_what_nobody_has_called_for(quick_stage: Stage) -> None:
    """It had been due while all believed that rescue was called."""
    stage = quick_stage
    in_distress(stage)
    stage.wait(minutes=20)
    assert not any("NOT CALLED" in body for body in stage.to(FINN))

    stage.text(DOV, "NOT CALLED")
    stage.wait(minutes=1)

    assert "RESCUE NOT CALLED AFTER ALL. Dive" in stage.last_to(FINN)
    stage.text(ANNA, "out 2")


@FROM_A_CALL
def test_that_it_was_called_is_followed_by_the_alarm_where_a_gateway_took_it_later(
    quick_stage: Stage, ends: Behaviour
) -> None:
    """Whoever has it last would rely on a rescue that nobody has called."""
    stage = quick_stage
    dive_id = alarmed(stage)
    stage.receive_and_answer(DOV, "CALLED")

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(DOV, "NOT CALLED"), ends)
    stage.wait(2 * MINUTE, step=5 * SECOND)

    assert ends_with(stage, CLEO, NOT_CALLED, CALLED, NOT_CALLED)
    assert followed(stage, dive_id, "alarm_again") == ["contact-0"]
    stage.text(ANNA, "out 2")


def test_that_it_was_called_is_not_told_any_more_once_it_is_taken_back(quick_stage: Stage) -> None:
    """It lies with a gateway that refuses it, and would take it a moment later."""
    stage = quick_stage
    alarmed(stage)
    stage.receive_and_answer(DOV, "CALLED")

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(DOV, "NOT CALLED"), refuse(Blame.TRANSIENT))
    stage.wait(2 * MINUTE, step=5 * SECOND)

    assert not any(CALLED in body for body in stage.to(CLEO))
    assert NOT_CALLED in stage.last_to(CLEO)
    stage.text(ANNA, "out 2")


def test_that_it_was_not_is_not_told_any_more_once_somebody_calls(quick_stage: Stage) -> None:
    """Nobody is sent to call who would be the second."""
    stage = quick_stage
    alarmed(stage)
    stage.receive_and_answer(DOV, "CALLED")
    stage.courier.carry()
    stage.receive_and_answer(DOV, "NOT CALLED")
    stage.receive_and_answer(DOV, "CALLED 4711")

    stage.wait(MINUTE, step=5 * SECOND)

    assert not any(NOT_CALLED in body for body in stage.to(CLEO))
    assert "incident 4711" in stage.last_to(CLEO)
    stage.text(ANNA, "out 2")


# Whose, of which dive


def two_alarms(stage: Stage) -> tuple[Dive, Dive]:
    """Two dives of which Cleo and Dov are the contacts, both in distress."""
    one, other = stage.dive_in(), stage.dive_in(plan_of(1, (CLEO, DOV)))
    stage.wait(minutes=50 + 30 + 1)
    return one, other


def test_the_wrong_one_of_two_is_taken_back_without_its_reference(quick_stage: Stage) -> None:
    """It is the only one of which their word stands."""
    stage = quick_stage
    one, other = two_alarms(stage)
    stage.text(CLEO, f"CALLED {other.reference}")
    stage.text(DOV, f"CALLED {one.reference}")

    stage.text(CLEO, "NOT CALLED")

    assert stage.dive(other.id).called_at is None
    assert stage.dive(one.id).called_at is not None


def test_where_it_may_be_either_it_is_asked_which(quick_stage: Stage) -> None:
    """With the text for each; until then nothing is taken back."""
    stage = quick_stage
    one, other = two_alarms(stage)
    for dive in (one, other):
        stage.text(CLEO, f"CALLED {dive.reference}")

    [answer] = stage.text(CLEO, "NOT CALLED")

    assert f"NOT CALLED {one.reference}" in answer
    assert f"NOT CALLED {other.reference}" in answer
    assert all(stage.dive(dive.id).called_at is not None for dive in (one, other))


def test_it_is_not_of_the_alarm_that_is_over(quick_stage: Stage) -> None:
    """Of a closed dive nothing is taken back: the alarm that is up is meant, or asked about."""
    stage = quick_stage
    one, other = two_alarms(stage)
    stage.text(CLEO, f"CALLED {one.reference}")
    stage.text(CLEO, f"CALLED {other.reference}")
    stage.text(CLEO, f"SAFE 2 {one.reference}")

    [answer] = stage.text(CLEO, "NOT CALLED")

    assert f"NOT CALLED {other.reference}" in answer
    assert stage.dive(other.id).called_at is not None


def test_an_admin_who_has_not_heard_of_the_alarm_names_it(quick_stage: Stage) -> None:
    """As for every answer of theirs; then it is a doubt as that of anybody else."""
    stage = quick_stage
    dive = in_distress(stage)

    [asked] = stage.text(FINN, "NOT CALLED")
    assert f"NOT CALLED {dive.reference}" in asked
    assert stage.dive(dive.id).called_at is not None

    stage.text(FINN, f"NOT CALLED {dive.reference}")
    assert stage.dive(dive.id).called_at is None
    assert "says rescue was not called; Cleo Marsh said" in stage.last_to(CLEO)


def test_who_says_it_of_themselves_hears_who_has_called(quick_stage: Stage) -> None:
    """Their text is no doubt; it is in the log, and answered."""
    stage = quick_stage
    dive = in_distress(stage)

    [answer] = stage.text(DOV, "I have not called yet")

    assert "by Cleo Marsh. In doubt call" in answer
    assert stage.dive(dive.id).called_at is not None


def test_not_understood_it_is_told_what_to_text(quick_stage: Stage) -> None:
    """In whatever words."""
    stage = quick_stage
    dive = in_distress(stage)

    [answer] = stage.text(DOV, "they say nobody called them")

    assert f"Rescue not called? Text NOT CALLED {dive.reference}." in answer


@pytest.mark.parametrize("sender", [BRAM, ANNA])
def test_a_diver_may_say_it_too(quick_stage: Stage, sender: str) -> None:
    """Who is out and at the road may know best."""
    stage = quick_stage
    dive = in_distress(stage)

    stage.text(sender, "coastguard was not called")

    assert stage.dive(dive.id).called_at is None
    assert NOT_CALLED in stage.last_to(DOV)


# While the database is gone


def test_it_is_heard_in_the_outage(keeping_on_both: Keeping) -> None:
    """The others are alarmed from the snapshot, the repeats go on from it, and the record has it afterwards."""
    stage = keeping_on_both.stage
    dive = called(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.hears(CLEO, "NOT CALLED")
        assert NOT_CALLED in stage.last_to(DOV)
        before = len(stage.to(DOV))
        keeping_on_both.without(minutes=11)
        assert len(stage.to(DOV)) == before + 1
        told = [one for one in keeping_on_both.journal if isinstance(one, Told)]
        assert any(one.kind == 0 and "uncalled-" in one.step for one in told)
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).called_at is None
    stage.text(ANNA, "OUT")


def test_said_and_taken_back_in_the_outage_it_is_merged_in_that_order(keeping_on_both: Keeping) -> None:
    """Of a dive that an SOS opens again in the outage: the record has the call for help, then both words for rescue."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        keeping_on_both.spooled(ANNA, SOS)
        keeping_on_both.without(minutes=1)
        keeping_on_both.spooled(CLEO, f"CALLED 4711 {dive.reference}")
        keeping_on_both.without(minutes=1)
        assert CALLED in stage.last_to(DOV)
        keeping_on_both.spooled(CLEO, "NOT CALLED")
        keeping_on_both.without(minutes=1)
        assert NOT_CALLED in stage.last_to(DOV)
    keeping_on_both.look()
    stage.turn()

    after = stage.dive(dive.id)
    assert (after.phase, after.called_at) == (Phase.DISTRESS, None)
    assert [(one.call.by.key, one.call.reference) for one in after.taken_back] == [("contact-0", "4711")]
    # The call for help is there twice: as the keeper told it, and by its text.
    assert [kind for kind in stage.kinds(dive) if kind in SAID_OF_RESCUE] == [SAID_OF_RESCUE[0], *SAID_OF_RESCUE]
    assert NOT_CALLED in [body for body in stage.to(DOV) if CALLED in body or NOT_CALLED in body][-1]
    stage.text(ANNA, "OUT")


@pytest.mark.parametrize("again", [False, True], ids=["by one keeper", "by one that is started again"])
@pytest.mark.parametrize(
    ("words", "untrue", "true"),
    [
        (("NOT CALLED", "CALLED 4711", "NOT CALLED"), CALLED, NOT_CALLED),
        (("NOT CALLED", "CALLED 4711"), NOT_CALLED, CALLED),
    ],
    ids=["not called", "called"],
)
def test_what_no_longer_holds_is_not_told_in_the_outage(
    keeping: Keeping, words: tuple[str, ...], untrue: str, true: str, *, again: bool
) -> None:
    """It waits with gateways that refuse it: only what was said last of rescue goes when they take texts."""
    stage = keeping.stage
    called(keeping)
    with gone(stage.engine):
        keeping.without(minutes=3)
        refusing(stage, refuse(Blame.TRANSIENT))
        before = len(stage.to(DOV))
        for word in words:
            keeping.spooled(CLEO, word)
            keeping.without(seconds=10)
        if again:
            keeping.start_again()
        refusing(stage, accept)
        keeping.without(minutes=2)
        heard = stage.to(DOV)[before:]
        assert not any(untrue in body for body in heard)
        assert any(true in body for body in heard)
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def refusing(stage: Stage, usually: Behaviour) -> None:
    """What both gateways do from now on."""
    stage.first.usually = stage.second.usually = usually


# What the figures make of it


def test_an_alarm_for_which_nobody_called_in_the_end_is_a_false_one(quick_stage: Stage) -> None:
    """As if it had not been said; and where another's word stood, rescue was called."""
    stage = quick_stage
    for number, takes_back in ((0, (CLEO, DOV)), (1, (CLEO,))):
        dive = stage.dive_in(plan_of(number, (CLEO, DOV)) if number else plan())
        stage.wait(minutes=50 + 30 + 1)
        for sender in (CLEO, DOV):
            stage.text(sender, f"CALLED {dive.reference}")
        for sender in takes_back:
            stage.text(sender, f"NOT CALLED {dive.reference}")
        stage.text(CLEO, f"SAFE {dive.head_count} {dive.reference}")

    assert of(stage).endings == {Ending.CONTACT_SAFE: 1, Ending.RESCUE_CALLED: 1}


@pytest.mark.parametrize(
    ("kinds", "ending"),
    [
        (("rescue_called", "called_taken_back", "closed"), Ending.PARTY_OUT),
        (("rescue_called", "called_taken_back", "rescue_called", "closed"), Ending.RESCUE_CALLED),
        (("rescue_called", "closed", "alarm_raised", "rescue_called", "called_taken_back"), Ending.RESCUE_CALLED),
    ],
    ids=["taken back", "called again", "in a second alarm"],
)
def test_by_the_log_alone_the_last_word_counts_and_the_first_alarm(kinds: tuple[str, ...], ending: Ending) -> None:
    """Kinds and times are left once personal detail is erased."""
    after = [BEGIN_AT + place * MINUTE for place in range(len(kinds) + 1)]
    traces = [
        Trace(at, f"event:{kind}", None, None, None) for at, kind in zip(after, ("alarm_raised", *kinds), strict=True)
    ]
    dive = AlarmedDive("d1", BEGIN_AT, BEGIN_AT, BEGIN_AT, after[-1], "surfaced")

    alarm = alarm_of(dive, traces)

    assert alarm is not None
    assert alarm.ending is ending


def test_the_hand_up_of_the_outage_says_it(keeping_on_both: Keeping) -> None:
    """The admins hear first of all that those who waited for rescue waited for nothing."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        keeping_on_both.spooled(CLEO, f"CALLED {dive.reference}")
        keeping_on_both.without(minutes=1)
        keeping_on_both.spooled(CLEO, "NOT CALLED")
        keeping_on_both.without(minutes=70)
        [words] = [body for body in stage.to(FINN) if "NOT CONFIRMED" in body]
        assert f"SERVICE FAULT, NOT CONFIRMED. OVERDUE: {NOT_CALLED}: Anna Holt" in words
    keeping_on_both.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_one_that_lay_in_the_spool_takes_back_nothing_that_was_said_after_it(keeping_on_both: Keeping) -> None:
    """Said before Cleo called, found when the database is back: in the outage and in the record her word stands."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        said_at = stage.clock.at
        keeping_on_both.without(minutes=5)
        keeping_on_both.spooled(CLEO, f"CALLED {dive.reference}")
        keeping_on_both.without(minutes=5)
        lay = InboundText("first", "lay", DOV, OURS, f"NOT CALLED {dive.reference}", {}, said_at)
        keeping_on_both.spool.keep(lay)
        keeping_on_both.without(minutes=1)
        assert not any(NOT_CALLED in body for body in stage.to(CLEO))
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).called_at is not None
    stage.text(ANNA, "OUT")
