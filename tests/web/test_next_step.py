"""What somebody ashore is to do now: one thing, and whom to call in which order."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import Acknowledge, RaiseNow, ReportCalled, ReportOnScene, ReportSafe, TakeBackCalled
from service.domain.dive.events import Outcome
from service.domain.people import Recipient
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePoint
from service.domain.plan import Diver
from service.web.next_step import NextStep, meeting_place, next_step
from tests.domain.builders import (
    CONTACT_PHONES,
    DISTRESS,
    PLAN,
    RAISE_BY,
    SITE,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    overdue,
)

CLEO = Recipient("contact-0", "Cleo Marsh", CONTACT_PHONES[0])
DOV = Recipient("contact-1", "Dov Lind", CONTACT_PHONES[1])
PARTY = ["Anna Holt", "Bram Vik"]


def step(story: Story, minutes: float, reader: Recipient = CLEO) -> NextStep:
    """What the reader is to do so many minutes after the start."""
    return next_step(story.dive, reader, at(minutes))


def called(found: NextStep) -> list[str]:
    """Whom to call, in order."""
    return [call.who for call in found.calls]


def test_before_the_start_there_is_nothing_to_do() -> None:
    """And nobody to call."""
    found = step(filed(), 0)

    assert found.title == "Nothing to do now"
    assert found.calls == ()


def test_in_the_water_the_page_is_kept_until_the_raise_by_time() -> None:
    """It says by when to act even if we are silent, and whom to call first."""
    found = step(in_water(), 20)

    assert found.title == "Keep this page until 11:05"
    assert "If you have not heard by 11:05 that all are out, call Anna Holt." in found.words[0]
    assert "even if we are silent" in found.words[0]
    assert called(found) == [*PARTY, "rescue"]


def test_past_the_raise_by_time_nobody_waits_for_our_alarm() -> None:
    """Where our clocks are late the page says what is due by itself, one minute before it does not."""
    silent = in_water()

    assert step(silent, RAISE_BY - 1).title.startswith("Keep this page")
    assert step(silent, RAISE_BY).title == "Call Anna Holt now"


def test_at_the_alert_the_party_is_called_and_then_rescue() -> None:
    """As the text has it, and then we are to be told."""
    found = step(overdue(RAISE_BY), RAISE_BY)

    assert found.title == "Call Anna Holt now"
    assert called(found) == [*PARTY, "rescue"]
    assert found.then == ("No answer? Call rescue. In doubt call rescue first.", "Tell us below that you have it.")
    assert not found.read_aloud


def test_whoever_has_it_is_thanked_and_goes_on_calling() -> None:
    """Reading is not resolving."""
    story = overdue(RAISE_BY)
    story.does(Acknowledge(contact(0)), at(RAISE_BY + 1))

    found = step(story, RAISE_BY + 1)
    assert found.title == "Call Anna Holt now"
    assert found.words == ("You said that you have it. Thank you.",)
    assert "Tell us below that you have it." not in found.then


def test_the_others_agree_with_the_one_who_acts() -> None:
    """The first call is to that contact."""
    story = overdue(RAISE_BY)
    story.does(Acknowledge(contact(0)), at(RAISE_BY + 1))

    found = step(story, RAISE_BY + 1, DOV)
    assert found.title == "Call Cleo Marsh now"
    assert called(found) == ["Cleo Marsh", *PARTY, "rescue"]


@pytest.mark.parametrize("reader", [CLEO, DOV])
def test_at_distress_rescue_is_called_by_everybody_with_the_words_to_read(reader: Recipient) -> None:
    """Whoever acts already, too."""
    story = overdue(RAISE_BY)
    story.does(Acknowledge(contact(0)), at(RAISE_BY + 1))
    story.runs_to(at(DISTRESS))

    found = step(story, DISTRESS, reader)
    assert found.title == "Call rescue now"
    assert called(found) == ["rescue"]
    assert found.calls[0].number == SITE.rescue_call
    assert found.read_aloud


def test_an_alarm_of_a_party_without_a_phone_is_for_rescue() -> None:
    """There is nobody else to call."""
    story = overdue(RAISE_BY)
    silent = replace(story.dive.plan, party=(Diver("Anna Holt"), Diver("Bram Vik")))

    found = next_step(replace(story.dive, plan=silent), CLEO, at(RAISE_BY))
    assert found.title == "Call rescue now"
    assert called(found) == ["rescue"]
    assert called(next_step(replace(in_water().dive, plan=silent), CLEO, at(5))) == ["rescue"]


def test_once_rescue_is_called_the_phone_is_kept_free() -> None:
    """By whom, under which number, and where to meet them."""
    story = overdue(RAISE_BY)
    story.does(ReportCalled(contact(1), "A-17"), at(RAISE_BY + 2))

    found = step(story, RAISE_BY + 3)
    assert found.title == "Stay reachable: keep your phone free"
    assert found.words == (
        "Rescue was called by Dov Lind. Their number for it is A-17.",
        "Meet rescue at Track from the farm gate.",
        "Going there? Say so below.",
    )
    assert called(found) == ["rescue"]


def test_once_it_is_taken_back_that_rescue_was_called_rescue_is_to_be_called() -> None:
    """The page says first whose word does not hold."""
    story = overdue(RAISE_BY)
    story.does(ReportCalled(contact(1), "A-17"), at(RAISE_BY + 2))
    story.does(TakeBackCalled(contact(0)), at(RAISE_BY + 4))

    found = step(story, RAISE_BY + 5)
    assert found.title == "Call rescue now"
    assert found.words[0] == "Dov Lind said that rescue was called; Cleo Marsh says that it was not."
    assert called(found) == ["rescue"]
    assert found.read_aloud


def test_whoever_is_at_the_site_is_told_to_stay_ashore() -> None:
    """And where to be found."""
    story = overdue(RAISE_BY)
    story.does(ReportCalled(contact(0)), at(RAISE_BY + 2))
    story.does(ReportOnScene(contact(0)), at(RAISE_BY + 9))

    assert "out of the water" in step(story, RAISE_BY + 10).words[-1]
    assert "Going there?" in step(story, RAISE_BY + 10, DOV).words[-1]


def test_over_without_rescue_asks_to_tell_whoever_was_called() -> None:
    """There is nobody to call."""
    story = overdue(RAISE_BY)
    story.does(ReportSafe(contact(0), count=2), at(RAISE_BY + 5))

    assert step(story, RAISE_BY + 6).title == "It is over"
    assert step(story, RAISE_BY + 6).calls == ()


def test_over_after_rescue_was_called_asks_to_tell_them() -> None:
    """With their number and the words."""
    story = overdue(RAISE_BY)
    story.does(ReportCalled(contact(0)), at(RAISE_BY + 2))
    story.does(ReportSafe(contact(0), count=2), at(RAISE_BY + 5))

    found = step(story, RAISE_BY + 6)
    assert found.title == "It is over: tell rescue"
    assert called(found) == ["rescue"]
    assert found.read_aloud


def test_over_and_in_doubt_the_page_says_how_the_alarm_opens_again() -> None:
    """By a text with the reference, which the page itself never shows, and as long as that would do it."""
    story = overdue(RAISE_BY)
    story.does(ReportSafe(contact(0), count=2), at(RAISE_BY + 5))

    doubt = step(story, RAISE_BY + 6).words[-1]
    assert "Call rescue, and text SOS and the reference from your text: the alarm opens again." in doubt
    assert story.dive.reference not in doubt
    assert len(step(story, RAISE_BY + 300).words) == 1


def test_a_plan_that_lapsed_is_not_said_to_be_over() -> None:
    """That no start was heard does not say that nobody went in."""
    dive = replace(filed().dive, phase=Phase.CLOSED, outcome=Outcome.LAPSED, closed_at=at(90))

    found = next_step(dive, CLEO, at(95))

    assert found.title == "The plan has lapsed"
    assert "Whether anybody went in is not known." in found.words[0]
    assert called(found) == PARTY


def test_before_the_alarm_the_page_says_how_to_raise_it() -> None:
    """Whoever knows that something is wrong need not wait for the raise-by time."""
    assert "text SOS and the reference from your text: all contacts are alerted." in step(in_water(), 20).then[0]


def test_over_in_a_drill_sends_nobody_to_tell_rescue() -> None:
    """Rescue was never called."""
    story = overdue(RAISE_BY)
    story.does(ReportCalled(contact(0)), at(RAISE_BY + 2))
    story.does(ReportSafe(contact(0), count=2), at(RAISE_BY + 5))

    found = next_step(drilled(story), CLEO, at(RAISE_BY + 6))

    assert (found.title, found.calls, found.read_aloud) == ("It is over", (), False)
    assert found.words == ("In a real alarm you would now tell rescue that it is over.",)


def drilled(story: Story) -> Dive:
    """The same as a drill."""
    return replace(story.dive, drill=True)


@pytest.mark.parametrize("minutes", [20, RAISE_BY, DISTRESS])
def test_a_drill_sends_nobody_to_rescue(minutes: int) -> None:
    """Its page says what a real alarm would ask, and has no button that dials."""
    found = next_step(drilled(overdue(minutes)), CLEO, at(minutes))

    assert "rescue" not in called(found)
    assert "In a real alarm" in " ".join((found.title, *found.words, *found.then))


def test_an_sos_asks_first_for_the_party_and_in_doubt_for_rescue() -> None:
    """As its text does."""
    story = in_water()
    story.does(RaiseNow(diver("SOS"), "lost Bram"), at(10))

    found = step(story, 10)
    assert found.title == "Call Anna Holt now"
    assert "In doubt call rescue first." in found.then[0]


@pytest.mark.parametrize(
    ("kinds", "place"),
    [
        ((PointKind.PARKING, PointKind.VEHICLE_ACCESS, PointKind.MEETING), "meeting (47.12000,-20.54000)"),
        ((PointKind.PARKING, PointKind.VEHICLE_ACCESS), "vehicle_access (47.12000,-20.54000)"),
        ((PointKind.HAZARD, PointKind.PARKING), "parking (47.12000,-20.54000)"),
        ((PointKind.HAZARD,), "Track from the farm gate"),
    ],
)
def test_rescue_is_met_at_the_first_place_that_serves(kinds: tuple[PointKind, ...], place: str) -> None:
    """The meeting point, else where vehicles get, else the parking, else the access of the site."""
    points = tuple(SitePoint(kind, kind.value, Position(47.12, -20.54)) for kind in kinds)
    dive = filed(replace(PLAN, site=replace(SITE, points=points))).dive

    assert meeting_place(dive) == place


def test_a_meeting_place_without_a_position_is_named_and_none_is_asked_for() -> None:
    """What is not known is left out."""
    named = replace(PLAN, site=replace(SITE, points=(SitePoint(PointKind.MEETING, "Notice board"),)))
    bare = replace(PLAN, site=replace(SITE, access=None))

    assert meeting_place(filed(named).dive) == "Notice board"
    assert meeting_place(filed(bare).dive) is None
    story = overdue(RAISE_BY, bare)
    story.does(ReportCalled(contact(0)), at(RAISE_BY + 2))
    assert "Ask rescue where to meet them." in step(story, RAISE_BY + 3).words
