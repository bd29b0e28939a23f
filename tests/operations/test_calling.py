"""A key pressed in a call of ours: the answer of a contact, once, whatever else happens."""

from __future__ import annotations

import pytest
from sqlalchemy import update

from service.domain.people import Channel
from service.operations.calling import Pressed, press
from service.operations.gateway import Accepted, Blame, Outcome, Outgoing, ReceiptState
from service.operations.plan_reading import NamedPhone
from service.store import reaches
from service.store.outbox import Message
from service.store.tables import DiveRow
from tests.operations.stage import ANNA, CLUB, DOV, ScriptedGateway, Stage, Taken, plan

HARBOUR = "+441632960123"
REQUEST = plan(contacts=(NamedPhone("Harbour office", HARBOUR, language="de"), NamedPhone("Dov Lind", DOV)))


@pytest.fixture(autouse=True)
def every_way(unchecked: Stage) -> None:
    """A service that can call."""
    unchecked.opens_every_way()
    unchecked.first.sends_receipts = unchecked.second.sends_receipts = True


def ringing(stage: Stage) -> tuple[str, Taken]:
    """A dive in its alert, and the call to the landline that is its first contact."""
    dive = stage.dive_in(REQUEST)
    stage.sleep(65)
    stage.turn()
    return dive.id, [taken for taken in stage.journal if taken.channel is Channel.CALL][-1]


def pressed(stage: Stage, call: Taken, key: str = "1") -> Pressed:
    """Press a key in a call, and let all that follows go out."""
    said = press(stage.service, call.reference, key, call.gateway, call.provider_id, {"Digits": key})
    stage.courier.carry()
    return said


def message(stage: Stage, dive_id: str, call: Taken) -> Message:
    """The message of a call as it stands."""
    [found] = [one for one in stage.messages(dive_id) if one.id == call.reference]
    return found


def test_a_key_is_the_answer_ok(stage: Stage) -> None:
    """The contact has the alarm: nobody else is sought, those who were told hear it, the log says how."""
    dive_id, call = ringing(stage)

    said = pressed(stage, call)

    dive = stage.dive(dive_id)
    assert [told.key for told in dive.acknowledged] == ["contact-0"]
    [entry] = [entry for entry in stage.entries(dive) if entry.kind == "event:acknowledged"]
    assert entry.actor is not None
    assert (entry.actor["via"], entry.actor["phone"], entry.actor["words"]) == ("call", HARBOUR, "key 1")
    assert message(stage, dive_id, call).state == "delivered"
    assert (said.language, said.again) == ("de", False)
    stage.wait(minutes=10)
    assert not any("OVERDUE" in text for text in stage.to(DOV))


def test_the_same_key_twice_is_as_once(stage: Stage) -> None:
    """A gateway that posts again hears the same, and nothing is recorded twice."""
    dive_id, call = ringing(stage)

    first = pressed(stage, call)
    before = stage.kinds(stage.dive(dive_id))
    again = pressed(stage, call)

    assert again == first
    assert stage.kinds(stage.dive(dive_id)) == before


def test_another_key_changes_nothing_and_is_asked_again(stage: Stage) -> None:
    """A thumb that slipped is no answer; that it was pressed is kept."""
    dive_id, call = ringing(stage)

    said = pressed(stage, call, "7")

    assert said.again
    assert stage.dive(dive_id).acknowledged == ()
    assert message(stage, dive_id, call).state == "handed"
    assert stage.kinds(stage.dive(dive_id))[-1] == "key_without_meaning"


def test_a_key_in_a_call_that_we_do_not_know_is_harmless(stage: Stage) -> None:
    """Nor can it be given for a text: that is answered by text."""
    dive_id, call = ringing(stage)
    text = next(taken for taken in stage.journal if taken.channel is Channel.TEXT and taken.to == DOV)

    for reference in ("no such message", text.reference):
        said = press(stage.service, reference, "1", call.gateway, "elsewhere", {})
        assert "Please act on what you have heard." in said.words

    assert stage.dive(dive_id).acknowledged == ()


def test_a_key_after_the_end_hears_that_it_is_over(stage: Stage) -> None:
    """Whoever was slow is not left believing that they must act."""
    dive_id, call = ringing(stage)
    stage.text(ANNA, "out 2")
    closed = stage.dive(dive_id)

    pressed(stage, call)

    assert stage.dive(dive_id) == closed
    assert "refused" not in stage.kinds(closed)


def test_a_key_in_the_call_of_a_start_notice_arms_and_answers_nothing(stage: Stage) -> None:
    """It was heard: that is all it says, and all that arming needs."""
    dive = stage.dive_in(plan(contacts=(NamedPhone("Harbour office", HARBOUR),)))
    [call] = [taken for taken in stage.journal if taken.channel is Channel.CALL]

    said = pressed(stage, call)

    assert said.words == "Thank you. Goodbye."
    after = stage.dive(dive.id)
    assert after.armed_at is not None
    assert after.acknowledged == ()
    assert "ARMED. 2 in" in stage.last_to(ANNA)


def test_a_key_in_the_call_of_the_end_only_shows_that_it_was_heard(stage: Stage) -> None:
    """The dive is closed and stays so."""
    dive_id, _ = ringing(stage)
    stage.text(ANNA, "out 2")
    call = [taken for taken in stage.journal if taken.channel is Channel.CALL][-1]

    pressed(stage, call)

    assert message(stage, dive_id, call).state == "delivered"
    assert stage.dive(dive_id).phase == "closed"


def test_a_key_before_we_know_that_the_call_was_taken_counts(stage: Stage) -> None:
    """Somebody may be quicker than our own commit."""
    dive = stage.dive_in(REQUEST)

    def answered_at_once(gateway: ScriptedGateway, call: Outgoing) -> Outcome:
        taken = gateway.take(call)
        press(stage.service, call.reference, "1", taken.gateway, taken.provider_id, {})
        return Accepted(taken.provider_id)

    stage.first.numbers[HARBOUR] = answered_at_once
    stage.sleep(65)
    stage.turn()

    assert [told.key for told in stage.dive(dive.id).acknowledged] == ["contact-0"]
    stage.wait(minutes=10)
    assert not any("OVERDUE" in text for text in stage.to(DOV))


def test_how_the_call_ended_takes_no_key_back(stage: Stage) -> None:
    """Every call ends; one that ended without a key may still have had one that comes late."""
    dive_id, call = ringing(stage)
    pressed(stage, call)
    stage.receipt(call, ReceiptState.FAILED, code="completed")
    assert message(stage, dive_id, call).state == "delivered"
    assert stage.dive(dive_id).unreachable == ()


def test_a_key_that_comes_after_the_end_of_its_call_counts(stage: Stage) -> None:
    """The next contact has been told by then; both may act."""
    dive_id, call = ringing(stage)
    stage.receipt(call, ReceiptState.FAILED, code="completed")
    assert stage.dive(dive_id).unreachable == ("contact-0",)

    pressed(stage, call)

    dive = stage.dive(dive_id)
    assert (dive.unreachable, [told.key for told in dive.acknowledged]) == ((), ["contact-0"])


def test_a_number_that_cannot_be_called_is_no_phone_that_rang_out_and_no_word_of_theirs(stage: Stage) -> None:
    """Only a key that was pressed says that somebody is there; what the gateway refused is said as such."""
    dive_id, call = ringing(stage)

    stage.receipt(call, ReceiptState.FAILED, code="13224", blame=Blame.NUMBER)

    entries = [entry for entry in stage.entries(stage.dive(dive_id)) if entry.kind == "event:person_unreachable"]
    assert [entry.detail and entry.detail["reason"] for entry in entries] == ["refused"]
    assert message(stage, dive_id, call).failed_reason == "refused 13224"
    reach = stage.service.read(lambda session: reaches.find(session, CLUB, [HARBOUR])[HARBOUR])
    assert (reach.reached_at, reach.answered_at) == (None, None)


def test_a_key_for_a_dive_that_cannot_be_read_is_kept(unchecked: Stage) -> None:
    """What was heard still holds, and nobody is told that it was taken."""
    stage = unchecked
    dive_id, call = ringing(stage)
    spoil = update(DiveRow).where(DiveRow.id == dive_id).values(state="{}")
    stage.service.write(lambda session: session.execute(spoil))

    said = press(stage.service, call.reference, "1", call.gateway, call.provider_id, {})

    assert said.language == "de"
    assert message(stage, dive_id, call).state == "delivered"
