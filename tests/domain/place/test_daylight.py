"""Sun and twilight: order, totality from pole to pole, and what is said of a moment."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.daylight import (
    CIVIL_TWILIGHT_DEG,
    RISE_AND_SET_DEG,
    Light,
    Phase,
    Polar,
    light_at,
    solar_day,
    sun_elevation_deg,
    sun_times,
)
from service.domain.place.position import Position

SKERRY = Position(47.12, -20.54)
MIDSUMMER, MIDWINTER = date(2027, 6, 21), date(2027, 12, 21)

positions = st.builds(Position, st.floats(-90, 90), st.floats(-180, 180))
temperate = st.builds(Position, st.floats(-58, 58), st.floats(-180, 180))
days = st.dates(date(1900, 1, 2), date(2100, 12, 30))
moments = st.datetimes(datetime(1900, 1, 3), datetime(2100, 12, 29), timezones=st.just(UTC))  # noqa: DTZ001 - zone is added


@given(temperate, days)
def test_a_day_of_the_middle_latitudes_has_its_four_times_in_order(position: Position, day: date) -> None:
    """Dawn, sunrise, sunset, dusk, all within half a day of that day's noon."""
    times = sun_times(position, day)

    assert times.polar is None
    assert times.civil_dawn_at is not None
    assert times.sunrise_at is not None
    assert times.sunset_at is not None
    assert times.civil_dusk_at is not None
    assert times.civil_dawn_at < times.sunrise_at < times.sunset_at < times.civil_dusk_at
    assert times.civil_dusk_at - times.civil_dawn_at < timedelta(hours=24)
    assert solar_day(position, times.sunrise_at) == day == solar_day(position, times.sunset_at)


@given(positions, days)
def test_at_each_time_the_sun_stands_at_its_height(position: Position, day: date) -> None:
    """Wherever and whenever a time is given, the sun is there within a hundredth of a degree; nowhere is an error."""
    times = sun_times(position, day)

    for at in filter(None, (times.sunrise_at, times.sunset_at)):
        assert sun_elevation_deg(position, at) == pytest.approx(RISE_AND_SET_DEG, abs=0.01)
    for at in filter(None, (times.civil_dawn_at, times.civil_dusk_at)):
        assert sun_elevation_deg(position, at) == pytest.approx(CIVIL_TWILIGHT_DEG, abs=0.01)


@given(positions, days)
def test_a_polar_day_or_night_has_no_sunrise_and_no_sunset(position: Position, day: date) -> None:
    """And where a sunrise and a sunset are missing both, it is said which of the two it is."""
    times = sun_times(position, day)

    assert (times.polar is not None) == (times.sunrise_at is None and times.sunset_at is None)
    if times.polar is Polar.DAY:
        assert (times.civil_dawn_at, times.civil_dusk_at) == (None, None)


@given(positions, moments)
def test_the_sun_is_between_nadir_and_zenith(position: Position, at: datetime) -> None:
    """A height is always a height."""
    assert -90 <= sun_elevation_deg(position, at) <= 90


@given(positions, moments)
def test_what_comes_next_comes_later(position: Position, at: datetime) -> None:
    """Whatever the moment, every time that is given lies after it and within two days and a half."""
    light = light_at(position, at)

    for event in filter(None, (light.civil_dawn_at, light.sunrise_at, light.sunset_at, light.civil_dusk_at)):
        assert at < event < at + timedelta(hours=60)


@pytest.mark.parametrize(
    ("position", "day", "polar"),
    [
        (Position(90, 0), MIDSUMMER, Polar.DAY),
        (Position(90, 0), MIDWINTER, Polar.NIGHT),
        (Position(-90, 180), MIDSUMMER, Polar.NIGHT),
        (Position(-90, -180), MIDWINTER, Polar.DAY),
        (SKERRY, MIDSUMMER, None),
    ],
    ids=["north, summer", "north, winter", "south, winter", "south, summer", "Skerry Bay"],
)
def test_the_poles_have_one_day_and_one_night_a_year(position: Position, day: date, polar: Polar | None) -> None:
    """At a pole the seasons decide, whatever the longitude."""
    assert sun_times(position, day).polar is polar


def test_the_day_is_that_of_the_place() -> None:
    """At 22:00 UTC it is already tomorrow at 170 E, and still today at 170 W."""
    at = datetime(2027, 6, 1, 22, tzinfo=UTC)

    assert solar_day(Position(0, 170), at) == date(2027, 6, 2)
    assert solar_day(Position(0, -170), at) == date(2027, 6, 1)


def skerry(hour: int, minute: int = 0) -> Light:
    """The light at Skerry Bay on 1 June 2027, where the sun sets at about 21:05 UTC."""
    return light_at(SKERRY, datetime(2027, 6, 1, hour, minute, tzinfo=UTC))


@pytest.mark.parametrize(
    ("light", "phase", "fades"),
    [
        (skerry(12), Phase.DAY, False),
        (skerry(21, 20), Phase.TWILIGHT, True),
        (skerry(23), Phase.DARK, False),
        (skerry(5, 20), Phase.TWILIGHT, False),
    ],
    ids=["noon", "evening", "night", "morning"],
)
def test_only_the_twilight_of_the_evening_fades(light: Light, phase: Phase, *, fades: bool) -> None:
    """Day, evening twilight, night and morning twilight."""
    assert (light.phase, light.is_fading) == (phase, fades)


def test_the_light_of_a_white_night_does_not_fade_to_dark() -> None:
    """At 63 N in midsummer the sun sets, and it does not get dark."""
    light = light_at(Position(63, 0), datetime(2027, 6, 21, 23, 30, tzinfo=UTC))

    assert light.phase is Phase.TWILIGHT
    assert light.civil_dusk_at is None
    assert not light.is_fading


def test_the_twilight_of_a_polar_night_fades_without_a_sunrise_to_come() -> None:
    """At 70 N in midwinter there is twilight about noon, and then dark again."""
    light = light_at(Position(70, 0), datetime(2027, 12, 21, 12, 5, tzinfo=UTC))

    assert light.phase is Phase.TWILIGHT
    assert light.sunrise_at is None
    assert light.is_fading


def test_a_dusk_after_midnight_of_the_evening_before_is_not_missed() -> None:
    """Where dusk falls just after midnight by mean sun, the next dusk is that one and not the next evening's."""
    position, evening = Position(62.9, 0), date(2027, 7, 17)
    dusk_at = sun_times(position, evening).civil_dusk_at
    assert dusk_at is not None
    just_before = dusk_at - timedelta(minutes=1)
    assert solar_day(position, just_before) == date(2027, 7, 18)

    assert light_at(position, just_before).civil_dusk_at == dusk_at
