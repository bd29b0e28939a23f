"""What counts of an outage when it comes into the record: the way that counts for a person, and no other."""

from __future__ import annotations

import pytest

from service.domain.dive import Dive
from service.domain.people import Channel
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.operations.spooling import KeyPress
from tests.operations.away import NOT_CONFIRMED, Keeping, gone
from tests.operations.stage import ANNA, CLEO, DOV, Stage, plan, time_out

HARBOUR, MAIL = "+441632960123", "cleo@example.org"
WITH_MAIL = plan(contacts=(NamedPhone("Cleo Marsh", CLEO, MAIL), NamedPhone("Dov Lind", DOV)))
LANDLINE_FIRST = plan(contacts=(NamedPhone("Harbour office", HARBOUR), NamedPhone("Dov Lind", DOV)))


@pytest.fixture
def keeping(keeping_on_both: Keeping) -> Keeping:
    """A keeper's standby where every way can be used."""
    keeping_on_both.stage.opens_every_way()
    keeping_on_both.start_again()
    return keeping_on_both


def nearly_due(keeping: Keeping, request: PlanRequest) -> Dive:
    """A dive in the snapshot that falls due in a minute."""
    stage = keeping.stage
    dive = stage.dive_in(request)
    stage.wait(minutes=64)
    keeping.look()
    return stage.dive(dive.id)


def takes_no_texts(stage: Stage, phone: str) -> None:
    """Whatever goes to that phone gets no answer."""
    for gateway in (stage.first, stage.second):
        gateway.numbers[phone] = time_out


def takes_texts_again(stage: Stage) -> None:
    """All is as usual."""
    for gateway in (stage.first, stage.second):
        gateway.numbers.clear()


def confirmed(stage: Stage, phone: str) -> list[str]:
    """The alarms that the database caused."""
    return [body for body in stage.to(phone) if "OVERDUE" in body and NOT_CONFIRMED not in body]


def test_an_e_mail_is_not_the_alarm(keeping: Keeping) -> None:
    """Her text is in doubt, a mail server took her e-mail: once the database is back she is told, and nobody else."""
    stage = keeping.stage
    nearly_due(keeping, WITH_MAIL)
    takes_no_texts(stage, CLEO)
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=10)
        assert [one.to for one in stage.journal if one.channel is Channel.EMAIL][-1] == MAIL
    takes_texts_again(stage)
    keeping.look()
    stage.turn()

    assert len(confirmed(stage, CLEO)) == 1
    assert confirmed(stage, DOV) == []
    stage.text(ANNA, "OUT")


def test_an_e_mail_does_not_hide_who_has_no_distress(keeping: Keeping) -> None:
    """Distress counts as told only where everybody has it by the way that counts: else all are told at once."""
    stage = keeping.stage
    nearly_due(keeping, WITH_MAIL)
    with gone(stage.engine):
        keeping.without(minutes=15)
        takes_no_texts(stage, CLEO)
        keeping.without(minutes=2)
    takes_texts_again(stage)
    keeping.look()
    stage.turn()

    assert "CALL RESCUE NOW" in confirmed(stage, CLEO)[-1]
    stage.text(ANNA, "OUT")


def test_a_call_that_was_taken_and_perhaps_never_heard_is_not_the_alarm(keeping: Keeping) -> None:
    """A landline may have rung out: it is called again."""
    stage = keeping.stage
    dive = nearly_due(keeping, LANDLINE_FIRST)
    with gone(stage.engine):
        keeping.without(minutes=3)
    before = [one for one in stage.journal if one.to == HARBOUR]
    assert before[-1].channel is Channel.CALL
    keeping.look()
    stage.turn()

    assert len([one for one in stage.journal if one.to == HARBOUR]) == len(before) + 1
    assert [one.key for one in stage.dive(dive.id).alerted] == ["contact-0"]
    stage.text(ANNA, "OUT")


def test_who_pressed_the_key_in_the_outage_has_the_alarm(keeping: Keeping) -> None:
    """The answer is heard by the keeper, so its call has been: nobody is rung again, and no other contact is told."""
    stage = keeping.stage
    dive = nearly_due(keeping, LANDLINE_FIRST)
    with gone(stage.engine):
        keeping.without(minutes=3)
        call = [one for one in stage.journal if one.to == HARBOUR][-1]
        keeping.spool.keep(KeyPress(call.reference, "1", call.gateway, call.provider_id, {}, stage.clock.at))
        keeping.without(seconds=20)
    keeping.look()
    stage.turn()

    assert [one for one in stage.journal if one.to == HARBOUR][-1] == call
    assert [one.key for one in stage.dive(dive.id).acknowledged] == ["contact-0"]
    assert confirmed(stage, DOV) == []
    stage.text(ANNA, "OUT")


def test_a_text_that_a_gateway_took_is_the_alarm(keeping: Keeping) -> None:
    """Whatever became of the e-mail beside it."""
    stage = keeping.stage
    nearly_due(keeping, WITH_MAIL)
    takes_no_texts(stage, MAIL)
    with gone(stage.engine):
        keeping.without(minutes=3)
    takes_texts_again(stage)
    keeping.look()
    stage.turn()

    assert confirmed(stage, CLEO) == []
    stage.text(ANNA, "OUT")
