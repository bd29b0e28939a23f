"""Rescue was called, so the clock has nothing more to do for the dive; then the database goes, and people go on."""

from __future__ import annotations

from service.domain.dive import Dive, Phase
from tests.operations.away import Keeping, gone
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, FINN, Stage

OVER = "Rescue was called: tell them now that it is over."


def called(keeping: Keeping) -> Dive:
    """A dive whose contacts have had the alarm, and for which one of them has called rescue."""
    stage = keeping.stage
    dive = stage.dive_in()
    stage.wait(minutes=50 + 15 + 30)
    stage.text(CLEO, f"CALLED {dive.reference}")
    keeping.look()
    dive = stage.dive(dive.id)
    assert dive.called_at is not None
    return dive


def over(stage: Stage, phone: str) -> list[str]:
    """What a phone was told of the end."""
    return [body for body in stage.to(phone) if OVER in body]


def test_the_end_is_passed_on_in_the_outage(keeping_on_both: Keeping) -> None:
    """The lead's OUT lies in the spool: whoever was told hears within a look that it is over, and to tell rescue."""
    stage = keeping_on_both.stage
    dive = called(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.hears(ANNA, "OUT")
        for phone in (CLEO, DOV, BRAM):
            assert len(over(stage, phone)) == 1
        told = len(stage.journal)
        keeping_on_both.without(minutes=20)
        assert len(stage.journal) == told
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.CLOSED


def test_a_contact_who_has_them_is_heard_in_the_outage(keeping: Keeping) -> None:
    """SAFE and the count, by the one who called: the others are stood down."""
    stage = keeping.stage
    dive = called(keeping)
    with gone(stage.engine):
        keeping.hears(CLEO, f"SAFE {dive.head_count} {dive.reference}")
        assert len(over(stage, DOV)) == 1
    keeping.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.CLOSED


def test_a_call_for_help_is_passed_on_in_the_outage(keeping: Keeping) -> None:
    """The diver's own words reach those who have called rescue."""
    stage = keeping.stage
    called(keeping)
    with gone(stage.engine):
        keeping.hears(ANNA, "SOS on the rocks, Bram is hurt")
        for phone in (CLEO, DOV):
            assert "Bram is hurt" in stage.last_to(phone)
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_an_alarm_that_waits_goes_out_in_the_outage(keeping: Keeping) -> None:
    """Decided by the database and carried by nobody: it is not dropped because the ladder has come to its end."""
    stage = keeping.stage
    called(keeping)
    stage.receive_and_answer(ANNA, "SOS on the rocks, Bram is hurt")
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=1, seconds=10)
        assert "Bram is hurt" in stage.last_to(DOV)
        assert "database is gone" in stage.last_to(FINN)
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")
