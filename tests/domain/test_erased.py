"""What is left of a dive once its details are erased: times, counts and phases, and nothing of anybody."""

from __future__ import annotations

from dataclasses import replace

from service.domain.dive import commands as do
from service.domain.dive.erased import ERASED, without_detail
from service.domain.place.position import Position
from tests.domain.builders import PLAN, SITE, at, contact, diver, in_water, overdue

OWN_PLACE = replace(SITE, code=None, name="behind Anna's boathouse")


def test_nobody_is_known_by_what_is_left() -> None:
    """No name, number, word or place of a person; when things happened, and how it ended, stay."""
    story = overdue(85)
    story.does(do.ReportFix(diver("AT"), Position(47.1281, -20.5432)), at(86))
    for place, incident in enumerate(("incident 7", "incident 8", "incident 9")):
        story.does(do.ReportCalled(contact(place), incident), at(87))
    story.does(do.TakeBackCalled(contact(1, "Not called, wrong dive")), at(88))
    story.does(do.ReportSafe(contact(), 2), at(90))
    dive = story.dive

    left = without_detail(dive)

    for personal in (
        "Anna",
        "Bram",
        "Cleo",
        "Dov",
        "Edda",
        "+4477",
        "incident 7",
        "incident 8",
        "incident 9",
        "wrong dive",
        "blue van",
        "orange buoy",
        "47.1281",
        "731905",
    ):
        assert personal in repr(dive)
        assert personal not in repr(left)
    assert (left.alarm_at, left.closed_at, left.outcome) == (dive.alarm_at, dive.closed_at, dive.outcome)
    assert [one.name for one in (*left.plan.party, *left.plan.contacts)] == [ERASED] * 5
    assert left.plan.site.name == "Lantern Cove"


def test_a_place_of_the_divers_own_goes() -> None:
    """It may be their garden; one that the club knows is nobody's secret."""
    left = without_detail(in_water(replace(PLAN, site=OWN_PLACE)).dive)

    assert (left.plan.site.name, left.plan.site.position) == (ERASED, None)


def test_twice_is_once() -> None:
    """Erasing goes on after a crash."""
    once = without_detail(overdue(85).dive)

    assert without_detail(once) == once
