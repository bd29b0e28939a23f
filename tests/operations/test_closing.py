"""Ending a dive from the command line: the one end that a dive which cannot be read can have."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import update

from service.domain.dive import Dive, Phase
from service.operations.closing import CannotCloseError, close_dive
from service.store import dives, log
from service.store.dives import UnreadableDive
from service.store.tables import DiveRow
from tests.checker.questions import violations
from tests.operations.stage import ANNA, BRAM, CLEO, CLUB, DOV, FINN, STRANGER, Stage

ADMIN = "Finn Aske"
WHY = "all four came to the clubhouse"


def damage(stage: Stage, dive: Dive) -> None:
    """Make the state of a dive unreadable."""
    broken = update(DiveRow).where(DiveRow.id == dive.id).values(state='{"phase": 7}')
    stage.service.write(lambda session: session.execute(broken))


def damage_log(stage: Stage, dive: Dive) -> None:
    """Erase what is in its log, so that its state cannot be had from there either."""
    stage.service.write(lambda session: log.erase_details(session, dive.id))


def faults(stage: Stage, phone: str) -> int:
    """How many plainest alarms reached a phone."""
    return sum("SERVICE FAULT" in body for body in stage.to(phone))


def alarmed_plainly(stage: Stage) -> Dive:
    """A dive that cannot be read, whose contacts and admins have had the plainest alarm."""
    dive = stage.dive_in()
    damage(stage, dive)
    stage.wait(minutes=41, step=timedelta(minutes=1))
    assert [faults(stage, phone) for phone in (CLEO, DOV, FINN)] == [1, 1, 1]
    return dive


def close(stage: Stage, dive: Dive) -> bool:
    """End it, and let all that follows go out; whether it could be read."""
    closed = close_dive(stage.service, dive.id, ADMIN, WHY)
    stage.courier.carry()
    return closed.readable


@pytest.mark.parametrize("log_too", [False, True], ids=["log readable", "log unreadable"])
def test_an_unreadable_dive_ends_and_everybody_alarmed_is_stood_down(unchecked: Stage, *, log_too: bool) -> None:
    """The repeats stop, and each phone hears once that it is over and who said so."""
    stage = unchecked
    dive = alarmed_plainly(stage)
    if log_too:
        damage_log(stage, dive)

    assert not close(stage, dive)

    over = f"{dive.lead.name}, {dive.plan.site.name}: the dive is over. Said by {ADMIN}."
    for phone in (CLEO, DOV, FINN, ANNA, BRAM):
        assert [over in body for body in stage.to(phone)].count(True) == (phone not in (ANNA, BRAM)), phone
    before = len(stage.journal)
    stage.wait(minutes=60)
    assert len(stage.journal) == before


def test_the_log_says_who_ended_it_and_why(unchecked: Stage) -> None:
    """As an event that closes the dive, and which texts it caused."""
    stage = unchecked
    dive = alarmed_plainly(stage)

    close(stage, dive)

    end, told = [entry for entry in stage.entries(dive) if entry.kind in ("event:closed", "messages")][-2:]
    assert end.detail is not None
    assert told.detail is not None
    assert (end.detail["by"]["name"], end.detail["by"]["role"], end.detail["by"]["via"]) == (ADMIN, "admin", "command")
    assert (end.detail["reason"], end.detail["outcome"]) == (WHY, "stood_down")
    assert (told.detail["cause"], len(told.detail["queued"])) == (end.seq, 3)


def test_where_the_log_can_be_read_the_dive_can_be_again(unchecked: Stage) -> None:
    """Its state is that of the log, so that the log proves the row and the dive is like any other that is over."""
    stage = unchecked
    dive = alarmed_plainly(stage)

    close(stage, dive)

    after = stage.dive(dive.id)
    assert (after.phase, after.closed_by and after.closed_by.name) == (Phase.CLOSED, ADMIN)
    assert violations(stage.engine, stage.journal, stage.clock.at) == []


def test_where_the_log_cannot_be_read_either_the_state_is_left_as_it_is(unchecked: Stage) -> None:
    """Nothing is made up; a later version may yet read it."""
    stage = unchecked
    dive = alarmed_plainly(stage)
    damage_log(stage, dive)

    close(stage, dive)

    with pytest.raises(UnreadableDive):
        stage.service.read(lambda session: dives.get(session, dive.id))
    fault = stage.service.read(lambda session: log.verify_chain(session, log.dive_chain(dive.id)))
    assert fault is not None
    assert fault.words == "its details were erased, and no entry says so"  # as before the end: that adds no other


def test_whoever_heard_of_it_before_it_was_unreadable_is_stood_down_too(unchecked: Stage) -> None:
    """An alert of the ordinary ladder went to the first contact, reminders to the party."""
    stage = unchecked
    dive = stage.dive_in()
    stage.wait(minutes=65)
    damage(stage, dive)

    close(stage, dive)

    for phone in (ANNA, BRAM, CLEO, DOV):
        assert "the dive is over" in stage.last_to(phone)


def test_an_alarm_that_waits_is_not_sent_after_the_end(unchecked: Stage) -> None:
    """It would alarm about a dive that is known to be over."""
    stage = unchecked
    dive = stage.dive_in()
    damage(stage, dive)
    stage.sleep(41)
    stage.text(ANNA, "info")
    stage.receive_and_answer(ANNA, "SOS")

    close(stage, dive)

    assert faults(stage, CLEO) == 0


def test_an_answer_that_waits_is_not_sent_after_the_end_and_who_asked_hears_of_it(unchecked: Stage) -> None:
    """An answer of before speaks of a dive that is not over; who asked by a borrowed phone was told nothing else."""
    stage = unchecked
    dive = stage.dive_in()
    stage.receive_and_answer(STRANGER, f"STATUS {dive.finish_code}")
    stage.receive_and_answer(ANNA, "STATUS")
    damage(stage, dive)

    close(stage, dive)

    for phone in (STRANGER, ANNA):
        assert "the dive is over" in stage.last_to(phone)
        assert [f"dive {dive.reference}" in body and "due out" in body for body in stage.to(phone)].count(True) == 0


def test_a_phone_that_opted_out_is_not_told(unchecked: Stage) -> None:
    """The log names who was left out."""
    stage = unchecked
    dive = alarmed_plainly(stage)
    stage.text(CLEO, "stop")

    close(stage, dive)

    assert "is over" not in stage.last_to(CLEO)
    told = [entry.detail for entry in stage.entries(dive) if entry.kind == "messages" and entry.detail][-1]
    assert told["opted_out"] == ["contact-0"]


def test_a_readable_dive_ends_as_if_the_admin_had_said_safe(stage: Stage) -> None:
    """By the rules, with the reason, and with the ordinary stand-down to all who were told."""
    dive = stage.dive_in()
    stage.wait(minutes=66)

    assert close(stage, dive)

    after = stage.dive(dive.id)
    assert (after.phase, after.outcome, after.closed_count) == (Phase.CLOSED, "stood_down", 2)
    for phone in (ANNA, CLEO, DOV):
        assert ADMIN in stage.last_to(phone), phone
    [end] = [entry.detail for entry in stage.entries(dive) if entry.kind == "event:closed" and entry.detail]
    assert (end["reason"], end["by"]["via"]) == (WHY, "command")


def test_a_plan_that_was_never_started_is_called_off(stage: Stage) -> None:
    """As NOGO would."""
    dive = stage.file()

    assert close(stage, dive)

    assert stage.dive(dive.id).outcome == "called_off"


@pytest.mark.parametrize("readable", [True, False])
def test_a_dive_that_is_over_is_not_ended_twice(unchecked: Stage, *, readable: bool) -> None:
    """The second try says so and tells nobody anything."""
    stage = unchecked
    dive = stage.dive_in()
    stage.text(ANNA, "out 2")
    if not readable:
        damage(stage, dive)
    before = len(stage.journal)

    with pytest.raises(CannotCloseError):
        close_dive(stage.service, dive.id, ADMIN, WHY)
    stage.courier.carry()

    assert len(stage.journal) == before


@pytest.mark.parametrize("log_too", [False, True], ids=["log readable", "log unreadable"])
def test_whoever_got_the_plainest_alarm_after_the_end_is_stood_down(unchecked: Stage, *, log_too: bool) -> None:
    """A call for help after its end cannot open such a dive again, so that nobody's word ended that alarm."""
    stage = unchecked
    dive = stage.dive_in()
    stage.text(ANNA, "out 2")
    damage(stage, dive)
    if log_too:
        damage_log(stage, dive)
    stage.clock.at += timedelta(minutes=5)
    stage.text(ANNA, "SOS")
    assert [faults(stage, phone) for phone in (CLEO, DOV, FINN)] == [1, 1, 1]
    stage.clock.at += timedelta(minutes=5)

    assert not close(stage, dive)

    over = f"{dive.lead.name}, {dive.plan.site.name}: the dive is over. Said by {ADMIN}."
    assert [over in stage.last_to(phone) for phone in (CLEO, DOV, FINN)] == [True, True, True]
    [end] = [entry.detail for entry in stage.entries(dive) if entry.kind == "fault_over" and entry.detail]
    assert (end["by"], end["reason"], len(end["queued"])) == (ADMIN, WHY, 3)
    with pytest.raises(CannotCloseError):
        close_dive(stage.service, dive.id, ADMIN, WHY)
    found = violations(stage.engine, stage.journal, stage.clock.at)
    assert [line for line in found if not line.startswith(("row-is-fold", "phones-and-codes"))] == []


def test_the_plainest_alarm_after_the_end_that_has_not_gone_out_is_sent_to_nobody(unchecked: Stage) -> None:
    """Nobody has to be told that it is over."""
    stage = unchecked
    dive = stage.dive_in()
    stage.text(ANNA, "out 2")
    damage(stage, dive)
    stage.receive_and_answer(ANNA, "SOS")
    before = stage.to(CLEO)

    assert not close(stage, dive)

    assert stage.to(CLEO) == before


def test_only_an_admin_of_the_club_ends_a_dive(stage: Stage) -> None:
    """The names are given; a dive that does not exist is said not to."""
    dive = stage.dive_in()

    with pytest.raises(CannotCloseError, match=f"{CLUB} has no admin of that name; it has: {ADMIN}"):
        close_dive(stage.service, dive.id, "Anna Holt", WHY)
    with pytest.raises(CannotCloseError, match="there is no dive d9"):
        close_dive(stage.service, "d9", ADMIN, WHY)

    assert stage.dive(dive.id).live
    stage.text(ANNA, "out 2")


def test_an_sos_after_that_end_opens_it_again_where_it_can_be_read(unchecked: Stage) -> None:
    """An end by an admin is as open to doubt as any other."""
    stage = unchecked
    dive = alarmed_plainly(stage)
    close(stage, dive)

    stage.text(ANNA, "SOS")

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert stage.to(STRANGER) == []
