"""People told by text, call and e-mail: what is queued by which way, and what follows when one fails."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import update

from service.domain.people import Channel
from service.operations.closing import close_dive
from service.operations.gateway import Blame, ReceiptState
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.store import opt_outs, seed
from service.store.tables import DiveRow
from tests.operations.stage import ANNA, CLEO, DOV, OURS, Stage, Taken, plan, plan_of, refuse

HARBOUR, MAIL = "+441632960123", "cleo@example.org"
LANDLINE_FIRST = plan(contacts=(NamedPhone("Harbour office", HARBOUR), NamedPhone("Dov Lind", DOV)))
WITH_MAIL = plan(contacts=(NamedPhone("Cleo Marsh", CLEO, MAIL), NamedPhone("Dov Lind", DOV)))


@pytest.fixture(autouse=True)
def every_way(unchecked: Stage) -> None:
    """A service that can text, call and mail, and whose gateways send receipts."""
    unchecked.opens_every_way()
    unchecked.first.sends_receipts = unchecked.second.sends_receipts = True


def by(stage: Stage, channel: Channel, to: str) -> list[Taken]:
    """What was handed over for somebody by one way, in order."""
    return [taken for taken in stage.journal if (taken.channel, taken.to) == (channel, to)]


def overdue(stage: Stage, request: PlanRequest) -> str:
    """A dive whose raise-by time has just been swept."""
    dive = stage.dive_in(request)
    stage.sleep(65)
    stage.turn()
    return dive.id


def reasons(stage: Stage, dive_id: str) -> list[tuple[str, str, str]]:
    """Who was found unreachable, by which way and why."""
    entries = stage.entries(stage.dive(dive_id))
    lost = [entry.detail for entry in entries if entry.kind == "event:person_unreachable" and entry.detail]
    return [(detail["person"], detail["channel"], detail["reason"]) for detail in lost]


def test_a_landline_is_called_with_the_plan_and_a_key_there_arms(stage: Stage) -> None:
    """That a gateway took the call proves nothing; that somebody pressed a key does."""
    request = plan(contacts=(NamedPhone("Harbour office", HARBOUR),))
    dive = stage.dive_in(request)
    [call] = by(stage, Channel.CALL, HARBOUR)
    assert "Please write this down." in call.body
    assert stage.dive(dive.id).armed_at is None

    stage.receipt(call, ReceiptState.DELIVERED, code="key 1")
    stage.courier.carry()

    assert stage.dive(dive.id).armed_at is not None
    assert "ARMED. 2 in" in stage.last_to(ANNA)
    assert by(stage, Channel.TEXT, HARBOUR) == []


def test_a_call_that_nobody_answers_brings_the_next_contact_at_once(stage: Stage) -> None:
    """A landline that rings out is a contact who does not answer."""
    dive_id = overdue(stage, LANDLINE_FIRST)
    [_, alert] = by(stage, Channel.CALL, HARBOUR)
    assert "OVERDUE" not in stage.last_to(DOV)

    stage.receipt(alert, ReceiptState.FAILED, code="no-answer")
    stage.courier.carry()

    assert "OVERDUE" in stage.last_to(DOV)
    assert reasons(stage, dive_id) == [("contact-0", "call", "no_answer")]


def test_a_text_that_failed_for_a_reason_that_we_do_not_know_is_no_call_that_rang_out(stage: Stage) -> None:
    """The diver and the log are told what failed: the text."""
    dive_id = overdue(stage, WITH_MAIL)
    alert = by(stage, Channel.TEXT, CLEO)[-1]

    stage.receipt(alert, ReceiptState.FAILED, code="30008")
    stage.courier.carry()

    assert reasons(stage, dive_id) == [("contact-0", "text", "refused")]
    assert "OVERDUE" in stage.last_to(DOV)


def test_a_number_that_cannot_be_called_is_no_call_that_rang_out(stage: Stage) -> None:
    """And that it was only sent on says nothing yet."""
    dive_id = overdue(stage, LANDLINE_FIRST)
    alert = by(stage, Channel.CALL, HARBOUR)[-1]

    stage.receipt(alert, ReceiptState.SENT)
    assert reasons(stage, dive_id) == []

    stage.receipt(alert, ReceiptState.FAILED, code="invalid", blame=Blame.NUMBER)
    assert reasons(stage, dive_id) == [("contact-0", "call", "refused")]


@pytest.mark.parametrize(("minutes", "words"), [(0, "Overdue from a dive"), (15, "Call rescue now")])
def test_whoever_presses_a_key_in_a_call_of_the_alarm_is_not_called_again_at_once(
    stage: Stage, minutes: int, words: str
) -> None:
    """The landline was said to ring out, and has heard it after all; what they do next takes their line."""
    overdue(stage, LANDLINE_FIRST)
    stage.receipt(by(stage, Channel.CALL, HARBOUR)[-1], ReceiptState.FAILED, code="no-answer")
    stage.wait(minutes=minutes, step=timedelta(minutes=1))
    calls = by(stage, Channel.CALL, HARBOUR)
    assert words in calls[-1].body

    stage.receipt(calls[-1], ReceiptState.DELIVERED, code="key 1")
    stage.wait(minutes=2, step=timedelta(minutes=1))

    assert by(stage, Channel.CALL, HARBOUR) == calls


def test_who_can_only_be_called_is_not_waited_for_once_no_gateway_makes_calls(stage: Stage) -> None:
    """The settings were changed while the dive was open: nobody was told, so the next contact is, at once."""
    dive = stage.dive_in(LANDLINE_FIRST)
    stage.receipt(by(stage, Channel.CALL, HARBOUR)[0], ReceiptState.DELIVERED, code="key 1")
    stage.carries_only(Channel.TEXT)
    stage.sleep(65)

    stage.turn()

    assert "OVERDUE" in stage.last_to(DOV)
    assert reasons(stage, dive.id) == [("contact-0", "call", "refused")]


def test_e_mails_of_an_alarm_go_after_the_texts_of_every_alarm(stage: Stage) -> None:
    """A mail server that hangs has the couriers only when no text or call waits for them."""
    contact = (NamedPhone("Cleo Marsh", CLEO, MAIL),)
    for number in range(20):
        stage.dive_in(replace(plan_of(number), contacts=contact))
    stage.sleep(65)
    before = len(stage.first.asked)

    stage.turn()

    urgent = [one.channel for one in stage.first.asked[before:] if "OVERDUE" in one.body or one.subject]
    # Sixteen are on their way at once, so the order is that of claiming, batch by batch.
    assert set(urgent[:16]) == {Channel.TEXT}
    assert set(urgent[-16:]) == {Channel.EMAIL}


def test_texts_that_are_refused_bring_a_call_and_the_next_contact(stage: Stage) -> None:
    """In the same turn: the first is called, the second is texted."""
    dive = stage.dive_in(WITH_MAIL)
    stage.first.numbers[CLEO] = stage.second.numbers[CLEO] = refuse(Blame.NUMBER)
    stage.sleep(65)
    stage.first.asked.clear()
    stage.turn()

    calls = [one for one in stage.first.asked + stage.second.asked if one.channel is Channel.CALL]
    assert [one.to for one in calls] == [CLEO]
    assert "Overdue from a dive: Anna Holt" in calls[0].body
    assert "OVERDUE" in stage.last_to(DOV)
    assert stage.dive(dive.id).unreachable == ("contact-0",)


def test_a_text_without_a_receipt_brings_a_call(stage: Stage) -> None:
    """Two minutes, as ever; then the call goes out with the alert of the next contact."""
    dive_id = overdue(stage, WITH_MAIL)
    assert by(stage, Channel.CALL, CLEO) == []

    stage.wait(minutes=2, step=timedelta(minutes=1))

    assert len(by(stage, Channel.CALL, CLEO)) == 1
    assert reasons(stage, dive_id)[0] == ("contact-0", "text", "no_receipt")


def test_a_call_is_given_time_to_be_heard_before_it_counts_as_not_answered(stage: Stage) -> None:
    """Whoever is still listening after two minutes is not given up; after four there will be no news."""
    dive_id = overdue(stage, LANDLINE_FIRST)

    stage.wait(minutes=3, step=timedelta(minutes=1))
    assert reasons(stage, dive_id) == []

    stage.wait(minutes=1)
    assert reasons(stage, dive_id) == [("contact-0", "call", "no_answer")]
    assert "OVERDUE" in stage.last_to(DOV)


def test_distress_calls_everybody_and_the_end_is_called_to_them_too(stage: Stage) -> None:
    """Whoever was called in an alarm hears its end by a call."""
    overdue(stage, WITH_MAIL)
    stage.wait(minutes=15)
    for phone in (CLEO, DOV):
        assert "Call rescue now" in by(stage, Channel.CALL, phone)[-1].body

    stage.text(ANNA, "out 2")
    for phone in (CLEO, DOV):
        assert "It is over for Anna Holt" in by(stage, Channel.CALL, phone)[-1].body


def over(stage: Stage, phone: str) -> list[Taken]:
    """The calls that said that it is over."""
    return [call for call in by(stage, Channel.CALL, phone) if "It is over" in call.body]


def test_a_landline_that_does_not_hear_the_end_is_rung_again(stage: Stage) -> None:
    """Nothing follows a stand-down, so that the call itself is made again, every three minutes and three times."""
    overdue(stage, LANDLINE_FIRST)
    stage.text(ANNA, "out 2")

    rung = []
    for _ in range(5):
        rung.append(len(over(stage, HARBOUR)))
        stage.receipt(over(stage, HARBOUR)[-1], ReceiptState.FAILED, code="call-busy")
        stage.wait(minutes=3)

    assert rung == [1, 2, 3, 4, 4]


def test_who_heard_the_end_by_text_is_not_rung_again(stage: Stage) -> None:
    """Their phone has it already."""
    overdue(stage, WITH_MAIL)
    stage.wait(minutes=15)
    stage.text(ANNA, "out 2")

    stage.receipt(over(stage, CLEO)[-1], ReceiptState.FAILED, code="call-no-answer")
    stage.wait(minutes=10)

    assert len(over(stage, CLEO)) == 1


def test_an_e_mail_has_its_subject_its_address_and_its_link_in_a_paragraph_of_its_own(stage: Stage) -> None:
    """What belongs to one dive has one thread."""
    dive = stage.dive_in(WITH_MAIL)

    [mail] = [one for one in stage.first.asked if one.channel is Channel.EMAIL]
    assert mail.to == MAIL
    assert mail.subject == "Dive plan to keep: Anna Holt (2 divers), Lantern Cove"
    assert mail.thread == dive.id
    assert mail.body.rpartition("\n\n")[2].startswith("https://dive.example/alarm/")
    [text] = by(stage, Channel.TEXT, CLEO)
    assert text.body.rpartition("/")[2] != mail.body.rpartition("/")[2]


def test_a_call_that_is_refused_is_no_word_of_theirs_that_they_want_no_texts(stage: Stage) -> None:
    """Only what a gateway for texts says of a text is, or a mobile that takes no calls would get no alarm at all."""
    stage.first.numbers[HARBOUR] = stage.second.numbers[HARBOUR] = refuse(Blame.OPTED_OUT)

    overdue(stage, LANDLINE_FIRST)

    assert not stage.service.read(lambda session: opt_outs.is_opted_out(session, OURS, HARBOUR))
    stage.text(ANNA, "out 2")


def test_whoever_opted_out_is_neither_texted_nor_called_and_is_mailed(stage: Stage) -> None:
    """STOP is about the phone; the dive knows that this contact is not to be waited for."""
    dive = stage.file(WITH_MAIL)
    stage.text(CLEO, "STOP")
    stage.text(ANNA, f"in {dive.start_code}")
    stage.sleep(80)
    stage.turn()

    assert by(stage, Channel.TEXT, CLEO) == by(stage, Channel.CALL, CLEO) == []
    assert len(by(stage, Channel.EMAIL, MAIL)) == 2
    assert "contact-0" in stage.dive(dive.id).unreachable
    stage.text(ANNA, "out 2")


def test_a_mail_server_that_refuses_is_noted_and_disturbs_nobody(stage: Stage) -> None:
    """The texts are what counts; the diver is told nothing of an address that bounces."""
    stage.first.numbers[MAIL] = stage.second.numbers[MAIL] = refuse(Blame.NUMBER)

    dive = stage.dive_in(WITH_MAIL)

    assert stage.dive(dive.id).unreachable == ()
    assert reasons(stage, dive.id) == [("contact-0", "email", "refused")]
    assert "ARMED" in stage.last_to(ANNA)


def test_the_log_says_by_which_way_each_message_goes(stage: Stage) -> None:
    """A text is what it always was; the others are named."""
    dive = stage.dive_in(WITH_MAIL)

    [queued] = [
        entry.detail["queued"]
        for entry in stage.entries(dive)
        if entry.kind == "messages" and entry.detail and entry.detail["queued"][0]["step"] == "start_notice"
    ]
    assert [(one["person"], one.get("channel")) for one in queued] == [
        ("contact-0", None),
        ("contact-0", "email"),
        ("contact-1", None),
    ]


def test_a_dive_that_cannot_be_read_calls_its_landline_too_and_stands_every_way_down(unchecked: Stage) -> None:
    """The plainest alarm knows no ways, but what a landline is; who closes it ends it for everybody by each way."""
    stage = unchecked
    request = plan(contacts=(NamedPhone("Cleo Marsh", CLEO, MAIL), NamedPhone("Harbour office", HARBOUR)))
    dive = stage.dive_in(request)
    spoil = update(DiveRow).where(DiveRow.id == dive.id).values(state="{}")
    stage.service.write(lambda session: session.execute(spoil))
    stage.sleep(65)
    stage.turn()

    alarm = by(stage, Channel.CALL, HARBOUR)[-1].body
    assert "SERVICE FAULT, a dive may be overdue: Anna Holt" in alarm
    assert "Call + 4 4, 7 7 0 0, 9 0 0 0 0 1." in alarm
    assert alarm.endswith("Press 1 to say that you have heard this.")
    assert "SERVICE FAULT" in by(stage, Channel.TEXT, CLEO)[-1].body
    assert [one.channel for one in stage.journal if one.to == CLEO and "FAULT" in one.body] == [Channel.TEXT]

    close_dive(stage.service, dive.id, seed.ADMIN_NAME, "seen ashore")
    stage.courier.carry()

    for channel, to in ((Channel.TEXT, CLEO), (Channel.EMAIL, MAIL), (Channel.CALL, HARBOUR)):
        assert "the dive is over. Said by Finn Aske." in by(stage, channel, to)[-1].body
