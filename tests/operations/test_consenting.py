"""Contacts are told once what is asked of them, say whether they will, and are known by what reaches them."""

from __future__ import annotations

import re
import threading
from datetime import timedelta

import pytest

from service.domain.dive.commands import Acknowledge, CallOff
from service.domain.encoding import segments
from service.domain.people import Actor, Channel, Role, Via
from service.domain.standing import PROVEN_FOR, Reach, Standing
from service.domain.wording import LinkKind
from service.operations.calling import press
from service.operations.consenting import say_on_page
from service.operations.filing import PlanFiled, PlanRefused, Preview, file_plan, preview
from service.operations.gateway import Blame, ReceiptState
from service.operations.pages import LinkView, open_link
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.operations.proof_of_reach import standings
from service.operations.recording import act
from service.store import log, opt_outs, reaches
from tests.operations.stage import ANNA, BEGIN_AT, BY_ANNA, CLEO, CLUB, OURS, STRANGER, Stage, plan, refuse

GRETE, HANNE, HARBOUR = "+447700900031", "+447700900032", "+441632960123"
NEW = NamedPhone("Grete Olsen", GRETE)
NEWER = NamedPhone("Hanne Vos", HANNE)
CLEO_TOO = NamedPhone("Cleo Marsh", CLEO)


def reach(stage: Stage, phone: str = GRETE) -> Reach:
    """What the club knows of a phone."""
    return stage.service.read(lambda session: reaches.find(session, CLUB, [phone]).get(phone, Reach()))


def opted_out(stage: Stage, phone: str = GRETE) -> bool:
    """Whether no text may go to it."""
    return stage.service.read(lambda session: opt_outs.is_opted_out(session, OURS, phone))


def with_new(*more: NamedPhone) -> PlanRequest:
    """A plan with a contact whom nobody has named before, and these."""
    return plan(contacts=(NEW, *more))


def view_of(stage: Stage, phone: str = GRETE) -> LinkView:
    """The page that the introduction to this phone leads to."""
    found = re.search(r"/contact/(\S+)$", stage.to(phone)[0])
    assert found is not None
    view = open_link(stage.service, found[1], LinkKind.CONTACT)
    assert view is not None
    return view


def standing(stage: Stage, dive_id: str, key: str = "contact-0") -> Standing:
    """The standing of a contact of a dive."""
    return next(one.standing for one in standings(stage.service, stage.dive(dive_id)) if one.key == key)


# Told once


def test_a_new_contact_is_told_once_what_is_asked_of_them(stage: Stage) -> None:
    """Who named them, what happens, how to agree or decline, and the page; others of the plan hear nothing."""
    dive = stage.file(with_new(CLEO_TOO))

    [told] = stage.to(GRETE)
    assert told.startswith(
        "Skerry Bay Divers: Anna Holt named you as a shore contact. You get the plan when they go in. If they are not"
        f" out in time we text you: call them, then rescue. Reply AGREE {dive.reference} or DECLINE {dive.reference}."
        " https://dive.example/contact/"
    )
    assert len(segments(told).parts) <= 2
    assert stage.to(CLEO) == []
    assert reach(stage).asked_at == BEGIN_AT


def test_nobody_is_told_a_second_time(stage: Stage) -> None:
    """Not by another plan, nor by another club member's."""
    stage.file(with_new())
    stage.file(plan(lead=NamedPhone("Bram Vik", "07700 900002"), party=(), contacts=(NEW,)))

    assert len(stage.to(GRETE)) == 1


def test_two_plans_at_the_same_moment_tell_a_newcomer_once(stage: Stage) -> None:
    """Whichever is first asks; the other sees that it did."""
    requests = [with_new(), plan(lead=NamedPhone("Bram Vik", "07700 900002"), party=(), contacts=(NEW,))]
    threads = [threading.Thread(target=file_plan, args=(stage.service, CLUB, one, BY_ANNA)) for one in requests]

    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    stage.courier.carry()

    assert len(stage.to(GRETE)) == 1


def test_a_drill_introduces_nobody(stage: Stage) -> None:
    """It would be taken for a part of the exercise; the next real plan does it."""
    stage.file(with_new(), drill=True)
    assert (stage.to(GRETE), reach(stage).asked_at) == ([], None)

    stage.file(with_new())

    assert "EXERCISE" not in stage.last_to(GRETE)
    assert reach(stage).asked_at == BEGIN_AT


def test_a_plan_that_is_refused_introduces_nobody(stage: Stage) -> None:
    """Nor does a preview."""
    refused = file_plan(stage.service, CLUB, plan(contacts=(NEW,), run_time_min=0), BY_ANNA)
    seen = preview(stage.service, CLUB, with_new(), BY_ANNA)
    stage.courier.carry()

    assert (type(refused), type(seen)) == (PlanRefused, Preview)
    assert (stage.to(GRETE), reach(stage)) == ([], Reach())


# Their word


@pytest.mark.parametrize("words", ["AGREE", "I agree, thanks", "agree {ref}"])
def test_agreeing_is_noted_and_answered(stage: Stage, words: str) -> None:
    """With or without the reference; it stands in the club's log."""
    dive = stage.file(with_new())

    [answer] = stage.text(GRETE, words.format(ref=dive.reference))

    assert answer == (
        "Skerry Bay Divers: thank you, you are a shore contact. You get the plan when they go in. No longer? Text"
        " DECLINE."
    )
    assert (reach(stage).agreed_at, reach(stage).answered_at) == (BEGIN_AT, BEGIN_AT)
    assert standing(stage, dive.id) is Standing.AGREED
    [entry] = [one for one in stage.entries(chain=log.club_chain(CLUB)) if one.kind == "contact_agreed"]
    assert entry.actor is not None
    assert (entry.actor["name"], entry.actor["phone"], entry.detail) == (
        "Grete Olsen",
        GRETE,
        {"phone": GRETE, "dives": [dive.id]},
    )


def test_declining_is_answered_and_the_lead_of_an_open_dive_is_told(stage: Stage) -> None:
    """While the diver is dry."""
    dive = stage.file(with_new(CLEO_TOO))

    [answer] = stage.text(GRETE, "DECLINE")

    assert answer == (
        "Skerry Bay Divers: noted. No plan or alarm goes to you now. Who named you is told. Yes after all? Text AGREE."
    )
    assert stage.last_to(ANNA) == (
        "Skerry Bay Divers: Grete Olsen will not be a contact. Phone somebody else ashore and tell them the plan."
    )
    assert (standing(stage, dive.id), stage.dive(dive.id).unreachable) == (Standing.DECLINED, ("contact-0",))
    assert [one.kind for one in stage.entries(chain=log.club_chain(CLUB))].count("contact_declined") == 1


def test_who_declined_gets_no_plan_and_no_alarm_and_is_passed_by(stage: Stage) -> None:
    """The next contact is alerted with the first; nothing of this dive goes to who declined, not even its end."""
    dive = stage.file(with_new(CLEO_TOO))
    stage.text(GRETE, "DECLINE")
    before = len(stage.to(GRETE))

    stage.text(ANNA, "IN")
    stage.wait(minutes=65)
    alarmed = stage.last_to(CLEO)
    stage.wait(minutes=40)
    stage.text(CLEO, f"SAFE 2 {dive.reference}")

    assert "OVERDUE" in alarmed
    assert stage.to(GRETE)[before:] == []


def test_who_declines_in_mid_alarm_hears_only_how_it_ends(stage: Stage) -> None:
    """They had been told of it; the next contact is alerted at once."""
    dive = stage.dive_in(with_new(CLEO_TOO))
    stage.wait(minutes=65)
    before = len(stage.to(GRETE))
    assert "OVERDUE" in stage.last_to(GRETE)

    stage.text(GRETE, f"DECLINE {dive.reference}")
    assert "OVERDUE" in stage.last_to(CLEO)
    stage.wait(minutes=40)
    stage.text(CLEO, f"SAFE 2 {dive.reference}")

    noted, over = stage.to(GRETE)[before:]
    assert "noted." in noted
    assert "2 divers SAFE. It is over." in over


def test_who_declined_stays_so_whatever_else_they_write_until_they_agree(stage: Stage) -> None:
    """A question or a late receipt is no consent; AGREE is, and then they get what passed them by."""
    dive = stage.dive_in(with_new(CLEO_TOO))
    notice = next(taken for taken in stage.journal if taken.to == GRETE and "please keep" in taken.body)
    stage.text(GRETE, "DECLINE")
    stage.wait(minutes=65)

    stage.text(GRETE, "sorry, I am at work")
    stage.text(GRETE, "START")
    stage.receipt(notice, ReceiptState.DELIVERED)
    assert stage.dive(dive.id).unreachable == ("contact-0",)
    assert not [text for text in stage.to(GRETE) if "OVERDUE" in text]

    alarm, answer = stage.text(GRETE, "AGREE")
    assert "OVERDUE" in alarm
    assert f"The ALARM is up for dive {dive.reference}. Do you act on it? Text OK {dive.reference}." in answer
    assert stage.dive(dive.id).unreachable == ()
    stage.text(CLEO, f"SAFE 2 {dive.reference}")


def test_who_declined_and_then_acts_gets_what_whoever_acts_needs(stage: Stage) -> None:
    """OK takes the decline back for this dive; for the club it stands until they agree."""
    dive = stage.dive_in(with_new(CLEO_TOO))
    stage.wait(minutes=65)
    stage.text(GRETE, "DECLINE")

    stage.text(GRETE, f"OK {dive.reference}")
    stage.wait(minutes=20)

    assert "CALL RESCUE NOW" in stage.last_to(GRETE)
    assert (reach(stage).declined, stage.dive(dive.id).declined) == (True, ())
    stage.text(GRETE, f"SAFE 2 {dive.reference}")


def test_a_dive_whose_contacts_all_declined_is_not_armed(stage: Stage) -> None:
    """The rules for contacts who cannot be reached hold for who will not."""
    dive = stage.file(with_new())
    stage.text(GRETE, "DECLINE")

    stage.text(ANNA, "IN")
    stage.turn()

    assert "NOT ARMED: no contact can be reached" in stage.last_to(ANNA)
    assert stage.dive(dive.id).armed_at is None
    stage.text(ANNA, "out 2")


def test_a_word_from_a_phone_that_nobody_named_decides_nothing(stage: Stage) -> None:
    """It says so, and keeps nothing of that phone."""
    for words in ("AGREE", "DECLINE"):
        assert stage.text(STRANGER, words) == [
            "Skerry Bay Divers: no plan here names this phone as a contact, so nothing was noted."
        ]

    assert reach(stage, STRANGER) == Reach()


def test_the_later_word_holds_without_an_open_dive_too(stage: Stage) -> None:
    """Months later, with nothing filed."""
    stage.file(with_new())
    stage.text(ANNA, "NOGO")
    stage.sleep(60 * 24 * 30)

    [declined] = stage.text(GRETE, "DECLINE")
    assert "goes to you from now on" in declined
    assert reach(stage).declined
    stage.sleep(1)
    stage.text(GRETE, "AGREE")

    assert not reach(stage).declined


def test_the_page_decides_as_a_text_does(stage: Stage) -> None:
    """The lead hears it; the log has the button."""
    dive = stage.file(with_new(CLEO_TOO))

    say_on_page(stage.service, view_of(stage), agrees=False)
    stage.courier.carry()

    assert "Grete Olsen will not be a contact" in stage.last_to(ANNA)
    assert stage.dive(dive.id).unreachable == ("contact-0",)
    [entry] = [one for one in stage.entries(chain=log.club_chain(CLUB)) if one.kind == "contact_declined"]
    assert (entry.actor or {})["words"] == "I decline"

    stage.sleep(1)
    say_on_page(stage.service, view_of(stage), agrees=True)
    assert (standing(stage, dive.id), stage.dive(dive.id).unreachable) == (Standing.AGREED, ())
    stage.text(ANNA, "NOGO")


def test_one_club_knows_nothing_of_what_was_said_to_another(stage: Stage) -> None:
    """The row is the club's."""
    stage.file(with_new())
    stage.text(GRETE, "AGREE")

    assert stage.service.read(lambda session: reaches.find(session, "another", [GRETE])) == {}
    stage.text(ANNA, "NOGO")


# Filing


def test_a_plan_that_nobody_would_receive_is_refused(stage: Stage) -> None:
    """One declined, the other opted out: it says who, and to name somebody else."""
    stage.file(with_new())
    stage.text(GRETE, "DECLINE")
    stage.text(CLEO, "STOP")

    refused = file_plan(stage.service, CLUB, with_new(CLEO_TOO), BY_ANNA)

    assert isinstance(refused, PlanRefused)
    assert refused.checks[-1].words == (
        "Name somebody else ashore who will raise the alarm. Nothing would reach Grete Olsen (declined), Cleo Marsh"
        " (opted out)."
    )
    stage.text(ANNA, "NOGO")


def test_a_plan_with_one_lost_contact_knows_it_from_the_start(stage: Stage) -> None:
    """The lead is told while dry, the preview shows no text to them, and nothing goes to them."""
    stage.text(CLEO, "STOP")
    request = plan()

    seen = preview(stage.service, CLUB, request, BY_ANNA)
    dive = stage.file(request)

    assert isinstance(seen, Preview)
    assert [name for name, _ in seen.contact_texts] == ["Dov Lind"]
    assert "Skerry Bay Divers: Cleo Marsh cannot be reached by text. Phone somebody ashore." in stage.to(ANNA)
    assert dive.unreachable == ("contact-0",)
    stage.text(ANNA, "NOGO")


def test_a_plan_by_text_says_that_its_contacts_are_unproven(stage: Stage) -> None:
    """A text of its own beside the codes; not where one of them is proven."""
    proven = stage.text(ANNA, "PLAN LANTERN 1000 50 P2")
    stage.text(ANNA, "NOGO")
    stage.sleep((PROVEN_FOR + timedelta(days=1)).total_seconds() / 60)

    stale = stage.text(ANNA, "PLAN LANTERN 1000 50 P2")

    words = "none of your contacts was reached in the last 180 days: phone one of them before you go in."
    assert not [text for text in proven if "none of your contacts" in text]
    assert f"Skerry Bay Divers: {words}" in stale
    stage.text(ANNA, "NOGO")


def test_the_same_request_again_is_answered_with_the_same_advice(stage: Stage) -> None:
    """A script that repeats itself hears of unproven contacts twice."""
    first = file_plan(stage.service, CLUB, with_new(), BY_ANNA, request_key="form-1")
    again = file_plan(stage.service, CLUB, with_new(), BY_ANNA, request_key="form-1")

    assert isinstance(first, PlanFiled)
    assert isinstance(again, PlanFiled)
    assert "ever answered us" in again.checks[-1].words
    assert again.checks[-1] in first.checks
    stage.text(ANNA, "NOGO")


# Proof of reach


def test_a_delivered_text_is_a_proof_of_reach_and_no_word(stage: Stage) -> None:
    """Whatever it said."""
    dive = stage.file(with_new())
    stage.sleep(2)

    stage.receipt(stage.journal[-1], ReceiptState.DELIVERED)

    assert stage.journal[-1].to == GRETE
    assert (reach(stage).reached_at, reach(stage).answered_at) == (BEGIN_AT + timedelta(minutes=2), None)
    assert standing(stage, dive.id) is Standing.NEVER_ANSWERED
    stage.text(ANNA, "NOGO")


def test_a_failed_receipt_proves_nothing(stage: Stage) -> None:
    """Nor does one that it is on its way."""
    stage.file(with_new())

    stage.receipt(stage.journal[-1], ReceiptState.SENT)
    stage.receipt(stage.journal[-1], ReceiptState.FAILED, code="30003", blame=Blame.TRANSIENT)

    assert reach(stage).reached_at is None
    stage.text(ANNA, "NOGO")


def test_any_text_from_a_contact_is_a_word_from_them(stage: Stage) -> None:
    """Also one that is not understood."""
    dive = stage.file(with_new())
    stage.sleep(2)

    stage.text(GRETE, "who is this")

    now = BEGIN_AT + timedelta(minutes=2)
    assert (reach(stage).reached_at, reach(stage).answered_at) == (now, now)
    assert standing(stage, dive.id) is Standing.ANSWERED
    stage.text(ANNA, "NOGO")


def test_a_button_on_a_contacts_page_is_a_word_from_them(stage: Stage) -> None:
    """Also one that is refused; the lead's buttons say nothing of the contacts."""
    dive = stage.file(with_new())
    stage.sleep(2)
    act(stage.service, dive.id, CallOff(BY_ANNA))
    assert reach(stage).answered_at is None

    refused = act(stage.service, dive.id, Acknowledge(Actor(Role.CONTACT, "Grete Olsen", Via.PAGE, "contact-0", GRETE)))

    assert refused is not None
    assert refused.refusal is not None
    assert reach(stage).answered_at == BEGIN_AT + timedelta(minutes=2)


@pytest.mark.parametrize("which", ["start notice", "alarm"])
def test_a_key_in_a_call_is_a_word_from_a_landline(stage: Stage, which: str) -> None:
    """It was never asked anything, and is shown as what it is; the call itself proves nothing."""
    stage.opens_every_way()
    stage.first.sends_receipts = True
    dive = stage.dive_in(plan(contacts=(NamedPhone("Harbour office", HARBOUR), CLEO_TOO)))
    if which == "alarm":
        stage.wait(minutes=65)
    call = [taken for taken in stage.journal if taken.to == HARBOUR][-1]
    assert (call.channel, reach(stage, HARBOUR)) == (Channel.CALL, Reach())

    press(stage.service, call.reference, "1", call.gateway, call.provider_id, {"Digits": "1"})

    assert reach(stage, HARBOUR).answered_at == stage.clock.at
    assert standing(stage, dive.id) is Standing.LANDLINE
    stage.text(ANNA, "out 2")


def test_nothing_is_kept_of_those_whom_no_plan_names(stage: Stage) -> None:
    """Divers and strangers write too."""
    stage.file(with_new())
    stage.text(STRANGER, "hello")
    stage.text(ANNA, "NOGO")

    assert (reach(stage, STRANGER), reach(stage, ANNA)) == (Reach(), Reach())


# Opting out


@pytest.mark.parametrize("way", ["refused at once", "by a receipt"])
def test_a_gateway_that_says_opted_out_is_believed_for_every_dive(stage: Stage, way: str) -> None:
    """As if they had texted STOP: kept, logged, shown, and nothing more is tried."""
    if way == "refused at once":
        stage.first.numbers[GRETE] = refuse(Blame.OPTED_OUT)
    dive = stage.file(with_new(CLEO_TOO))
    if way == "by a receipt":
        taken = next(one for one in stage.journal if one.to == GRETE)
        stage.receipt(taken, ReceiptState.FAILED, code="21610", blame=Blame.OPTED_OUT)

    assert opted_out(stage)
    assert (standing(stage, dive.id), stage.dive(dive.id).unreachable) == (Standing.OPTED_OUT, ("contact-0",))
    assert [one.kind for one in stage.entries(chain=log.club_chain(CLUB))].count("opted_out") == 1
    stage.courier.carry()
    assert "Grete Olsen cannot be reached by text" in stage.last_to(ANNA)
    stage.text(ANNA, "NOGO")


@pytest.mark.parametrize("words", ["START", "UNSTOP", "AGREE"])
def test_opting_in_again_lets_the_dive_know_that_the_phone_is_reachable(stage: Stage, words: str) -> None:
    """The texts of the alarm go to them again."""
    dive = stage.dive_in(with_new(CLEO_TOO))
    stage.text(GRETE, "STOP")
    assert stage.dive(dive.id).unreachable == ("contact-0",)

    assert len(stage.text(GRETE, words)) == 1

    assert (opted_out(stage), stage.dive(dive.id).unreachable) == (False, ())
    stage.wait(minutes=65)
    assert "OVERDUE" in stage.last_to(GRETE)
    stage.text(ANNA, "out 2")


def test_opting_in_does_not_take_back_a_decline(stage: Stage) -> None:
    """Wanting texts is one thing, raising alarms another."""
    dive = stage.file(with_new(CLEO_TOO))
    stage.text(GRETE, "DECLINE")
    stage.text(GRETE, "STOP")

    stage.text(GRETE, "START")

    assert (standing(stage, dive.id), stage.dive(dive.id).unreachable) == (Standing.DECLINED, ("contact-0",))
    stage.text(ANNA, "NOGO")


def test_the_other_contact_is_untouched_by_all_of_it(stage: Stage) -> None:
    """What one phone says is its own."""
    dive = stage.dive_in(with_new(CLEO_TOO, NEWER))
    stage.text(GRETE, "DECLINE")

    assert [one.standing for one in standings(stage.service, stage.dive(dive.id))] == [
        Standing.DECLINED,
        Standing.AGREED,
        Standing.NEVER_ANSWERED,
    ]
    assert [one.fails_now for one in standings(stage.service, stage.dive(dive.id))] == [True, False, False]
    stage.text(ANNA, "out 2")
