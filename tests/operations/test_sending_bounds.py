"""What a club sends beside its armed dives is bounded; what an armed dive needs never is."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.domain.people import Actor, Role, Via
from service.domain.phone import read_phone
from service.domain.wording import MessageKind
from service.operations.admin_roles import AdminRole
from service.operations.filing import PlanFiled, PlanRefused, file_plan
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.operations.resending import NotResent, Resent, resend
from service.operations.sending_bounds import BOUNDED
from service.operations.sending_settings import SETTING
from service.operations.signing_in import SignedIn
from service.store import admins, clubs, log, outbox, people, reaches
from service.store.outbox import Message
from tests.operations.stage import ANNA, BRAM, BY_ANNA, CLEO, CLUB, DOV, FINN, OURS, STRANGER, Stage, plan

GRETE, HANNE = "+447700900031", "+447700900032"
ABROAD = "+491701234567"
NOTHING_LEFT = {
    "number_day": 0,
    "club_hour": 0,
    "club_day": 0,
    "drills_day": 0,
    "part_price": "0.05",
    "month_spend": "0.01",
}


def allow(stage: Stage, **limits: Any) -> None:
    """The club's bounds from now on; what is left out is as usual."""

    def work(session: Session) -> None:
        club = clubs.get(session, CLUB)
        assert club is not None
        club.settings = {**club.settings, SETTING: limits}

    stage.service.write(work)


def bounded(stage: Stage) -> list[tuple[str, str]]:
    """What the club's log says was held off, and by which bound."""
    entries = stage.entries(chain=log.club_chain(CLUB))
    details = [entry.detail or {} for entry in entries if entry.kind == BOUNDED]
    return [(detail["what"], detail["why"]) for detail in details]


def with_new(phone: str = GRETE, **changes: Any) -> PlanRequest:
    """A plan with a contact whom nobody has named before, and one that is known."""
    return plan(contacts=(NamedPhone("Grete Olsen", phone), NamedPhone("Cleo Marsh", CLEO)), **changes)


def filed_by_form(stage: Stage, request: PlanRequest) -> PlanFiled | PlanRefused:
    """As the open form files."""
    outcome = file_plan(stage.service, CLUB, request, BY_ANNA, by_anybody=True)
    stage.courier.carry()
    return outcome


def admin(stage: Stage) -> SignedIn:
    """The club's admin at the desk."""

    def work(session: Session) -> SignedIn:
        row = admins.listing(session, CLUB)[0]
        return SignedIn(row.id, row.name, CLUB, "Skerry Bay Divers", "Europe/London", AdminRole.OWNER)

    return stage.service.read(work)


# What is never bounded


def test_an_armed_dive_and_its_alarm_know_no_bound(stage: Stage) -> None:
    """With all of every budget used up: armed, asked, reminded, alerted, distressed, answered, stood down, as ever."""
    allow(stage, **NOTHING_LEFT)
    before = len(bounded(stage))

    dive = stage.file(plan(time_in_at=stage.clock.at))
    [armed] = stage.text(ANNA, f"IN {dive.start_code}")
    assert "ARMED" in armed
    assert all("Not heard by" in stage.last_to(phone) for phone in (CLEO, DOV))
    assert "due out is now" in stage.text(ANNA, "late 10")[-1]
    assert stage.text(BRAM, "status") != []
    stage.wait(minutes=61)
    assert "you are due out" in stage.last_to(ANNA)
    stage.wait(minutes=20)
    assert all("OVERDUE" in stage.last_to(phone) for phone in (CLEO, DOV))
    stage.wait(minutes=15)
    assert all("CALL RESCUE NOW" in stage.last_to(phone) for phone in (CLEO, DOV))
    stage.wait(minutes=40)
    assert "NO CONTACT HAS ANSWERED" in stage.last_to(FINN)
    assert "thank you" in stage.text(CLEO, "OK")[0]
    assert "position" in stage.text(DOV, "WHERE")[0].lower() or "47.1" in stage.last_to(DOV)
    assert stage.text(STRANGER, f"OUT 2 {dive.finish_code}") != []
    assert all("It is over" in stage.last_to(phone) for phone in (BRAM, CLEO, DOV))

    sent = stage.messages(dive.id)
    assert {one.kind for one in sent} >= {kind.name.lower() for kind in MessageKind} - {"other"}
    assert {one.state for one in sent} <= {outbox.HANDED, outbox.DELIVERED, outbox.EXPIRED}
    assert len(bounded(stage)) == before


def test_a_cry_for_help_from_a_phone_nobody_knows_is_answered_whatever_was_sent(quick_stage: Stage) -> None:
    """They hear whom to call; HELP alone asks how it works, and waits."""
    allow(quick_stage, **NOTHING_LEFT)

    assert "999" in quick_stage.text(STRANGER, "SOS")[0] or "rescue" in quick_stage.last_to(STRANGER)
    assert "rescue" in quick_stage.text(ABROAD, "my buddy is missing")[0]
    assert quick_stage.text(STRANGER, "help") == []
    assert bounded(quick_stage) == [("answer", "number")]


def test_a_drill_that_has_begun_goes_on_whole(quick_stage: Stage) -> None:
    """Half an exercise would prove the wrong thing."""
    dive = quick_stage.file(drill=True)
    allow(quick_stage, **NOTHING_LEFT)

    quick_stage.text(ANNA, f"IN {dive.start_code}")
    quick_stage.wait(minutes=70)

    assert "EXERCISE" in quick_stage.last_to(CLEO)
    assert "OVERDUE" in quick_stage.last_to(CLEO)
    quick_stage.text(ANNA, "OUT 2")
    assert bounded(quick_stage) == []


# Plans


def test_a_form_that_anybody_can_open_is_refused_when_the_hour_is_used_up(quick_stage: Stage) -> None:
    """With words for somebody who stands on the beach; nothing is filed, nobody is texted."""
    allow(quick_stage, club_hour=0)

    refused = filed_by_form(quick_stage, with_new())

    assert isinstance(refused, PlanRefused)
    [words] = [check.words for check in refused.checks if check.field == "sending"]
    assert words == (
        "Nothing was filed: the club has sent as many texts this hour as it allows beside its dives. If the club knows"
        " your phone, text your plan to it. Else phone somebody ashore and tell them the plan."
    )
    assert (quick_stage.journal, quick_stage.all_dives()) == ([], [])
    assert bounded(quick_stage) == [("plan", "hour")]


@pytest.mark.parametrize(
    ("limits", "why"),
    [({"number_day": 4}, "number"), ({"club_hour": 4}, "hour"), ({"club_day": 4}, "day")],
)
def test_each_budget_holds_off_the_plan_that_would_pass_it(stage: Stage, limits: dict[str, int], why: str) -> None:
    """A form costs a part for its lead and two for each newcomer; the second one is one too many."""
    allow(stage, **limits)
    assert isinstance(filed_by_form(stage, with_new()), PlanFiled)
    assert isinstance(filed_by_form(stage, plan()), PlanFiled)
    for _ in range(2):
        filed_by_form(stage, plan())

    assert isinstance(filed_by_form(stage, plan()), PlanRefused)
    assert bounded(stage) == [("plan", why)]


def test_a_budget_is_whole_again_when_its_time_is_over(quick_stage: Stage) -> None:
    """An hour later the hour counts nothing."""
    allow(quick_stage, club_hour=3)
    assert isinstance(filed_by_form(quick_stage, with_new()), PlanFiled)
    assert isinstance(filed_by_form(quick_stage, plan()), PlanRefused)

    quick_stage.clock.at += timedelta(hours=1, seconds=1)

    assert isinstance(filed_by_form(quick_stage, plan()), PlanFiled)


def test_what_an_armed_dive_is_told_uses_up_nothing(quick_stage: Stage) -> None:
    """A busy day at sea takes no text from anybody ashore."""
    allow(quick_stage, club_hour=4)
    quick_stage.dive_in()
    for _ in range(6):
        quick_stage.text(ANNA, "status")

    assert isinstance(filed_by_form(quick_stage, with_new()), PlanFiled)


def test_a_known_phone_files_by_text_and_only_the_introduction_waits(quick_stage: Stage) -> None:
    """The contact is still new, so the next plan introduces them."""
    _usual_contact(quick_stage, GRETE)
    allow(quick_stage, **(NOTHING_LEFT | {"part_price": ""}))

    quick_stage.text(ANNA, "PLAN LANTERN now 50 P2")

    assert any("plan filed" in body for body in quick_stage.to(ANNA))
    assert quick_stage.to(GRETE) == []
    assert bounded(quick_stage) == [("introduction", "number")]
    assert quick_stage.service.read(lambda session: reaches.find(session, CLUB, [GRETE]))[GRETE].is_new
    allow(quick_stage)
    quick_stage.text(ANNA, "no dive")
    quick_stage.text(ANNA, "PLAN LANTERN now 50 P2")
    assert "named you as a shore contact" in quick_stage.last_to(GRETE)


def _usual_contact(stage: Stage, phone: str) -> None:
    def work(session: Session) -> None:
        person = people.by_phone(session, CLUB, ANNA)
        assert person is not None
        person.usual_contacts = [{"name": "Grete Olsen", "phone": phone}]

    stage.service.write(work)


def test_a_contact_in_another_country_is_refused_while_the_diver_is_dry(quick_stage: Stage) -> None:
    """By whatever way the plan comes; the words name the country and what to do."""
    refused = file_plan(quick_stage.service, CLUB, with_new(ABROAD), BY_ANNA)

    assert isinstance(refused, PlanRefused)
    [check] = [check for check in refused.checks if check.level == "refuse"]
    assert check.field == "contacts"
    assert check.words == (
        "Grete Olsen: Skerry Bay Divers sends no texts to Germany (+49). Give a number in United Kingdom, or ask the"
        " club to allow that country or to add this person."
    )
    allow(quick_stage, countries=["DE"])
    assert isinstance(file_plan(quick_stage.service, CLUB, with_new(ABROAD), BY_ANNA), PlanFiled)


@pytest.mark.parametrize("field", ["lead", "party"])
def test_so_is_a_diver_of_another_country(quick_stage: Stage, field: str) -> None:
    """The clock's reminders would go there too."""
    named = NamedPhone("Grete Olsen", ABROAD)
    request = plan(lead=named) if field == "lead" else plan(party=(named,))

    refused = file_plan(quick_stage.service, CLUB, request, BY_ANNA)

    assert isinstance(refused, PlanRefused)
    assert [check.field for check in refused.checks if check.level == "refuse"] == [field]


@pytest.mark.parametrize("kept", ["person", "usual contact", "agreed"])
def test_a_number_that_the_club_keeps_itself_may_be_anywhere(quick_stage: Stage, kept: str) -> None:
    """Somebody there knows whose it is."""
    if kept == "person":
        quick_stage.service.write(lambda session: people.add(session, club_id=CLUB, name="Grete", phone=ABROAD))
    elif kept == "usual contact":
        _usual_contact(quick_stage, ABROAD)
    else:
        quick_stage.service.write(lambda session: reaches.decide(session, CLUB, ABROAD, "agreed", quick_stage.clock.at))

    assert isinstance(file_plan(quick_stage.service, CLUB, with_new(ABROAD), BY_ANNA), PlanFiled)


def test_a_country_that_is_taken_off_the_list_silences_no_dive_that_is_filed(quick_stage: Stage) -> None:
    """The list is asked before anybody is in the water, and never again."""
    allow(quick_stage, countries=["DE"])
    dive = quick_stage.file(with_new(ABROAD))
    allow(quick_stage, **NOTHING_LEFT)

    quick_stage.text(ANNA, f"IN {dive.start_code}")
    quick_stage.wait(minutes=66)

    assert "OVERDUE" in quick_stage.last_to(ABROAD)
    quick_stage.text(ANNA, "OUT 2")
    assert "It is over" in quick_stage.last_to(ABROAD)


# Answers, drills, resends


def test_strangers_are_not_answered_without_end(quick_stage: Stage) -> None:
    """Many numbers, forged or not, use up what the club allows; its own people are answered all the same."""
    allow(quick_stage, club_hour=3)
    answered = [bool(quick_stage.text(f"+4477009005{number:02}", "what is this")) for number in range(1, 6)]

    assert answered == [True, True, True, False, False]
    assert quick_stage.text(BRAM, "what is this") != []
    assert bounded(quick_stage) == [("answer", "hour")]


def test_a_stranger_of_another_country_gets_no_answer(quick_stage: Stage) -> None:
    """Their text is kept and logged like any other."""
    assert quick_stage.text(ABROAD, "what is this") == []
    assert bounded(quick_stage) == [("answer", "country")]
    assert any(entry.kind == "text_read" for entry in quick_stage.entries(chain=log.club_chain(CLUB)))


def test_a_flood_that_is_held_off_does_not_flood_the_log(stage: Stage) -> None:
    """Once an hour for each bound."""
    allow(stage, club_hour=0)
    for number in range(1, 6):
        stage.text(f"+4477009005{number:02}", "what is this")
    assert len(bounded(stage)) == 1

    stage.clock.at += timedelta(hours=1)
    stage.text("+447700900599", "what is this")

    assert len(bounded(stage)) == 2


def test_drills_are_counted_by_the_day(quick_stage: Stage) -> None:
    """The daily test of the club by itself is none of them."""
    allow(quick_stage, drills_day=1)
    owner = admin(quick_stage)
    by = Actor(Role.ADMIN, owner.name, Via.PAGE, key=f"admin-{owner.admin_id}")
    assert isinstance(file_plan(quick_stage.service, CLUB, plan(), by, drill=True), PlanFiled)

    refused = file_plan(quick_stage.service, CLUB, plan(), by, drill=True)
    daily = file_plan(quick_stage.service, CLUB, plan(), Actor(Role.STRANGER, "daily", Via.COMMAND), drill=True)

    assert isinstance(refused, PlanRefused)
    assert refused.checks[-1].words == (
        "No drill was begun: the club has begun as many drills today as it allows. The owners of the club can change"
        " that."
    )
    assert isinstance(daily, PlanFiled)
    assert bounded(quick_stage) == [("drill", "drills")]


def _again(stage: Stage, message: Message) -> Resent | NotResent:
    return resend(stage.service, admin(stage), message.id, "Grete rang: nothing came", 0)


def test_an_introduction_is_not_sent_again_when_the_budget_is_used_up(stage: Stage) -> None:
    """The desk says so; once the dive is armed its notices go again whatever was used."""
    dive = stage.file(with_new())
    allow(stage, **NOTHING_LEFT)
    introduction = stage.message(dive.id, "contact-0", "introduction")

    held_off = _again(stage, introduction)

    assert isinstance(held_off, NotResent)
    assert held_off.words == (
        "Nothing was sent: this phone has had as many texts today as the club allows it. Phone the person yourself."
    )
    assert bounded(stage) == [("resent", "number")]
    stage.text(ANNA, f"IN {dive.start_code}")
    [notice] = [one for one in stage.messages(dive.id) if one.kind == "start_notice" and one.phone == GRETE]
    assert isinstance(_again(stage, notice), Resent)
    stage.text(ANNA, "OUT 2")
    [over] = [one for one in stage.messages(dive.id) if one.kind == "stand_down" and one.phone == GRETE]
    assert isinstance(_again(stage, over), Resent)


def test_the_spend_of_the_month_bars_only_what_no_dive_needs(stage: Stage) -> None:
    """All that gateways took is on the bill; the next month begins anew."""
    allow(stage, part_price="0.10", month_spend="0.35")
    dive = stage.dive_in()
    stage.wait(minutes=66)
    assert "OVERDUE" in stage.last_to(CLEO)
    stage.text(ANNA, "OUT 2")

    assert stage.text(STRANGER, "what is this") == []
    assert bounded(stage) == [("answer", "spend")]
    assert stage.dive(dive.id).outcome == "surfaced"
    stage.clock.at += timedelta(days=31)
    assert stage.text(STRANGER, "what is this") != []


def test_another_club_has_a_budget_of_its_own(quick_stage: Stage) -> None:
    """What one club is made to send takes nothing from the next."""
    allow(quick_stage, club_hour=0)
    quick_stage.service.write(
        lambda session: clubs.add(
            session,
            club_id="other",
            name="Far Reef Club",
            country="GB",
            zone="Europe/London",
            receiving_number="+447700900777",
            rescue_call="07700 900777",
        )
    )
    assert read_phone(OURS, "GB") == OURS
    inbound_id = quick_stage.receive(STRANGER, "what is this", receiver="+447700900777")
    assert inbound_id is not None
    quick_stage.answer(inbound_id)
    quick_stage.courier.carry()

    assert quick_stage.to(STRANGER) != []
