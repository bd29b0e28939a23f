"""Who has an alarm hears that it is over, though a new alarm kept the end of it from going out and began anew."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.dive import Dive, Event
from service.domain.dive.events import StepTaken
from service.domain.wording import Draft, messages_for
from service.operations import standing_in
from service.operations.gateway import Blame
from tests.operations.away import Keeping, armed, gone
from tests.operations.stage import ANNA, BRAM, CLEO, FINN, Behaviour, Stage, accept, lose_the_answer, refuse

OVER = "the dive is over. Said by Anna Holt."
TAKES_NONE = refuse(Blame.GATEWAY)


def usually(stage: Stage, behaviour: Behaviour) -> None:
    """What both gateways do from now on, whomever it is for."""
    for gateway in (stage.first, stage.second):
        gateway.usually = behaviour
        gateway.numbers.clear()


def lose_the_answers_of(stage: Stage, phone: str) -> None:
    """Both gateways take what is for this phone, and nobody hears so."""
    stage.first.numbers[phone] = stage.second.numbers[phone] = lose_the_answer


def unanswered(stage: Stage) -> Dive:
    """A dive that was handed up to the admin, since nobody has answered."""
    dive = stage.dive_in()
    stage.wait(minutes=125)
    assert "NO CONTACT HAS ANSWERED" in stage.last_to(FINN)
    return dive


def spooled(keeping: Keeping, sender: str, words: str) -> None:
    """A text that the keeper hears at its next look, and what follows of it."""
    keeping.spooled(sender, words)
    keeping.without(seconds=20)


def handed_up_in_doubt(keeping: Keeping) -> None:
    """Without the database the keeper hands a dive up to the admin, and hears from no gateway that it was taken."""
    keeping.without(minutes=44)
    lose_the_answers_of(keeping.stage, FINN)
    keeping.without(minutes=3)
    assert "no contact has answered" in keeping.stage.last_to(FINN)


def out_and_in_trouble(keeping: Keeping) -> None:
    """They are out, which no gateway takes, and then one of them calls for help."""
    usually(keeping.stage, TAKES_NONE)
    spooled(keeping, ANNA, "OUT 2")
    spooled(keeping, BRAM, "SOS")
    usually(keeping.stage, accept)


def test_an_admin_hears_the_end_though_the_first_one_never_went_out(stage: Stage) -> None:
    """They had it handed up; no gateway took the end; an SOS opened it again, and then they were out."""
    dive = unanswered(stage)
    usually(stage, TAKES_NONE)
    stage.text(ANNA, "OUT 2")
    stage.text(BRAM, "SOS")
    usually(stage, accept)

    stage.text(ANNA, f"OUT 2 {dive.reference}")

    assert OVER in stage.last_to(FINN)


def test_an_admin_who_heard_the_first_end_hears_of_no_other(stage: Stage) -> None:
    """Of the alarm of after it they were told nothing."""
    unanswered(stage)
    stage.text(ANNA, "OUT 2")
    told = stage.to(FINN)
    assert "It is over." in told[-1]
    stage.text(BRAM, "SOS")

    stage.text(ANNA, "OUT 2")

    assert stage.to(FINN) == told


def test_in_an_outage_too(keeping: Keeping) -> None:
    """What a keeper handed up may have got through: the answers were lost."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        handed_up_in_doubt(keeping)
        out_and_in_trouble(keeping)
        keeping.start_again()
        spooled(keeping, ANNA, "OUT 2")
        assert OVER in stage.last_to(FINN)
    keeping.look()
    stage.turn()

    assert sum(OVER in body for body in stage.to(FINN)) == 1


def test_in_an_outage_of_what_was_handed_up_before_it_too(keeping: Keeping) -> None:
    """The keeper knows by the end that it could not tell that somebody is owed one."""
    stage = keeping.stage
    unanswered(stage)
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=3)
        out_and_in_trouble(keeping)
        spooled(keeping, ANNA, "OUT 2")
        assert OVER in stage.last_to(FINN)
    keeping.look()
    stage.turn()


def test_in_an_outage_whoever_heard_the_first_end_hears_of_no_other(keeping: Keeping) -> None:
    """As with the database."""
    stage = keeping.stage
    unanswered(stage)
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=3)
        spooled(keeping, ANNA, "OUT 2")
        told = stage.to(FINN)
        assert "It is over." in told[-1]
        spooled(keeping, BRAM, "SOS")
        spooled(keeping, ANNA, "OUT 2")
        assert stage.to(FINN) == told
    keeping.look()
    stage.turn()


def test_once_the_database_is_back_too(keeping_on_both: Keeping) -> None:
    """It hears the OUT and the SOS of the outage one after the other, and nothing of that end goes out."""
    stage = keeping_on_both.stage
    armed(keeping_on_both)
    with gone(stage.engine):
        handed_up_in_doubt(keeping_on_both)
        out_and_in_trouble(keeping_on_both)
    keeping_on_both.look()
    stage.turn()

    stage.text(ANNA, "OUT 2")

    assert OVER in stage.last_to(FINN)


def test_who_wants_no_texts_any_more_gets_no_end_either(keeping: Keeping) -> None:
    """They have a keeper's alarm, and it was the last that they wanted."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=4)
        assert "OVERDUE" in stage.last_to(CLEO)
    keeping.look()
    stage.turn()
    stage.text(CLEO, "STOP")
    told = stage.to(CLEO)

    stage.wait(timedelta(minutes=1))
    stage.text(ANNA, "OUT 2")

    assert stage.to(CLEO) == told


def test_who_has_the_plainest_alarm_of_an_outage_hears_its_end_in_it(
    keeping: Keeping, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The words of a step failed, so that the admins have it at the first; the heart knows of no hand-up to them."""
    stage = keeping.stage
    armed(keeping)

    def fail(_dive: Dive, event: Event) -> list[Draft]:
        assert not isinstance(event, StepTaken), "a fault in the words"
        return messages_for(_dive, event)

    monkeypatch.setattr(standing_in, "messages_for", fail)
    with gone(stage.engine):
        keeping.without(minutes=3)
        assert "a dive may be overdue" in stage.last_to(FINN)
        spooled(keeping, ANNA, "OUT 2")
        assert OVER in stage.last_to(FINN)
    keeping.look()
    stage.turn()
