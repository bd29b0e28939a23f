"""Whoever has heard that rescue was called is told by no older text that nobody has called."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest

from service.domain.dive import Phase
from service.operations.gateway import Blame, Outcome, Outgoing
from service.store.outbox import Message
from tests.operations.stage import ANNA, CLEO, DOV, Behaviour, ScriptedGateway, Stage, accept, refuse
from tests.operations.test_handing_over import on_the_pile
from tests.operations.test_overtaken import FROM_A_CALL, ends_with, followed, slow

SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)
DENIED, CALLED = "Nobody has called rescue yet", "RESCUE CALLED"
ANSWERS = pytest.mark.parametrize("answer", ["OK", "ON SCENE"])


def alarmed(stage: Stage) -> str:
    """A dive in alarm, of which both contacts were alerted; its id."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.wait(dive.raise_by_at + 6 * MINUTE - stage.clock.at)
    return dive.id


def denials(stage: Stage, dive_id: str) -> list[Message]:
    """The messages that say that nobody has called."""
    return [one for one in stage.messages(dive_id) if DENIED in one.body]


def told_denials(stage: Stage) -> list[str]:
    """What gateways took of them."""
    return [one.body for one in stage.journal if DENIED in one.body]


@ANSWERS
def test_what_waits_when_rescue_is_called_is_given_up(stage: Stage, answer: str) -> None:
    """Dov answers and calls at once; a text that denies it is less urgent, and would come behind."""
    dive_id = alarmed(stage)
    stage.receive_and_answer(DOV, answer)
    stage.receive_and_answer(DOV, "CALLED")

    stage.wait(MINUTE, step=5 * SECOND)

    assert CALLED in stage.last_to(CLEO)
    assert told_denials(stage) == []
    assert {(one.state, one.failed_reason) for one in denials(stage, dive_id)} == {
        ("expired", "its dive moved on first")
    }
    stage.text(ANNA, "out 2")


@ANSWERS
def test_what_was_in_a_call_that_failed_when_rescue_was_called_is_not_tried_again(stage: Stage, answer: str) -> None:
    """A gateway refuses it after that, and would take it a moment later."""
    dive_id = alarmed(stage)
    stage.receive_and_answer(DOV, answer)

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(DOV, "CALLED"), refuse(Blame.TRANSIENT))
    stage.wait(2 * MINUTE, step=5 * SECOND)

    assert ends_with(stage, CLEO, CALLED)
    assert [one for one in denials(stage, dive_id) if one.person_key == "contact-0" and one.handed_at] == []
    stage.text(ANNA, "out 2")


@FROM_A_CALL
@ANSWERS
def test_what_a_gateway_took_after_rescue_was_called_is_followed_by_that_news(
    stage: Stage, answer: str, ends: Behaviour
) -> None:
    """Nobody can call it back, so that Cleo hears once more that rescue was called."""
    dive_id = alarmed(stage)
    stage.receive_and_answer(DOV, answer)

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(DOV, "CALLED"), ends)
    stage.wait(2 * MINUTE, step=5 * SECOND)

    assert ends_with(stage, CLEO, CALLED, DENIED, CALLED)
    assert followed(stage, dive_id, "called_again") == ["contact-0"]
    stage.text(ANNA, "out 2")


def test_what_has_not_left_is_not_put_back_once_rescue_was_called(stage: Stage) -> None:
    """It lay with a courier whose gateway hangs."""
    dive_id = alarmed(stage)
    stage.receive_and_answer(DOV, "OK")
    claims, claimed = on_the_pile(stage)
    stage.receive_and_answer(DOV, "CALLED")

    claims.take_back(claimed.parcels)
    stage.wait(MINUTE, step=5 * SECOND)

    assert CALLED in stage.last_to(CLEO)
    assert told_denials(stage) == []
    assert {one.state for one in denials(stage, dive_id)} == {"expired"}
    stage.text(ANNA, "out 2")


@FROM_A_CALL
def test_what_a_gateway_took_after_the_end_is_followed_by_the_stand_down(stage: Stage, ends: Behaviour) -> None:
    """By that text somebody would call rescue for a dive that is over."""
    alarmed(stage)
    stage.receive_and_answer(DOV, "OK")

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(ANNA, "OUT 2"), ends)
    stage.wait(2 * MINUTE, step=5 * SECOND)

    assert ends_with(stage, CLEO, "It is over", DENIED, "It is over")


def test_who_acts_is_told_until_rescue_is_called_and_after_it_with_that_news(stage: Stage) -> None:
    """Only what is not so any more is given up: an answer between two who call, and one after them, arrives."""
    alarmed(stage)
    stage.text(DOV, "OK")
    stage.receive_and_answer(DOV, "CALLED")
    stage.receive_and_answer(CLEO, "OK")
    stage.receive_and_answer(CLEO, "CALLED")

    stage.wait(MINUTE, step=5 * SECOND)

    assert len(told_denials(stage)) == 1
    assert any("Cleo Marsh has the alarm" in body and "Rescue was called" in body for body in stage.to(DOV))
    stage.text(ANNA, "out 2")


def crossing(stage: Stage, ends: Callable[[ScriptedGateway, Outgoing], Outcome]) -> str:
    """The news that rescue was called is in a call to Cleo while the dive ends and help is called for again."""
    dive_id = alarmed(stage)
    stage.receive_and_answer(DOV, "CALLED")

    def over_and_again() -> None:
        stage.receive_and_answer(ANNA, "OUT 2")
        stage.clock.at += SECOND
        stage.receive_and_answer(ANNA, "SOS")

    slow(stage, (CLEO,), over_and_again, ends)
    stage.wait(MINUTE, step=5 * SECOND)
    assert stage.dive(dive_id).phase is not Phase.CLOSED
    return dive_id


def test_that_rescue_was_called_is_not_told_again_in_an_alarm_for_which_nobody_has(stage: Stage) -> None:
    """It was called for the first alarm, which is over."""
    crossing(stage, refuse(Blame.TRANSIENT))

    assert ends_with(stage, CLEO, "ALARM AGAIN")
    assert not any(CALLED in body for body in stage.to(CLEO))
    stage.text(ANNA, "out 2")


def test_that_rescue_was_called_is_followed_by_the_alarm_for_which_nobody_has(stage: Stage) -> None:
    """They would rely on rescue that was sent home."""
    dive_id = crossing(stage, accept)

    assert ends_with(stage, CLEO, "ALARM AGAIN", CALLED, "ALARM AGAIN")
    assert "contact-0" in followed(stage, dive_id, "alarm_again")
    stage.text(ANNA, "out 2")
