"""Sunrise, sunset and civil twilight against published times, within the minute to which those are rounded.

Sources:
[1] US Naval Observatory, "Rise and Set for the Sun for 2007, Atlanta, Georgia, W084 25 N33 46, EST", as in
    github.com/brandon-rhodes/pyephem, commit edc4622, ephem/tests/usno/riset_sun.txt
[2] US Naval Observatory, one-day tables, as in github.com/skyfielders/python-skyfield, commit 40c6e6c,
    tests/test_almanac.py
[3] times of timeanddate.com, as in github.com/sffjunkie/astral, commit ac23ab5, src/test/test_sun_utc.py
[4] the same, src/test/test_norway.py
[5] computed with ephem 4.2.1 by the definitions of the US Naval Observatory (upper limb, 34' of refraction; centre 6
    degrees below), a method that gives all 730 times of [1]; not a published table
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

import pytest

from service.domain.place.daylight import Phase, Polar, light_at, sun_times
from service.domain.place.position import Position

EASTERN = timezone(timedelta(hours=-5))
ONE_MINUTE = timedelta(minutes=1)
ATLANTA = Position(33 + 46 / 60, -(84 + 25 / 60))
TROMSO = Position(69.6492, 18.9553)


def assert_near(times: list[datetime | None], expected: list[datetime], within: timedelta = ONE_MINUTE) -> None:
    """Each time is there, and as near to the expected as asked."""
    assert len(times) == len(expected)
    for at, should_be_at in zip(times, expected, strict=True):
        assert at is not None
        assert abs(at - should_be_at) <= within, f"{at} is not {should_be_at}"


@pytest.mark.parametrize(
    ("day", "rise", "sets"),
    [
        ("2007-01-01", "07:43", "17:40"),
        ("2007-02-28", "07:08", "18:33"),
        ("2007-03-20", "06:42", "18:49"),
        ("2007-06-21", "05:27", "19:51"),
        ("2007-09-22", "06:26", "18:35"),
        ("2007-11-04", "06:59", "17:43"),
        ("2007-12-21", "07:38", "17:33"),
        ("2007-12-31", "07:42", "17:39"),
    ],
)
def test_the_sun_over_a_year(day: str, rise: str, sets: str) -> None:
    """[1] The extremes, the equinoxes and the days between, in the table's own standard time."""
    times = sun_times(ATLANTA, date.fromisoformat(day))

    expected = [datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=EASTERN) for clock in (rise, sets)]
    assert_near([times.sunrise_at, times.sunset_at], expected)


def test_one_day_of_late_summer() -> None:
    """[2] 40.8939 N 83.8917 W on 12 September 2018."""
    times = sun_times(Position(40.8939, -83.8917), date(2018, 9, 12))

    assert_near(
        [times.sunrise_at, times.sunset_at],
        [datetime(2018, 9, 12, 11, 13, tzinfo=UTC), datetime(2018, 9, 12, 23, 50, tzinfo=UTC)],
    )


def test_one_day_of_autumn_with_its_twilight() -> None:
    """[2] 41.281944 N 84.362778 W on 8 November 2019."""
    times = sun_times(Position(41.281944, -84.362778), date(2019, 11, 8))

    clocks = [(11, 48), (12, 17), (22, 25), (22, 54)]
    assert_near(
        [times.civil_dawn_at, times.sunrise_at, times.sunset_at, times.civil_dusk_at],
        [datetime(2019, 11, 8, *clock, tzinfo=UTC) for clock in clocks],
    )


@pytest.mark.parametrize(
    ("day", "clocks", "minutes"),
    [
        (date(2015, 12, 1), [(7, 4), (7, 43), (15, 55), (16, 34)], 2),
        (date(2019, 8, 29), [(4, 32), (5, 8), (18, 54), (19, 30)], 1),
    ],
    ids=["winter", "summer"],
)
def test_twilight_in_the_middle_latitudes(day: date, clocks: list[tuple[int, int]], minutes: int) -> None:
    """[3] 51.5 N 0.1333333 W: civil dawn, sunrise, sunset, civil dusk."""
    times = sun_times(Position(51.5, -0.1333333), day)

    assert_near(
        [times.civil_dawn_at, times.sunrise_at, times.sunset_at, times.civil_dusk_at],
        [datetime(day.year, day.month, day.day, *clock, tzinfo=UTC) for clock in clocks],
        timedelta(minutes=minutes),
    )


def test_where_the_sun_does_not_set_that_is_said() -> None:
    """[4] 69.6 N 18.95 E on 5 June 2019: no sunrise, no sunset, and no error."""
    times = sun_times(Position(69.6, 18.95), date(2019, 6, 5))

    assert (times.sunrise_at, times.sunset_at, times.polar) == (None, None, Polar.DAY)


# Latitude, longitude, day; civil dawn, sunrise, sunset, civil dusk in UTC, each with its day of the month.
ALL_OVER_THE_GLOBE = {
    "Swanage, spring": (50.6087, -1.9496, "2024-03-20", "20T05:37 20T06:10 20T18:21 20T18:54"),
    "Swanage, winter": (50.6087, -1.9496, "2024-12-21", "21T07:28 21T08:07 21T16:05 21T16:45"),
    "Lerwick, spring": (60.153, -1.149, "2024-03-20", "20T05:23 20T06:05 20T18:20 20T19:02"),
    "Lerwick, summer": (60.153, -1.149, "2024-06-20", "20T00:47 20T02:39 20T21:34 20T23:26"),
    "Lerwick, winter": (60.153, -1.149, "2024-12-21", "21T08:10 21T09:08 21T14:58 21T15:56"),
    "Cirkewwa, spring": (35.9887, 14.3292, "2024-03-20", "20T04:40 20T05:06 20T17:15 20T17:40"),
    "Cirkewwa, summer": (35.9887, 14.3292, "2024-06-20", "20T03:16 20T03:46 20T18:23 20T18:53"),
    "Cirkewwa, winter": (35.9887, 14.3292, "2024-12-21", "21T05:41 21T06:10 21T15:52 21T16:21"),
    "Dahab, spring": (28.5091, 34.5136, "2024-03-20", "20T03:22 20T03:46 20T15:53 20T16:17"),
    "Dahab, summer": (28.5091, 34.5136, "2024-06-20", "20T02:18 20T02:45 20T16:42 20T17:09"),
    "Dahab, winter": (28.5091, 34.5136, "2024-12-21", "21T04:04 21T04:30 21T14:50 21T15:16"),
    "Sydney, winter": (-33.8003, 151.2977, "2024-06-20", "19T20:32 19T20:59 20T06:54 20T07:21"),
    "Wellington, autumn": (-41.2888, 174.7772, "2024-03-20", "19T17:56 19T18:23 20T06:32 20T07:00"),
    "Tromso, spring": (69.6492, 18.9553, "2024-03-20", "20T03:42 20T04:42 20T17:03 20T18:04"),
    "Longyearbyen, spring": (78.2232, 15.6267, "2024-03-20", "20T03:02 20T04:48 20T17:26 20T19:14"),
}


@pytest.mark.parametrize(("lat", "lon", "day", "expected"), ALL_OVER_THE_GLOBE.values(), ids=ALL_OVER_THE_GLOBE)
def test_the_sun_all_over_the_globe(lat: float, lon: float, day: str, expected: str) -> None:
    """[5] From the Red Sea to Svalbard and across the date line, to the minute also where three would be allowed."""
    times = sun_times(Position(lat, lon), date.fromisoformat(day))

    assert_near(
        [times.civil_dawn_at, times.sunrise_at, times.sunset_at, times.civil_dusk_at],
        [datetime.fromisoformat(f"{day[:8]}{one}").replace(tzinfo=UTC) for one in expected.split()],
    )


def test_the_sun_of_a_northern_midsummer_is_always_up() -> None:
    """[5] 69.6492 N 18.9553 E on 20 June 2024: always up, and no twilight."""
    times = sun_times(TROMSO, date(2024, 6, 20))

    assert times.polar is Polar.DAY
    assert {times.civil_dawn_at, times.sunrise_at, times.sunset_at, times.civil_dusk_at} == {None}
    assert light_at(TROMSO, datetime(2024, 6, 20, 23, tzinfo=UTC)).phase is Phase.DAY


def test_the_sun_of_a_northern_midwinter_is_never_up() -> None:
    """[5] The same place on 21 December 2024: never up, and civil twilight from 08:32 to 12:53."""
    times = sun_times(TROMSO, date(2024, 12, 21))

    assert (times.polar, times.sunrise_at, times.sunset_at) == (Polar.NIGHT, None, None)
    assert_near(
        [times.civil_dawn_at, times.civil_dusk_at],
        [datetime(2024, 12, 21, 8, 32, tzinfo=UTC), datetime(2024, 12, 21, 12, 53, tzinfo=UTC)],
    )
