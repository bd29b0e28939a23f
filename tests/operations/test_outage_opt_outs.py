"""STOP while the database is gone: that number is not sent to, the alarm goes on to everybody else, the log has it."""

from __future__ import annotations

import pytest

from service.store import admins, log
from tests.operations.away import Keeping, alarms, armed, gone
from tests.operations.stage import ANNA, CLEO, CLUB, DOV, FINN, Stage, accept, time_out

GRETE = "+447700900077"


def second_admin(stage: Stage) -> None:
    """The club has another admin, who is longest in office after Finn Aske."""
    grete = {"name": "Grete Aske", "email": "grete@example.org", "phone": GRETE, "password_hash": "x"}
    stage.service.write(lambda session: admins.add(session, club_id=CLUB, now=stage.clock.at, **grete))


def opted_out(stage: Stage) -> list[str]:
    """What the log says of texts that were read as a STOP."""
    entries = [one for one in stage.entries(chain=log.club_chain(CLUB)) if one.kind == "text_read"]
    return [str((one.detail or {}).get("note")) for one in entries if (one.detail or {}).get("intent") == "opt_out"]


def test_an_admin_who_says_stop_is_told_no_more_and_the_others_are(keeping_on_both: Keeping) -> None:
    """Nobody answers: the hand-up goes to the other admin, whom it concerns as well, and the log has the STOP."""
    stage = keeping_on_both.stage
    second_admin(stage)
    armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        told = len(stage.to(FINN))
        keeping_on_both.spooled(FINN, "STOP")
        keeping_on_both.without(minutes=60)
        assert len(stage.to(FINN)) == told
        assert "no contact has answered" in stage.last_to(GRETE)
        assert len(alarms(stage, DOV)) > 1
    keeping_on_both.look()
    stage.turn()

    assert opted_out(stage) == ["opted out"]
    stage.text(ANNA, "OUT")


def test_an_admin_who_had_said_stop_before_hears_nothing_of_the_outage(keeping_on_both: Keeping) -> None:
    """The snapshot knows it, as it does of contacts."""
    stage = keeping_on_both.stage
    stage.text(FINN, "STOP")
    armed(keeping_on_both)
    told = len(stage.to(FINN))
    with gone(stage.engine):
        keeping_on_both.without(minutes=60)
        assert len(stage.to(FINN)) == told
    keeping_on_both.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_a_contact_who_says_stop_is_told_no_more_and_the_next_is_at_once(keeping_on_both: Keeping) -> None:
    """Not at distress either, nor by a keeper that is started again."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        told = len(stage.to(CLEO))
        keeping_on_both.spooled(CLEO, "STOP")
        keeping_on_both.without(seconds=20)
        assert len(alarms(stage, DOV)) == 1
        keeping_on_both.start_again()
        keeping_on_both.without(minutes=20)
        assert len(stage.to(CLEO)) == told
        assert "CALL RESCUE NOW" in stage.last_to(DOV)
    keeping_on_both.look()
    stage.turn()

    assert "event:person_unreachable" in stage.kinds(dive)
    assert len(stage.to(CLEO)) == told
    stage.text(ANNA, "OUT")


def test_what_waits_for_them_goes_no_more(keeping: Keeping) -> None:
    """No gateway took it yet when they said STOP."""
    stage = keeping.stage
    armed(keeping)
    for gateway in (stage.first, stage.second):
        gateway.usually = time_out
    with gone(stage.engine):
        keeping.hears(CLEO, "STOP")
        for gateway in (stage.first, stage.second):
            gateway.usually = accept
        keeping.without(minutes=1)
        assert alarms(stage, CLEO) == []
        assert alarms(stage, DOV)
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


@pytest.mark.parametrize("word", ["START", "UNSTOP"])
def test_who_takes_texts_again_is_told_again(keeping: Keeping, word: str) -> None:
    """In the same outage, by their own word."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=3)
        told = len(alarms(stage, CLEO))
        keeping.spooled(CLEO, "STOP")
        keeping.without(minutes=1)
        keeping.spooled(CLEO, word)
        keeping.without(minutes=20)
        assert len(alarms(stage, CLEO)) > told
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_an_admin_who_had_the_alarm_and_says_stop_acts_on_it_no_more(keeping: Keeping) -> None:
    """The search for the next contact goes on, as with the database."""
    stage = keeping.stage
    dive = armed(keeping)
    stage.wait(minutes=2)
    stage.text(FINN, f"OK {dive.reference}")
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=3)
        assert alarms(stage, DOV) == []
        keeping.spooled(FINN, "STOP")
        keeping.without(minutes=4)
        assert alarms(stage, DOV)
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")
