"""What a plan takes along: its site with tides, a place of its own with its zone, medical words only if allowed."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.place.position import Position
from service.domain.place.site import PointKind
from service.domain.place.tide import height_at
from service.domain.plan import Check, Level
from service.operations.filing import PlanFiled, PlanRefused, file_plan
from service.operations.plan_reading import NamedPhone, PlaceRequest, PlanRequest
from service.store import sites
from tests.operations.stage import BEGIN_AT, BY_ANNA, CLUB, Stage, plan
from tests.operations.test_sending_bounds import ABROAD, allow

HOUR = timedelta(hours=1)
CALL = "07700 900998 (harbour office)"


def filed(stage: Stage, request: PlanRequest) -> PlanFiled:
    """A plan that is taken."""
    taken = file_plan(stage.service, CLUB, request, BY_ANNA)
    assert isinstance(taken, PlanFiled), taken
    return taken


def place(lat: float, lon: float) -> PlanRequest:
    """A plan for a place that the club does not know."""
    return plan(site=PlaceRequest("Gannet Ledge", (lat, lon), CALL))


def about_site(checks: tuple[Check, ...]) -> list[tuple[Level, str]]:
    """What was said about the site."""
    return [(check.level, check.words) for check in checks if check.field == "site"]


@pytest.mark.parametrize("wait", [timedelta(0), 23 * HOUR], ids=["at once", "after most of a day"])
def test_a_plan_without_a_time_in_has_the_tides_of_the_next_day(stage: Stage, wait: timedelta) -> None:
    """Whenever it starts, the height at the start and at due out is known."""
    site = filed(stage, plan()).dive.plan.site

    start = stage.clock.at + wait
    assert height_at(site.tides, start) is not None
    assert height_at(site.tides, start + timedelta(minutes=50)) is not None
    assert site.tides[-1].at < BEGIN_AT + 40 * HOUR


def test_a_plan_with_a_time_in_has_the_tides_around_it(stage: Stage) -> None:
    """Five days ahead, and none of today."""
    time_in_at = BEGIN_AT + timedelta(days=5)

    site = filed(stage, plan(time_in_at=time_in_at)).dive.plan.site

    assert height_at(site.tides, time_in_at) is not None
    assert height_at(site.tides, time_in_at + timedelta(minutes=50)) is not None
    assert all(abs(one.at - time_in_at) < 16 * HOUR for one in site.tides)


def test_a_dive_keeps_the_site_of_the_day_it_was_filed(stage: Stage) -> None:
    """Points, ease, shoreline and current as they were; a later change of the site changes no dive."""
    dive = filed(stage, plan()).dive
    site = dive.plan.site
    assert [point.ease for point in site.exits] == [5, 3, 2]
    assert site.of_kind(PointKind.VEHICLE_ACCESS)[0].vehicles
    assert len(site.shoreline) > 5
    assert site.current is not None
    assert site.non_emergency_call == "07700 900998 (practice harbour office)"


def test_a_place_on_land_has_the_zone_of_its_position(stage: Stage) -> None:
    """People there read their own clocks, not the club's."""
    taken = filed(stage, place(60.4, 5.3))

    assert taken.dive.plan.site.zone == "Europe/Oslo"


def test_a_place_at_sea_has_the_zone_of_the_club(stage: Stage) -> None:
    """A zone of the high seas has no summer time, and no clock ashore shows it."""
    taken = filed(stage, place(47.2, -20.6))

    assert taken.dive.plan.site.zone == "Europe/London"
    assert about_site(taken.checks) == []


def test_a_swapped_position_is_refused_with_both_readings(stage: Stage) -> None:
    """Far from every site as given, near one the other way round: nobody guesses, and the diver sees both."""
    refused = file_plan(stage.service, CLUB, place(-20.54321, 47.12345), BY_ANNA)

    assert isinstance(refused, PlanRefused)
    ((level, words),) = about_site(refused.checks)
    assert level is Level.REFUSE
    assert "20.54321 S, 47.12345 E" in words
    assert "47.12345 N, 20.54321 W" in words
    assert "other way round" in words


@pytest.mark.parametrize(("lat", "advised"), [(51.5, False), (51.8, True)], ids=["487 km", "520 km"])
def test_a_place_far_from_home_is_taken_and_asked_about(stage: Stage, lat: float, advised: bool) -> None:  # noqa: FBT001
    """A club may travel; past 500 km from its nearest site one sentence asks to look again."""
    said = about_site(filed(stage, place(lat, -20.56)).checks)

    assert bool(said) is advised
    assert all(level is Level.ADVISE and "km from the club's nearest site" in words for level, words in said)


def test_a_club_without_sites_dives_anywhere(stage: Stage) -> None:
    """With nothing to compare nothing is said."""

    def retire(session: object) -> None:
        for row in sites.listing(session, CLUB):  # type: ignore[arg-type]
            row.retired_at = BEGIN_AT

    stage.service.write(retire)

    assert about_site(filed(stage, place(-20.54321, 47.12345)).checks) == []


def test_the_position_of_a_place_is_its_entry(stage: Stage) -> None:
    """A search begins there."""
    assert filed(stage, place(47.2, -20.6)).dive.plan.site.entry == Position(47.2, -20.6)


def test_medical_notes_are_kept_only_if_rescuers_may_read_them(stage: Stage) -> None:
    """Without the diver's leave nothing of them is stored, and the diver is told."""
    without = filed(stage, plan(medical="asthma, inhaler in the van"))
    allowed = filed(stage, plan(medical=" asthma,  inhaler in the van ", share_medical=True))

    assert without.dive.plan.medical is None
    assert [check.level for check in without.checks if check.field == "medical"] == [Level.ADVISE]
    log = [str(entry.detail) for entry in stage.entries(without.dive)]
    assert not any("asthma" in detail for detail in log)
    assert allowed.dive.plan.medical == "asthma, inhaler in the van"
    assert [check for check in allowed.checks if check.field == "medical"] == []


@pytest.mark.parametrize("medical", [None, "", "  "])
def test_without_medical_notes_nothing_is_said_of_them(stage: Stage, medical: str | None) -> None:
    """Most plans have none."""
    taken = filed(stage, plan(medical=medical))

    assert [check for check in taken.checks if check.field == "medical"] == []


def test_water_temperature_is_kept_and_checked(stage: Stage) -> None:
    """It leads to the guidance for cold water; what no water has is refused."""
    cold = filed(stage, plan(water_c=8))
    refused = file_plan(stage.service, CLUB, plan(water_c=60), BY_ANNA)

    assert cold.dive.plan.water_c == 8
    assert [check.field for check in cold.checks if "Water of 8" in check.words] == ["water_c"]
    assert isinstance(refused, PlanRefused)
    assert [check.field for check in refused.checks if check.level is Level.REFUSE] == ["water_c"]


def test_a_time_at_the_end_of_time_is_refused_like_any_other(stage: Stage) -> None:
    """The window of tides around it must not fall off the calendar."""
    late = BEGIN_AT.replace(year=9999, month=12, day=31, hour=20)

    refused = file_plan(stage.service, CLUB, plan(time_in_at=late), BY_ANNA)

    assert isinstance(refused, PlanRefused)
    assert "time_in" in {check.field for check in refused.checks}


@pytest.mark.parametrize(
    ("phone", "call", "advised"),
    [
        (ABROAD, "112", True),
        (ABROAD, "999, ask for the coastguard", True),
        (ABROAD, CALL, True),
        (ABROAD, "+44 7700 900998 (harbour office)", False),
        (ABROAD, "the harbour office", False),
        ("07700 900017", "112", False),
    ],
)
def test_a_contact_abroad_is_no_help_with_a_rescue_call_of_this_country(
    stage: Stage, phone: str, call: str, *, advised: bool
) -> None:
    """112 reaches rescue where the caller is, and a national number reaches somebody else or nobody."""
    allow(stage, countries=["DE"])
    request = replace(
        plan(site=PlaceRequest("Gannet Ledge", (47.2, -20.5), call)), contacts=(NamedPhone("Grete Olsen", phone),)
    )

    said = [check.words for check in filed(stage, request).checks if "another country" in check.words]

    assert bool(said) is advised
    assert all(words.startswith("Grete Olsen has a number of another country, and ") for words in said)
