"""An answer that waits while its dive ends, is opened again or gets graver is not heard after that."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import event

from service.operations.gateway import Blame
from service.operations.sweeping import sweep
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, EDDA, STRANGER, Stage, accept, plan, refuse
from tests.operations.test_called_meanwhile import alarmed
from tests.operations.test_handing_over import on_the_pile
from tests.operations.test_overtaken import ends_with, slow

SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)


def carried(stage: Stage, phone: str) -> list[str]:
    """What reaches a phone of all that waits."""
    before = len(stage.to(phone))
    stage.wait(30 * SECOND, step=5 * SECOND)
    return stage.to(phone)[before:]


def test_whoever_called_rescue_is_not_told_to_wait_for_it_after_the_stand_down(stage: Stage) -> None:
    """The stand-down is more urgent and overtakes the answer."""
    alarmed(stage)
    stage.receive_and_answer(DOV, "CALLED")
    stage.receive_and_answer(ANNA, "OUT 2")

    [only] = carried(stage, DOV)

    assert "It is over" in only
    assert "tell them now that it is over" in only


@pytest.mark.parametrize("asked", ["STATUS", "hello", "OUT 1", "WHERE"])
def test_who_is_told_nothing_of_the_end_gets_how_it_stands_for_an_answer(stage: Stage, asked: str) -> None:
    """No alarm was up and no reminder had gone out, so the other diver would hear nothing at all."""
    dive = stage.dive_in()
    stage.receive_and_answer(BRAM, asked)
    stage.clock.at += SECOND
    stage.receive_and_answer(ANNA, "OUT 2")

    [only] = carried(stage, BRAM)

    assert f"dive {dive.reference}" in only
    assert "over since 10:00" in only
    [anew] = [entry for entry in stage.entries(dive) if entry.kind == "answered_anew"]
    assert anew.detail is not None
    assert [one.id for one in stage.messages(dive.id) if one.step.startswith("standing-anew-")] == [
        anew.detail["message"]
    ]


def test_several_answers_to_one_phone_are_answered_once(stage: Stage) -> None:
    """Each would be the same."""
    stage.dive_in()
    stage.receive_and_answer(BRAM, "STATUS")
    stage.receive_and_answer(BRAM, "hello")
    stage.receive_and_answer(ANNA, "OUT 2")

    assert len(carried(stage, BRAM)) == 1


def test_a_phone_that_opted_out_meanwhile_gets_no_answer_anew(stage: Stage) -> None:
    """Nothing goes to it."""
    stage.dive_in()
    stage.receive_and_answer(BRAM, "STATUS")
    stage.receive_and_answer(BRAM, "STOP")
    stage.receive_and_answer(ANNA, "OUT 2")

    assert carried(stage, BRAM) == []


def test_the_answer_to_the_end_itself_goes_out(stage: Stage) -> None:
    """It is not one of before."""
    stage.dive_in()
    stage.receive_and_answer(ANNA, "STATUS")
    stage.receive_and_answer(ANNA, "OUT 2")

    [only] = carried(stage, ANNA)

    assert "The clock is stopped" in only


def a_second_before_the_alarm(stage: Stage) -> None:
    """Of a dive that was begun as ever."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at - SECOND
    stage.turn()


def test_that_there_is_no_alarm_is_not_heard_after_the_alarm(stage: Stage) -> None:
    """Cleo thanked for the plan in the second before, and would have gone back to bed."""
    a_second_before_the_alarm(stage)
    stage.receive_and_answer(CLEO, "OK")

    [only] = carried(stage, CLEO)

    assert "OVERDUE" in only


def test_who_is_not_alerted_yet_hears_that_the_alarm_is_up(stage: Stage) -> None:
    """In place of a due out and an alarm that were to come."""
    a_second_before_the_alarm(stage)
    stage.receive_and_answer(DOV, "STATUS")

    [only] = carried(stage, DOV)

    assert "ALARM is up since 11:05" in only
    stage.text(ANNA, "OUT 2")


def test_an_answer_that_says_nothing_of_the_alarm_is_left_when_it_comes(stage: Stage) -> None:
    """That an OUT was not taken holds in the alarm as well."""
    a_second_before_the_alarm(stage)
    stage.receive_and_answer(BRAM, "OUT 1")

    assert any("1 of 2 out, 1 missing" in body for body in carried(stage, BRAM))
    stage.text(ANNA, "OUT 2")


def test_who_answers_is_not_told_to_call_rescue_once_it_was_called(stage: Stage) -> None:
    """Dov calls while the answer to Cleo waits."""
    alarmed(stage)
    stage.receive_and_answer(CLEO, "OK")
    stage.receive_and_answer(DOV, "CALLED")

    heard = carried(stage, CLEO)

    assert any("RESCUE CALLED" in body for body in heard)
    assert not any("then text CALLED" in body for body in heard)
    stage.text(ANNA, "OUT 2")


@pytest.mark.parametrize("answer", ["OK", "ON SCENE"])
def test_an_answer_that_a_gateway_took_after_rescue_was_called_is_followed_by_that_news(
    stage: Stage, answer: str
) -> None:
    """It was in a call."""
    alarmed(stage)
    stage.receive_and_answer(CLEO, answer)

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(DOV, "CALLED"), accept)
    carried(stage, CLEO)

    assert "RESCUE CALLED" in stage.last_to(CLEO)
    stage.text(ANNA, "OUT 2")


def test_how_it_stands_is_said_anew_once_rescue_was_called(stage: Stage) -> None:
    """To a diver, who is not told of it."""
    alarmed(stage)
    stage.wait(minutes=30)
    stage.receive_and_answer(BRAM, "STATUS")
    stage.receive_and_answer(DOV, "CALLED")

    [only] = carried(stage, BRAM)

    assert "rescue was called" in only
    stage.text(ANNA, "OUT 2")


def test_that_the_clock_is_stopped_is_not_heard_after_the_alarm_that_opened_the_dive_again(stage: Stage) -> None:
    """OUT, and before its answer has left a contact calls for help."""
    dive = stage.dive_in()
    stage.receive_and_answer(ANNA, "OUT 2")
    stage.receive_and_answer(CLEO, f"SOS {dive.reference}")

    heard = carried(stage, ANNA)

    assert heard
    assert not any("stopped" in body for body in heard)
    assert any("ALARM" in body for body in heard)
    stage.text(ANNA, "OUT 2")


def test_a_stranger_who_asked_by_the_code_is_answered_anew(stage: Stage) -> None:
    """They are nobody of the plan, and asked all the same."""
    dive = stage.dive_in()
    stage.receive_and_answer(STRANGER, f"STATUS {dive.finish_code}")
    stage.receive_and_answer(ANNA, "OUT 2")

    [only] = carried(stage, STRANGER)

    assert "over since" in only


def test_an_answer_anew_is_in_the_language_of_its_reader(stage: Stage) -> None:
    """As every answer is."""
    contacts = plan().contacts
    stage.dive_in(plan(contacts=contacts, party=(plan().party[0].__class__("Bram Vik", BRAM, language="de"),)))
    stage.receive_and_answer(BRAM, "STATUS")
    stage.receive_and_answer(ANNA, "OUT 2")

    [only] = carried(stage, BRAM)

    assert "vorbei seit" in only or "beendet seit" in only or "seit 10:00" in only


def test_an_answer_whose_call_failed_as_the_dive_ended_is_not_tried_again(stage: Stage) -> None:
    """A gateway refuses it after that, and would take it a moment later."""
    alarmed(stage)
    stage.receive_and_answer(DOV, "CALLED")
    stage.clock.at += SECOND

    slow(stage, (DOV,), lambda: stage.receive_and_answer(ANNA, "OUT 2"), refuse(Blame.TRANSIENT))
    carried(stage, DOV)

    assert ends_with(stage, DOV, "It is over")
    assert not any("Keep your phone free" in body for body in stage.to(DOV)[-2:])


def test_an_answer_that_has_not_left_is_not_put_back_once_the_dive_ended(stage: Stage) -> None:
    """It lay with a courier whose gateway hangs."""
    stage.dive_in()
    stage.receive_and_answer(EDDA, "hello")
    stage.receive_and_answer(CLEO, "OK")
    claims, claimed = on_the_pile(stage)
    stage.clock.at += SECOND
    stage.receive_and_answer(ANNA, "OUT 2")

    claims.take_back(claimed.parcels)

    assert not any("There is no alarm" in body for body in carried(stage, CLEO))
    assert "It is over" in stage.last_to(CLEO)


@pytest.mark.parametrize("late", [False, True], ids=["armed", "a later due out"])
def test_that_an_alarm_is_to_come_is_not_heard_after_it(stage: Stage, *, late: bool) -> None:
    """A gateway could not take it for a moment, and a contact calls for help meanwhile."""
    dive = stage.dive_in() if late else stage.file()
    stage.first.numbers[ANNA] = stage.second.numbers[ANNA] = refuse(Blame.TRANSIENT)
    stage.text(ANNA, "LATE 20" if late else f"IN {dive.start_code}")
    step = "extension_in_force" if late else "armed"
    assert stage.message(dive.id, "diver-0", step).state == "queued"
    stage.clock.at += SECOND
    stage.receive_and_answer(CLEO, f"SOS {dive.reference}")
    del stage.first.numbers[ANNA], stage.second.numbers[ANNA]

    heard = carried(stage, ANNA)

    assert any("ALARM" in body for body in heard)
    assert not any("Alarm goes out" in body or "ARMED" in body for body in heard)
    stage.text(ANNA, "OUT 2")


def test_what_a_decision_puts_aside_it_puts_aside_with_one_statement(quick_stage: Stage) -> None:
    """Each decision pays for it, and an alarm moves on for all kinds of answers at once; a reminder for none."""
    stage, said = quick_stage, list[str]()
    stage.dive_in()
    stage.receive_and_answer(DOV, "STATUS")

    def heard(_: object, __: object, statement: str, *___: object) -> None:
        if statement.startswith("UPDATE messages") and "kind = " in statement and "RETURNING" in statement:
            said.append(statement)

    event.listen(stage.engine, "before_cursor_execute", heard)
    stage.clock.at += 60 * MINUTE
    sweep(stage.service)
    once = len(said)
    stage.clock.at += 5 * MINUTE
    sweep(stage.service)
    event.remove(stage.engine, "before_cursor_execute", heard)

    assert (once, len(said)) == (1, 2)
    stage.text(ANNA, "OUT 2")
