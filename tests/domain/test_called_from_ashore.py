"""A contact calls for help long before the dive that they are named in: what is said of it is true, and help comes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.dive import commands as do
from service.domain.people import Actor
from service.domain.wording import Draft, spoken
from service.domain.wording.outage import unconfirmed
from tests.domain.builders import NOW, PLAN, Story, at, contact, diver, filed

TOMORROW = timedelta(days=1)
EARLIEST = timedelta(hours=2)
WORDS = "I fell on the rocks"
HERS = "Call Cleo Marsh +44 7700 900011. Or +44 7700 900001."
NO_START = "No start known: planned for Wed 2 Jun 10:00."


def raised(by: Actor, *, ahead: timedelta | None = TOMORROW) -> tuple[Story, list[Draft]]:
    """Somebody calls for help so long before the time in; what everybody is told of it."""
    story = filed(replace(PLAN, time_in_at=None if ahead is None else NOW + ahead))
    return story, story.said(do.RaiseNow(by, WORDS), NOW)


def to(drafts: list[Draft], key: str) -> str:
    """What that person is told."""
    return next(draft.text for draft in drafts if draft.to.key == key)


def test_the_contacts_hear_who_asks_for_help_and_that_no_dive_has_begun() -> None:
    """Nobody believes the divers in trouble, and the number to call is of whoever asks."""
    _, drafts = raised(contact(0, "SOS"))

    for said in (f'ALARM: Cleo Marsh 10:00 says "{WORDS}". Contact of Anna Holt + 1 (2 divers).', NO_START, HERS):
        assert said in to(drafts, "contact-1")
    assert "Say somebody in trouble, give position." in to(drafts, "contact-1")
    assert "Not known to be in the water" not in to(drafts, "contact-1")


def test_what_follows_says_so_too() -> None:
    """Help comes as it would: at distress all are sent to call rescue, and the admins have it at the hand-up."""
    story, _ = raised(contact(0, "SOS"))

    distress = to(story.ticks(at(15)), "contact-2")
    admins = to(story.ticks(at(45)), "admins")

    assert "ALARM, CALL RESCUE NOW: Cleo Marsh, contact of Anna Holt + 1 (2 divers)." in distress
    for text in (distress, admins):
        assert all(said in text for said in (NO_START, HERS, f'Last heard 10:00 Cleo Marsh: "{WORDS}".'))


def test_a_call_and_a_keeper_say_so_too() -> None:
    """By every way, with the database or without."""
    story, _ = raised(contact(0, "SOS"))
    heard = spoken.alarm(story.dive, story.dive.contacts[1], NOW, rescue_now=False)
    drafts = story.ticks(at(15))
    event = story.events[-1]

    assert "Cleo Marsh calls for help, a contact of Anna Holt" in heard
    assert "It is planned for Wednesday" in heard
    assert f"Call them: {spoken.slowly('07700 900011')}." in heard
    kept = to(unconfirmed(story.dive, event, drafts), "contact-1")
    assert all(said in kept for said in ("Cleo Marsh, contact of Anna Holt + 1 (2 divers).", NO_START, HERS))


@pytest.mark.parametrize(
    ("by", "ahead"),
    [
        pytest.param(contact(0, "SOS"), EARLIEST, id="they may be about to go in"),
        pytest.param(contact(0, "SOS"), None, id="they may go in at any time"),
        pytest.param(diver("SOS"), TOMORROW, id="a diver"),
    ],
)
def test_else_the_alarm_is_of_the_divers(by: Actor, ahead: timedelta | None) -> None:
    """Whoever may be in the water is looked for."""
    _, drafts = raised(by, ahead=ahead)

    assert f'says "{WORDS}". Anna Holt + 1 (2 divers).' in to(drafts, "contact-1")
    assert "Call +44 7700 900001." in to(drafts, "contact-1")


@pytest.mark.parametrize(("ahead", "told"), [(EARLIEST, False), (EARLIEST + timedelta(minutes=1), True)])
def test_until_two_hours_before_it_no_start_is_expected(ahead: timedelta, *, told: bool) -> None:
    """As early as that nobody goes in."""
    _, drafts = raised(diver("SOS"), ahead=ahead)

    assert ("No start known: planned for" in to(drafts, "contact-1")) is told
    assert ("Not known to be in the water." in to(drafts, "contact-1")) is not told


def test_once_a_diver_calls_too_it_is_of_the_divers() -> None:
    """They know more of it than any contact."""
    story, _ = raised(contact(0, "SOS"))

    story.said(do.RaiseNow(diver("SOS"), "we are in the water"), at(5))

    assert "ALARM, CALL RESCUE NOW: Anna Holt + 1 (2 divers)." in to(story.ticks(at(15)), "contact-2")


def test_of_two_contacts_the_last_to_call_is_who_is_called() -> None:
    """It may be they who found the first."""
    story, _ = raised(contact(0, "SOS"))

    drafts = story.said(do.RaiseNow(contact(1, "SOS"), "with her now, broken leg"), at(5))

    assert f"Call {story.dive.contacts[1].name} +44 7700 900012." in to(drafts, "contact-2")
    assert 'Last heard 10:05 Dov Lind: "with her now, broken leg".' in to(story.ticks(at(15)), "contact-2")


def test_once_they_may_go_in_it_is_of_the_divers() -> None:
    """The alarm is up still, and nobody would hear their start."""
    story, _ = raised(contact(0, "SOS"), ahead=EARLIEST + timedelta(minutes=20))

    early, late = (to(story.ticks(at(minutes)), "contact-2") for minutes in (15, 25))

    assert "Cleo Marsh, contact of Anna Holt" in early
    assert "CALL RESCUE NOW: Anna Holt + 1 (2 divers)." in late
    assert "Not known to be in the water." in late
