"""Where they are: fixes, conditions and who is on the spot, in the heart and in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given

from service.domain.dive import Refusal
from service.domain.dive import commands as do
from service.domain.dive.events import ConditionsReported, FixReported
from service.domain.language import render
from service.domain.people import Actor
from service.domain.place.conditions import Current, Wind
from service.domain.place.fix import KEPT_MAX, Doubt, Fix, Source
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePoint
from service.domain.plan import DivePlan
from service.domain.wording import MessageKind, placing
from tests.domain.builders import (
    ADMIN,
    CONTACT_KEYS,
    DISTRESS,
    NOW,
    PLAN,
    PLANNED,
    RAISE_BY,
    SCRIPT,
    SITE,
    STRANGER,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    keys,
    kinds,
    overdue,
)
from tests.domain.heart_strategies import Life, lives, played

ENTRY = Position(47.12345, -20.54321)
NEAR = Position(47.125, -20.55)
FAR = Position(-20.54321, 47.12345)
AT_ENTRY = replace(PLAN, site=replace(SITE, position=Position(47.2, -20.6), points=(
    SitePoint(PointKind.ENTRY, "Ladder", None),
    SitePoint(PointKind.ENTRY, "Slip", ENTRY),
)))  # fmt: skip
NOWHERE = replace(PLAN, site=replace(SITE, position=None))


def by_page(who: Actor) -> Actor:
    """The same person on a page."""
    return replace(who, via=type(who.via).PAGE)


# Fixes in the heart


@pytest.mark.parametrize(
    ("by", "source"),
    [
        (diver("AT"), Source.TEXT),
        (by_page(diver("AT")), Source.BROWSER),
        (contact(words="AT"), Source.CONTACT),
        (by_page(contact(words="AT")), Source.CONTACT),
        (ADMIN, Source.CONTACT),
        (SCRIPT, Source.SCRIPT),
        (STRANGER, Source.TEXT),
    ],
    ids=[
        "a diver's text",
        "a diver's page",
        "a contact's text",
        "a contact's page",
        "an admin",
        "a script",
        "a stranger",
    ],
)
def test_how_a_fix_is_known_follows_from_who_said_it_and_how(by: Actor, source: Source) -> None:
    """Unless whoever reports it says otherwise."""
    story = in_water()

    story.does(do.ReportFix(by, NEAR, 35.0, at(9)), at(10))

    assert story.dive.fix == Fix(NEAR, at(9), by.name, source, 35.0)
    story.does(do.ReportFix(by, NEAR, source=Source.BROWSER), at(20))
    assert story.dive.fix == Fix(NEAR, at(20), by.name, Source.BROWSER)


@pytest.mark.parametrize(
    ("position", "fix_at", "doubt"),
    [
        (FAR, None, Doubt.FAR),
        (NEAR, at(40), Doubt.FUTURE),
        (NEAR, at(12), None),
        (NEAR, at(-60), None),
    ],
    ids=["far", "from the future", "two minutes ahead", "old"],
)
def test_an_absurd_fix_is_kept_flagged_and_not_used(
    position: Position, fix_at: datetime | None, doubt: Doubt | None
) -> None:
    """The log and the pack have it; nobody is sent there."""
    story = in_water()

    decision = story.does(do.ReportFix(diver("AT"), position, None, fix_at), at(10))

    assert kinds(decision) == ["FixReported"]
    [kept] = story.dive.fixes
    assert (kept.position, kept.doubt) == (position, doubt)
    assert story.dive.fix == (kept if doubt is None else None)


def test_a_closed_dive_takes_no_fix_no_conditions_and_nobody_on_scene() -> None:
    """It is over, and the answer says so."""
    story = in_water()
    story.does(do.Finish(diver()), at(30))

    current = Current(90, 1)
    for command in (do.ReportFix(diver(), NEAR), do.ReportConditions(diver(), current), do.ReportOnScene(contact())):
        assert kinds(story.does(command, at(31))) == ["refused: closed"]


def test_before_the_start_there_is_no_last_position_then_it_is_the_entry_then_the_fix() -> None:
    """The first entry with a position is where they went in; the site's own position is second best."""
    story = filed(AT_ENTRY)
    assert story.dive.last_position is None

    story.does(do.Start(diver("IN")), at(3))
    assert story.dive.last_position == Fix(ENTRY, at(3), "Lantern Cove", Source.ENTRY)
    assert story.dive.fix is None

    story.does(do.ReportFix(diver("AT"), NEAR), at(10))
    assert story.dive.last_position == story.dive.fix == Fix(NEAR, at(10), "Anna Holt", Source.TEXT)


def test_without_an_entry_only_a_fix_is_a_last_position() -> None:
    """Nothing is made up."""
    story = in_water(NOWHERE)
    assert story.dive.last_position is None

    story.does(do.ReportFix(diver("AT"), FAR), at(10))
    assert story.dive.last_position == Fix(FAR, at(10), "Anna Holt", Source.TEXT)


def test_a_position_that_comes_with_a_start_is_a_fix_of_that_moment() -> None:
    """And may be doubted as any other."""
    story, slip = filed(), filed()

    assert kinds(story.does(do.Start(diver("IN"), position=NEAR), at(3))) == ["Started", "FixReported"]
    assert kinds(slip.does(do.Start(diver("IN"), position=FAR), at(3))) == ["Started", "FixReported"]

    assert story.dive.fix == Fix(NEAR, at(3), "Anna Holt", Source.TEXT)
    assert story.texts_to("diver-0") == [story.told[0][1].text]  # the plan's codes; ARMED is the answer to the start
    assert slip.dive.fix is None
    assert slip.dive.started_at == at(3)
    assert "kept but not used" in slip.texts_to("diver-0")[-1]


@given(lives)
def test_whatever_happens_the_fixes_are_few_and_none_in_doubt_is_used(life: Life) -> None:
    """In any life of any dive."""
    for turn in played(life):
        dive = turn.after
        assert len(dive.fixes) <= KEPT_MAX
        assert dive.fix is None or (dive.fix in dive.fixes and dive.fix.doubt is None)
        for event, after, drafts in turn.steps:
            if isinstance(event, FixReported) and event.doubt is not None:
                assert after.fix is None or after.fix.position != event.position or len(after.fixes) > 1
                assert {draft.kind for draft in drafts} <= {MessageKind.REPLY}


# Conditions


def test_a_position_or_the_conditions_from_the_page_are_a_sign_of_life_without_their_figures() -> None:
    """The alert says when the party was last heard; the figures stand in it as the position already."""
    story = in_water()
    story.does(do.ReportFix(by_page(diver("Send my position: 47.12000,-20.54000")), Position(47.12, -20.54)), at(5))
    assert story.dive.last_heard is not None
    assert (story.dive.last_heard.at, story.dive.last_heard.words) == (at(5), "a position (page)")

    story.does(do.ReportConditions(by_page(diver("What the water does")), Current(90, 0.5)), at(6))
    assert story.dive.last_heard.at == at(6)
    story.does(do.ReportConditions(contact(), Current(80, 0.5)), at(7))
    assert story.dive.last_heard.at == at(6)


def test_what_is_not_said_of_the_conditions_stays_as_it_was_said_before() -> None:
    """The wind of a contact does not take the diver's current away."""
    story = in_water()
    assert story.dive.conditions is None

    story.does(do.ReportConditions(diver("page"), Current(90, 0.5)), at(1))
    story.does(do.ReportConditions(contact(words="page"), wind=Wind(270, 15)), at(60))

    seen = story.dive.conditions
    assert seen is not None
    assert (seen.at, seen.by, seen.current, seen.wind) == (at(60), "Cleo Marsh", Current(90, 0.5), Wind(270, 15))
    story.does(do.ReportConditions(diver("page"), Current(100, 1)), at(61))
    assert story.dive.current == Current(100, 1)
    assert story.dive.conditions is not None
    assert story.dive.conditions.wind == Wind(270, 15)


def test_the_current_is_as_somebody_sees_it_else_as_the_notes_have_it() -> None:
    """A wind that was reported says nothing of the current."""
    noted = replace(PLAN, site=replace(SITE, current=Current(45, 1.5)))
    story = in_water(noted)

    story.does(do.ReportConditions(contact(words="page"), wind=Wind(270, 15)), at(5))
    assert story.dive.current == Current(45, 1.5)
    story.does(do.ReportConditions(diver("page"), Current(90, 0.5)), at(6))
    assert story.dive.current == Current(90, 0.5)
    assert in_water().dive.current is None


@pytest.mark.parametrize(
    ("command", "refused"),
    [
        (do.ReportConditions(STRANGER, Current(90, 1)), "not_of_this_dive"),
        (do.ReportConditions(diver("page")), "no_conditions"),
        (do.ReportOnScene(diver("on scene")), "not_ashore"),
        (do.ReportOnScene(STRANGER), "not_ashore"),
        (do.ReportOnScene(SCRIPT), "not_ashore"),
    ],
    ids=["a stranger's current", "no current, no wind", "a diver on scene", "a stranger on scene", "a script on scene"],
)
def test_what_cannot_be_said_is_refused(command: do.Command, refused: str) -> None:
    """Nothing changes and no clock stops."""
    story = overdue(RAISE_BY)
    before = story.dive

    assert kinds(story.does(command, at(RAISE_BY + 1))) == [f"refused: {refused}"]
    assert story.dive == before


def test_whoever_texts_the_conditions_hears_that_they_are_noted() -> None:
    """Whoever used a page reads it there."""
    story = in_water()

    drafts = story.said(do.ReportConditions(diver("text"), Current(90, 0.5)), at(1))
    assert [draft.text for draft in drafts] == [
        "Skerry Bay Divers: current and wind noted for dive 7K. The pack for rescue shows them."
    ]
    assert story.said(do.ReportConditions(by_page(diver("page")), wind=Wind(9, 9)), at(2)) == []
    assert isinstance(story.events[-1], ConditionsReported)


# Words about fixes


def words(story: Story, command: do.Command, minutes: float) -> str:
    """What the sender of a text is answered."""
    [answer] = [draft.text for draft in story.said(command, at(minutes)) if draft.kind is MessageKind.REPLY]
    return answer.removeprefix("Skerry Bay Divers: ")


def test_whoever_swapped_latitude_and_longitude_is_told_so() -> None:
    """With the reading that was probably meant, ready to be sent."""
    assert words(in_water(), do.ReportFix(diver("AT"), FAR), 10) == (
        "position -20.54321,47.12345 kept but not used: it is far from Lantern Cove."
        " Swapped? If you mean 47.12345,-20.54321, text AT 47.12345,-20.54321"
    )


@pytest.mark.parametrize(
    ("position", "minutes", "why"),
    [
        (Position(-47.12345, 20.54321), None, "it is far from Lantern Cove"),
        (Position(20.0, 170.0), None, "it is far from Lantern Cove"),
        (FAR, 60, "its time is in the future"),
    ],
    ids=["the other side of the world", "what is no latitude", "from the future, though it could be swapped"],
)
def test_another_absurd_fix_is_to_be_checked(position: Position, minutes: float | None, why: str) -> None:
    """Nothing is guessed."""
    fix_at = None if minutes is None else at(minutes)
    answer = words(in_water(), do.ReportFix(diver("AT"), position, None, fix_at), 10)

    assert answer.endswith(f"kept but not used: {why}. Check it and send it again.")


def test_an_absurd_fix_in_an_alarm_goes_to_no_contact_and_into_no_alert() -> None:
    """They are sent where the party was last known to be."""
    story = overdue(RAISE_BY)
    story.does(do.ReportFix(diver("AT"), NEAR), at(RAISE_BY + 1))

    assert keys(story.said(do.ReportFix(diver("AT"), FAR), at(RAISE_BY + 2))) == ["diver-0"]

    story.runs_to(at(DISTRESS))
    assert "47.12500,-20.55000 (from Anna Holt 11:06)" in story.texts_to("contact-2")[-1]


@pytest.mark.parametrize(
    ("accuracy_m", "said"),
    [
        (None, "11:06)."),
        (8, "11:06)."),
        (100, "11:06)."),
        (101, "11:06, within 110 m)."),
        (480, "11:06, within 480 m)."),
        (990, "11:06, within 990 m)."),
        (991, "11:06, within 1.0 km)."),
        (1210, "11:06, within 1.3 km)."),
    ],
    ids=str,
)
def test_an_alert_names_the_accuracy_where_one_would_look_in_vain_without(accuracy_m: float | None, said: str) -> None:
    """Rounded up, so that nobody looks in too small a place."""
    story = overdue(RAISE_BY)
    news = story.said(do.ReportFix(by_page(diver("page")), NEAR, accuracy_m), at(RAISE_BY + 1))

    story.runs_to(at(RAISE_BY + 5))

    alert = story.texts_to("contact-1")[-1]
    assert f"47.12500,-20.55000 (from Anna Holt {said}" in alert
    assert said.replace(")", "") in news[0].text


@pytest.mark.parametrize(
    ("position", "said"),
    [
        (ENTRY, None),
        (Position(47.12524, -20.54321), None),
        (Position(47.12526, -20.54321), "200 m N of Lantern Cove."),
        (Position(47.131, -20.532), "1.2 km NE of Lantern Cove."),
        (Position(47.1155, -20.54321), "880 m S of Lantern Cove."),
    ],
    ids=["at the entry", "199 m", "201 m", "1.2 km", "880 m"],
)
def test_an_alert_says_how_far_from_the_site_they_were(position: Position, said: str | None) -> None:
    """Beyond two hundred metres, where there is room; nearer it is the site."""
    story = overdue(RAISE_BY, replace(AT_ENTRY, party=AT_ENTRY.party[:1]))
    story.does(do.ReportFix(diver("AT"), position), at(RAISE_BY + 1))

    story.runs_to(at(RAISE_BY + 5))

    alert = story.texts_to("contact-1")[-1]
    assert (" of Lantern Cove." in alert) is (said is not None)
    assert said is None or said in alert


def test_a_start_notice_and_an_alert_name_the_entry_where_nobody_reported_a_position() -> None:
    """The entry, not the site's pin on the map."""
    story = overdue(RAISE_BY, AT_ENTRY)

    for text in story.texts_to("contact-0"):
        assert "At Lantern Cove, 47.12345,-20.54321." in text
        assert "47.20000" not in text


# WHERE


FORMS = "47.12345,-20.54321 or 47 07.407N 020 32.593W or plus code 89VX4FF4+9PM."


@pytest.mark.parametrize(
    ("plan", "commands", "minutes", "told"),
    [
        (AT_ENTRY, [], 5, f"{FORMS} That is the site; nobody has said that they went in."),
        (AT_ENTRY, [do.Start(diver("IN"))], 5, f"{FORMS} Where they went in, 10:00."),
        (replace(PLANNED, site=AT_ENTRY.site), [], 30, f"{FORMS} Where they planned to go in, 10:00."),
        (AT_ENTRY, [do.Start(diver("IN"), position=ENTRY)], 5, f"{FORMS} From Anna Holt (by text) 10:00."),
        (
            PLAN,
            [do.Start(diver("IN")), do.ReportFix(by_page(diver("page")), ENTRY, 34.2)],
            5,
            f"{FORMS} From Anna Holt (by the phone itself) 10:00, within 40 m.",
        ),
        (
            PLAN,
            [do.Start(diver("IN")), do.ReportFix(contact(words="AT"), Position(47.131, -20.532))],
            24 * 60,
            (
                "47.13100,-20.53200 or 47 07.860N 020 31.920W or plus code 89VX4FJ9+C62. From Cleo Marsh (ashore)"
                " Tue 1 Jun 10:00. 1.2 km NE of Lantern Cove."
            ),
        ),
        (PLAN, [do.Start(diver("IN")), do.ReportFix(SCRIPT, ENTRY)], 5, f"{FORMS} From the kiosk 10:00."),
        (NOWHERE, [do.Start(diver("IN"))], 5, "no position is known. Access: Track from the farm gate."),
        (replace(NOWHERE, site=replace(NOWHERE.site, access=None)), [], 5, "no position is known."),
        (
            PLAN,
            [do.Start(diver("IN")), do.Finish(diver("OUT"))],
            5,
            f"It is over since 10:00. {FORMS} Where they went in, 10:00.",
        ),
    ],
    ids=[
        *(
            "before the start",
            "the entry",
            "an assumed start",
            "with the start",
            "the phone itself",
            "a contact, yesterday",
        ),
        *("a script", "nowhere", "nowhere, no access", "over"),
    ],
)
def test_where_gives_the_last_known_position_in_three_forms_and_how_it_is_known(
    plan: DivePlan, commands: list[do.Command], minutes: float, told: str
) -> None:
    """Whatever is known."""
    story = filed(plan)
    for command in commands:
        assert not isinstance(story.does(command, NOW), Refusal)
    if plan.time_in_at:
        story.runs_to(at(minutes))

    text = placing.where_they_are(story.dive, at(minutes))

    assert text == f"Skerry Bay Divers: dive 7K, Lantern Cove: {told}"


def test_where_the_national_grid_has_a_value_it_is_the_third_form() -> None:
    """The tower of the Ordnance Survey's own worked example: TG 51409 13177."""
    tower = Position(52.658006, 1.716076)
    story = in_water(replace(PLAN, site=replace(SITE, position=tower)))

    assert (
        "52.65801,1.71608 or 52 39.480N 001 42.965E or grid TG 51409 13177. Where they went in, 10:00."
        in placing.where_they_are(story.dive, at(5))
    )


@given(lives)
def test_no_answer_about_a_position_is_cut(life: Life) -> None:
    """With the longest names all three forms are whole."""
    for turn in played(life):
        text = placing.where_they_are(turn.after, turn.now)
        known = turn.after.last_position
        position = turn.after.plan.site.entry if known is None else known.position
        if position is not None:
            assert render(placing.three_forms(position)) in text


# The pack


def test_words_about_the_pack_say_what_is_possible() -> None:
    """To a contact, to a diver, before the start, and where no text can hold the link."""
    dive = in_water().dive
    drill = filed(drill=True).dive

    assert placing.pack_words(dive).endswith("dive 7K, all that rescue asks. You may pass this link on to rescue.")
    assert placing.pack_words(drill).endswith("In a real alarm you would pass this link on to rescue.")
    assert "for the contacts of dive 7K. You can text WHERE 7K or STATUS." in placing.pack_is_for_contacts(dive)
    assert "has not started, so there is no pack yet. Know of trouble? Text SOS 7K." in placing.no_pack(dive)
    assert "too long for a text. The page of your alert leads to it." in placing.pack_too_long(dive)


def test_the_answers_reach_only_who_said_it() -> None:
    """A contact's fix before the alarm is news to nobody else."""
    story = in_water()

    assert keys(story.said(do.ReportFix(contact(words="AT"), NEAR), at(5))) == ["contact-0"]
    assert story.said(do.ReportFix(by_page(contact(words="AT")), NEAR), at(6)) == []
    assert set(CONTACT_KEYS) - {"contact-0"} == {"contact-1", "contact-2"}


def test_a_moment_after_the_start_is_no_start() -> None:
    """A fix is answered unless it came with the start itself."""
    story = in_water()

    assert words(story, do.ReportFix(diver("AT"), NEAR), timedelta(seconds=1) / timedelta(minutes=1)).startswith(
        "position 47.12500,-20.55000 noted"
    )
