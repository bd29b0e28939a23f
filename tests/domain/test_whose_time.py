"""Whose time it is: a contact in another country must not act an hour early, nor an hour late."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from service.domain.dive import commands as do
from service.domain.encoding import is_gsm7, segments
from service.domain.language import LANGUAGES
from service.domain.local_time import place_of, shows_same
from service.domain.people import Channel
from service.domain.phone import zones_of
from service.domain.plan import DivePlan
from service.domain.wording.drafts import SEGMENTS
from tests.domain import every_message
from tests.domain.builders import DISTRESS, NOW, PLAN, RAISE_BY, Story, at, contact, diver, filed, in_water
from tests.domain.test_ways import ashore as contacts_by

FAR_ZONE = "America/Argentina/Buenos_Aires"  # none of the plans' numbers is of a country with this clock
FAR = replace(PLAN, site=replace(PLAN.site, zone=FAR_ZONE))
SAID = "Times: Buenos Aires time."


def story_of(plan: DivePlan = FAR) -> Story:
    """In, later once, overdue, alerted, distress."""
    story = in_water(plan)
    story.does(do.Extend(diver("LATE 10"), 10), at(5))
    story.does(do.NoteHanded("extension-1", "contact-0"), at(6))
    story.runs_to(at(DISTRESS + 20))
    return story


def test_a_plan_for_a_contact_of_another_country_says_whose_time_it_is() -> None:
    """If nothing of ours works any more, this text is the alarm clock."""
    notice = story_of().texts_to("contact-0")[0]

    assert "Due out 06:50. Not heard by 07:05 that all are out? Times: Buenos Aires time. Call them" in notice


def test_so_do_a_later_due_out_and_every_alarm() -> None:
    """Whoever is woken hears since when, by which clock."""
    later, *alarms = story_of().texts_to("contact-0")[1:]

    assert SAID in later
    assert alarms
    assert all(SAID in alarm for alarm in alarms)


def test_nothing_is_said_where_the_clocks_of_all_contacts_show_the_same() -> None:
    """Nobody needs it, and it takes room."""
    assert not [text for text in story_of(PLAN).texts_to("contact-0") if "Times:" in text]


def test_what_a_club_of_the_same_clock_calls_its_zone_does_not_matter() -> None:
    """In June the Faroes and London show the same."""
    plan = replace(PLAN, site=replace(PLAN.site, zone="Atlantic/Faroe"))

    assert not [text for text in story_of(plan).texts_to("contact-0") if "Times:" in text]


def test_an_alarm_that_is_raised_says_it_too() -> None:
    """SOS from a party whose contact is abroad."""
    story = in_water(FAR)

    told = story.said(do.RaiseNow(diver("SOS"), None), at(10))

    assert [draft for draft in told if SAID in draft.text and draft.to.key == "contact-0"]


def test_a_plan_that_is_spoken_says_it() -> None:
    """Who can only be called writes down a time."""
    landline = contacts_by((Channel.CALL,))
    story = filed(replace(landline, site=FAR.site), calls=True)

    told = story.said(do.Start(diver("IN")), NOW)

    assert any(SAID in draft.text for draft in told if draft.channel is Channel.CALL)


@pytest.mark.parametrize("language", LANGUAGES)
def test_it_fits_with_the_longest_names_in_every_language(language: str) -> None:
    """What has to be kept is kept, within the segments of its kind."""
    plan = every_message.plan_in(language)
    play = every_message.filed(replace(plan, site=replace(plan.site, zone=FAR_ZONE)), drill=False)
    play.does(do.Start(play.by("diver-0")), 5)
    play.notices_handed()
    play.does(do.Extend(play.by("diver-0"), 20), 30)
    play.notices_handed()
    play.does(do.Tick(), 200)

    told = [one.draft for one in play.told if one.draft.channel is Channel.TEXT]
    assert told
    for draft in told:
        assert is_gsm7(draft.text)
        assert len(segments(draft.text).parts) <= SEGMENTS[draft.kind], draft.text
    ashore = [draft for draft in told if draft.to.key.startswith("contact")]
    notices = [draft.text for draft in ashore if draft.step.startswith(("start_notice", "extension-"))]
    assert notices
    assert all("Buenos Aires" in notice for notice in notices)


@pytest.mark.parametrize(
    ("others", "month", "same"),
    [
        (("Europe/London",), 6, False),
        (("Europe/London",), 1, True),
        (("Europe/Nowhere", "Europe/Lisbon"), 1, True),
        (("Europe/Nowhere",), 1, False),
        (("Europe/Madrid", "Atlantic/Canary"), 1, True),
    ],
)
def test_clocks_show_the_same_by_the_season(others: tuple[str, ...], month: int, same: bool) -> None:  # noqa: FBT001 - a table
    """A country without summer time is with its neighbour for half of the year."""
    assert shows_same("Atlantic/Reykjavik", others, datetime(2027, month, 1, tzinfo=UTC)) is same


def test_a_number_is_at_home_in_the_zones_of_its_prefix() -> None:
    """What is no number, and one that no country has, is at home nowhere that we know."""
    assert "Europe/London" in zones_of("+447700900011")
    assert zones_of("+800123") == ()
    assert zones_of("none") == ()


def test_a_zone_is_named_by_its_place() -> None:
    """Nobody reads the names of the zone database."""
    assert place_of(FAR_ZONE) == "Buenos Aires"


def test_the_reply_to_a_contact_is_as_before() -> None:
    """It says one time, which is now."""
    story = in_water(FAR)
    story.runs_to(at(RAISE_BY))

    assert SAID not in story.said(do.Acknowledge(contact()), at(RAISE_BY + 1))[0].text
