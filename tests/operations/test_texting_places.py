"""Texts about places: WHERE, PACK, ON SCENE, short codes and slips; and the admins who answer a hand-up."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.dive import Dive, next_due_at
from service.domain.dive.commands import ReportFix
from service.domain.encoding import segments
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.domain.wording import LinkKind
from service.operations.pages import open_link
from service.operations.plan_reading import NamedPhone
from service.operations.recording import act
from service.store import dives
from service.store.tables import InboundTextRow, LogEntryRow
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, FINN, STRANGER, Stage, plan, plan_of
from tests.operations.test_texting import events

PACK_LINK = re.compile(r" https://dive\.example/handover/(?P<token>[\w-]{22})$")


def without_position(session: Session, dive: Dive) -> None:
    """Let a filed dive be one whose site has none, as a plan of before sites had positions."""
    site = replace(dive.plan.site, position=None, points=())
    bare = replace(dive, plan=replace(dive.plan, site=site))
    dives.save(session, bare, expected_version=dive.version, next_due_at=next_due_at(bare))


# WHERE


@pytest.mark.parametrize("sender", [CLEO, ANNA], ids=["a contact", "a diver"])
def test_where_is_answered_with_the_last_known_position_in_three_forms(stage: Stage, sender: str) -> None:
    """By text and by the phone itself: the later one, how it is known, and nothing changes."""
    dive = stage.dive_in()
    stage.sleep(10)
    stage.text(BRAM, "AT 47.11,-20.53")
    by = Actor(Role.DIVER, "Anna Holt", Via.PAGE, "diver-0", words="Here")
    stage.sleep(5)
    act(stage.service, dive.id, ReportFix(by, Position(47.12001, -20.54002), accuracy_m=210.0))
    stage.wait(minutes=51)
    before = stage.dive(dive.id)

    [answer] = stage.text(sender, "Where are they?")

    assert answer == (
        f"Skerry Bay Divers: dive {dive.reference}, Lantern Cove: 47.12001,-20.54002 or 47 07.201N 020 32.401W or"
        " plus code 89VX4FC5+2X5. From Anna Holt (by the phone itself) 10:15, within 210 m. 450 m SSE of Lantern Cove."
    )
    assert len(segments(answer).parts) <= 2
    assert stage.dive(dive.id) == before


def test_where_with_several_alarms_asks_which(stage: Stage) -> None:
    """And takes the reference of any."""
    first, second = stage.dive_in(plan_of(1, (CLEO,))), stage.dive_in(plan_of(2, (CLEO,)))
    stage.wait(minutes=66)

    [asked] = stage.text(CLEO, "WHERE")
    [answer] = stage.text(CLEO, f"WHERE {second.reference}")

    assert "which dive? Nothing changed. Text WHERE" in asked
    assert f"WHERE {first.reference}" in asked
    assert f"dive {second.reference}, Lantern Cove: " in answer


def test_where_means_the_alarm_before_the_dive_that_is_in_time(stage: Stage) -> None:
    """The sender need not know the reference when only one can be meant."""
    alarmed = stage.dive_in(plan_of(1, (CLEO,)))
    stage.wait(minutes=60)
    stage.dive_in(plan_of(2, (CLEO,)))
    stage.wait(minutes=10)

    assert f"dive {alarmed.reference}," in stage.text(CLEO, "position?")[0]


def test_a_stranger_is_told_nothing_of_where_anybody_is(stage: Stage) -> None:
    """With or without the reference of a dive."""
    dive = stage.dive_in()

    for body in ("WHERE", f"WHERE {dive.reference}", f"PACK {dive.reference}", f"ON SCENE {dive.reference}"):
        [answer] = stage.text(STRANGER, body)
        assert "no open dive for this phone" in answer
        assert "https:" not in answer


def test_where_is_answered_for_a_day_after_the_end(stage: Stage) -> None:
    """As long as the links live; it says that it is over."""
    stage.dive_in()
    stage.text(ANNA, "OUT 2")

    stage.sleep(23 * 60)
    assert "It is over since Tue 1 Jun 10:00." in stage.text(CLEO, "WHERE")[0]
    stage.sleep(61)
    assert "no open dive" in stage.text(CLEO, "WHERE")[0]


# PACK


def test_a_contact_gets_a_link_that_opens_the_pack_alone(stage: Stage) -> None:
    """It may be passed on: with it nobody can answer the alarm."""
    dive = stage.dive_in()
    stage.wait(minutes=66)

    [answer] = stage.text(CLEO, "PACK")

    found = PACK_LINK.search(answer)
    assert found
    assert "You may pass this link on to rescue." in answer
    assert answer.count("https:") == 1
    assert len(segments(answer).parts) <= 2
    view = open_link(stage.service, found["token"], LinkKind.HANDOVER)
    assert view is not None
    assert (view.dive.id, view.person.name) == (dive.id, "Cleo Marsh")
    assert open_link(stage.service, found["token"], LinkKind.ALARM) is None
    assert stage.dive(dive.id).acknowledged == ()


def test_the_log_has_what_was_answered_but_not_the_token(stage: Stage) -> None:
    """Who reads the log must not open the pack by it."""
    stage.dive_in()
    found = PACK_LINK.search(stage.text(CLEO, "the pack please")[0])
    assert found

    logged = stage.service.read(lambda session: session.execute(select(LogEntryRow.detail)).scalars().all())

    assert any("all that rescue asks" in (detail or "") for detail in logged)
    assert not any(found["token"] in (detail or "") for detail in logged)


@pytest.mark.parametrize(
    ("sender", "body", "told"),
    [
        (ANNA, "PACK", "the pack is for the contacts of dive"),
        (BRAM, "handover", "the pack is for the contacts of dive"),
    ],
    ids=["the lead", "a buddy"],
)
def test_a_diver_gets_no_link(stage: Stage, sender: str, body: str, told: str) -> None:
    """The refusal is plain and says what a diver can ask."""
    stage.dive_in()

    [answer] = stage.text(sender, body)

    assert told in answer
    assert "You can text WHERE" in answer
    assert "https:" not in answer


def test_before_the_start_there_is_no_pack(stage: Stage) -> None:
    """Nothing can be handed over."""
    stage.file()

    [answer] = stage.text(CLEO, "PACK")

    assert "has not started, so there is no pack yet" in answer
    assert "https:" not in answer


def test_a_pack_is_sent_for_a_day_after_the_end(stage: Stage) -> None:
    """A filed plan of the same contact does not hide it."""
    dive = stage.dive_in()
    stage.text(ANNA, "OUT 2")
    stage.sleep(23 * 60)
    stage.file(plan_of(1, (CLEO,)))

    assert f"dive {dive.reference}, all that rescue asks" in stage.text(CLEO, "PACK")[0]
    stage.sleep(61)
    assert "has not started" in stage.text(CLEO, "PACK")[0]


def test_where_no_text_holds_the_link_the_answer_says_what_to_do(stage: Stage) -> None:
    """A half link is worse than none."""
    object.__setattr__(stage.service, "public_url", "https://dive.example/" + "a" * 300)
    stage.dive_in()

    [answer] = stage.text(CLEO, "PACK")

    assert "too long for a text. The page of your alert leads to it." in answer
    assert "https:" not in answer


# ON SCENE


def test_a_contact_on_scene_is_noted_and_the_other_hears_it(stage: Stage) -> None:
    """So that rescue is met."""
    dive = stage.dive_in()
    stage.wait(minutes=71)

    [answer] = stage.text(DOV, "I'm at the site now")

    assert "noted, you are at the site" in answer
    assert "Dov Lind is at the site" in stage.last_to(CLEO)
    assert events(stage, dive.id)[-1] == "on_scene"
    assert "noted already" in stage.text(DOV, "on scene")[0]


@pytest.mark.parametrize("body", ["at the site", "ON SCENE", "im at the site now"])
def test_a_diver_at_the_site_is_asked_about_and_changes_nothing(stage: Stage, body: str) -> None:
    """It may be before the dive, or after it: no clock starts and none stops."""
    dive = stage.dive_in()

    [answer] = stage.text(ANNA, body)

    assert "not understood, nothing changed. The clock runs." in answer
    after = stage.dive(dive.id)
    assert (after.live, after.on_scene) == (True, ())
    assert events(stage, dive.id)[-1] == "heard"


def test_who_dives_and_is_contact_of_another_dive_says_which(stage: Stage) -> None:
    """A bare `at the site` is about their own dive; with the reference they are there for rescue."""
    alarmed = stage.dive_in(plan_of(1, (ANNA,)))
    stage.wait(minutes=66)
    own = stage.file()

    [asked] = stage.text(ANNA, "at the site")
    assert "Ashore for another dive? Text ON SCENE and its reference." in asked
    assert (stage.dive(alarmed.id).on_scene, stage.dive(own.id).on_scene) == ((), ())

    [noted] = stage.text(ANNA, f"ON SCENE {alarmed.reference}")
    assert "noted, you are at the site" in noted
    assert [told.key for told in stage.dive(alarmed.id).on_scene] == ["contact-0"]


def test_a_contact_of_two_alarms_on_scene_is_asked_which(stage: Stage) -> None:
    """Rescue must not be sent to the other site."""
    first = stage.dive_in(plan_of(1, (CLEO,)))
    stage.dive_in(plan_of(2, (CLEO,)))
    stage.wait(minutes=66)

    [answer] = stage.text(CLEO, "on scene")

    assert f"ON SCENE {first.reference}" in answer
    assert stage.dive(first.id).on_scene == ()


# Positions


def test_a_short_plus_code_is_found_near_the_site_of_the_dive(stage: Stage) -> None:
    """As maps show it: without the part that says which region."""
    dive = stage.dive_in()
    stage.sleep(1)

    [answer] = stage.text(ANNA, "AT 4FC5+2X")

    fix = stage.dive(dive.id).fix
    assert fix is not None
    assert (round(fix.position.lat, 4), round(fix.position.lon, 4)) == (47.1201, -20.5401)
    assert "position 47.12" in answer


def test_a_short_plus_code_comes_with_a_start_and_with_an_sos(stage: Stage) -> None:
    """The alarm first, and then the place for all contacts."""
    dive = stage.file()
    stage.text(ANNA, f"IN {dive.start_code} at 4FC5+2X")
    assert stage.dive(dive.id).fix is not None

    stage.text(ANNA, "SOS at 4FC5+3X")

    position, alarm = sorted(stage.to(CLEO)[-2:], key=lambda body: "ALARM" in body)
    assert '"at 4FC5+3X"' in alarm
    assert "position 47.12" in position
    assert len(stage.dive(dive.id).fixes) == 2


def test_a_short_plus_code_for_a_site_without_a_position_is_answered(unchecked: Stage) -> None:
    """A start with one still starts, and an SOS still raises."""
    dive = unchecked.file()
    unchecked.service.write(lambda session: without_position(session, dive))
    unchecked.text(ANNA, f"IN {dive.start_code} at 4FC5+2X")
    assert unchecked.dive(dive.id).live

    [answer] = unchecked.text(ANNA, "AT 4FC5+2X")

    assert "not understood, nothing changed. The clock runs." in answer
    assert "4FC5+2X is a short plus code, which means nothing without a place near it" in answer
    unchecked.text(ANNA, "SOS at 4FC5+2X")
    assert unchecked.dive(dive.id).alarmed
    assert unchecked.dive(dive.id).fixes == ()


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("AT 91 N 20 W", "latitude 91 is impossible: it goes from 90 south to 90 north."),
        ("AT 56.1", "56.1 is one number: give latitude and longitude, as in 47.12345,-20.54321"),
        ("AT 47 75.1N 20 10.1W", "minutes and seconds go up to 59, not 75.1, in 47 75.1."),
    ],
)
def test_a_position_that_cannot_be_is_answered_with_what_is_wrong(stage: Stage, body: str, why: str) -> None:
    """Unclear stays unclear for the clock, and the words are kept."""
    dive = stage.dive_in()

    [answer] = stage.text(ANNA, body)

    assert f"not understood, nothing changed. The clock runs. Position: {why}" in answer
    assert len(segments(answer).parts) <= 2
    after = stage.dive(dive.id)
    assert (after.live, after.fixes) == (True, ())
    assert after.last_heard is not None
    assert after.last_heard.words == body


def test_a_swapped_position_is_not_used_and_said_to_be_swapped(stage: Stage) -> None:
    """A slip of 7,000 km sends nobody there."""
    dive = stage.dive_in()

    [answer] = stage.text(ANNA, "AT -20.54321,47.12345")

    assert "kept but not used: it is far from Lantern Cove. Swapped? If you mean 47.12345,-20.54321" in answer
    assert stage.dive(dive.id).fix is None
    assert len(stage.dive(dive.id).fixes) == 1


# Admins


def test_an_admin_who_got_the_hand_up_can_answer_by_text(stage: Stage) -> None:
    """It asks for these answers, so they count, as the admin's."""
    dive = stage.dive_in()
    stage.wait(minutes=112)
    assert "NO CONTACT HAS ANSWERED" in stage.last_to(FINN)

    assert f"dive {dive.reference}, Lantern Cove: " in stage.text(FINN, "WHERE")[0]
    assert PACK_LINK.search(stage.text(FINN, f"PACK {dive.reference}")[0])
    assert "thank you" in stage.text(FINN, f"OK {dive.reference}")[0]
    assert "noted, you are at the site" in stage.text(FINN, "ON SCENE")[0]
    assert "noted, rescue called" in stage.text(FINN, "CALLED 4711")[0]
    assert [told.key.partition("-")[0] for told in stage.dive(dive.id).acknowledged] == ["admin"]
    stage.text(FINN, "SAFE 2")

    closed = stage.dive(dive.id)
    assert closed.closed_by is not None
    assert (closed.closed_by.role, closed.closed_by.name) == (Role.ADMIN, "Finn Aske")
    assert "It is over" in stage.last_to(CLEO)
    stage.sleep(23 * 60)
    assert "It is over since" in stage.text(FINN, "WHERE")[0]


def test_an_admin_has_no_part_in_a_dive_that_is_in_time(stage: Stage) -> None:
    """Nor do other words of an admin touch any dive."""
    dive = stage.dive_in()

    assert "no open dive for this phone" in stage.text(FINN, f"WHERE {dive.reference}")[0]
    stage.wait(minutes=66)
    assert "no open dive for this phone" in stage.text(FINN, "OUT 2")[0]
    assert stage.dive(dive.id).alarmed


def test_an_admin_who_is_a_contact_answers_as_one(stage: Stage) -> None:
    """Once, and as the contact of that dive."""
    contacts = (NamedPhone("Finn Aske", FINN), NamedPhone("Dov Lind", DOV))
    dive = stage.dive_in(plan(contacts=contacts))
    stage.wait(minutes=66)

    stage.text(FINN, "OK")

    assert [told.key for told in stage.dive(dive.id).acknowledged] == ["contact-0"]


# Whom the alarm passed by


def test_a_contact_who_opts_in_again_in_an_alarm_gets_it_at_once(stage: Stage) -> None:
    """The ladder had gone past them."""
    stage.dive_in()
    stage.text(CLEO, "STOP")
    stage.wait(minutes=66)
    assert not any("OVERDUE" in body for body in stage.to(CLEO))

    stage.text(CLEO, "START")

    assert sum("OVERDUE: Anna Holt + 1 (2 divers)." in body for body in stage.to(CLEO)) == 1


def test_a_contact_who_answers_the_alarm_does_not_get_it_once_more(stage: Stage) -> None:
    """Whether a receipt said so or not, they have it."""
    dive = stage.dive_in()
    stage.first.sends_receipts = True
    stage.wait(minutes=70)
    assert "contact-0" in stage.dive(dive.id).unreachable
    alarms = sum("OVERDUE" in body for body in stage.to(CLEO))

    assert len(stage.text(CLEO, "OK")) == 1

    assert "contact-0" not in stage.dive(dive.id).unreachable
    assert sum("OVERDUE" in body for body in stage.to(CLEO)) == alarms


def test_the_intent_is_kept_with_each_text(stage: Stage) -> None:
    """By the names that the documents explain."""
    stage.dive_in()
    for body in ("WHERE", "PACK", "ON SCENE"):
        stage.text(CLEO, body)

    in_turn = select(InboundTextRow.intent).order_by(InboundTextRow.id)
    kept = stage.service.read(lambda session: session.execute(in_turn).scalars().all())

    assert kept[-3:] == ["where", "pack", "on_scene"]


# Few figures


def test_a_rounded_position_is_told_with_how_far_it_may_be_off(stage: Stage) -> None:
    """The sender is asked for more of it, and the contacts are not sent to a point."""
    dive = stage.dive_in()
    stage.wait(minutes=66)

    [answer] = [text for text in stage.text(ANNA, "AT 47.12,-20.54") if "noted" in text]

    assert answer == (
        f"Skerry Bay Divers: position 47.12000,-20.54000 noted for dive {dive.reference}."
        " It may be 680 m off: send more figures if you can."
    )
    [where] = stage.text(CLEO, "WHERE")
    assert "From Anna Holt (by text) 11:06, within 680 m." in where


def test_a_start_with_a_rounded_position_starts_and_keeps_how_far_it_may_be_off(stage: Stage) -> None:
    """How roughly it says where holds no clock up."""
    dive = stage.file()
    stage.text(ANNA, f"IN {dive.start_code} 47.1,-20.5")

    started = stage.dive(dive.id)

    assert started.started_at is not None
    assert started.fix is not None
    assert started.fix.accuracy_m == pytest.approx(6732, rel=0.01)
