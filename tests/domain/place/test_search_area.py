"""Where to begin to look: drift, errors and radius, and what is said about them."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.conditions import KNOT_M_S, Current, Wind
from service.domain.place.fix import Fix, Source
from service.domain.place.geodesy import bearing_deg, distance_m
from service.domain.place.position import Position
from service.domain.place.search_area import (
    CAUTION,
    DEFAULT_FACTORS,
    MOST_HOURS,
    SearchFactors,
    SearchFactorsError,
    drift_m_s,
    metres_and_miles,
    search_notes,
    search_pictures,
)
from tests.domain.place.places import CURRENT, HOUR, LAST, MINUTE, T0, TIDES, WIND

NOW = LAST.at + HOUR
CURRENTS = st.builds(Current, st.floats(0, 360), st.floats(0, 12))
WINDS = st.builds(Wind, st.floats(0, 360), st.floats(0, 120))
FIXES = st.builds(
    Fix,
    st.builds(Position, st.floats(-90, 90), st.floats(-180, 180)),
    st.just(T0),
    st.just("Anna Holt"),
    st.just(Source.TEXT),
    st.none() | st.floats(0, 5000),
)


def test_the_pictures_are_for_now_and_each_of_the_next_hours() -> None:
    """Three hours are four pictures, each with the track of those before it."""
    pictures = search_pictures(LAST, NOW, CURRENT, WIND)

    assert [picture.at for picture in pictures] == [NOW + hours * HOUR for hours in range(4)]
    assert [len(picture.track) for picture in pictures] == [2, 3, 4, 5]
    assert pictures[-1].track == (LAST.position, *(picture.datum for picture in pictures))


@pytest.mark.parametrize(("hours", "count"), [(-1, 1), (0, 1), (1, 2), (MOST_HOURS + 5, MOST_HOURS + 1)])
def test_the_number_of_pictures_has_bounds(hours: int, count: int) -> None:
    """One at least, a day of them at most."""
    assert len(search_pictures(LAST, NOW, hours=hours)) == count


def test_a_current_carries_the_datum_where_it_sets() -> None:
    """A knot for an hour is a nautical mile."""
    [picture] = search_pictures(LAST, NOW, Current(90, 1), hours=0)

    assert picture.drift_m == pytest.approx(1852)
    assert distance_m(LAST.position, picture.datum) == pytest.approx(1852, abs=0.01)
    assert bearing_deg(LAST.position, picture.datum) == pytest.approx(90, abs=0.01)


def test_a_wind_carries_it_downwind() -> None:
    """A wind from the north moves it to the south, by the share that leeway is."""
    east, north = drift_m_s(None, Wind(0, 10))

    assert (east, north) == pytest.approx((0, -10 * KNOT_M_S * 0.0096), abs=1e-12)


def test_without_current_and_wind_the_datum_stays_and_the_error_grows_by_an_unknown_one() -> None:
    """Half a knot for an hour, and nothing is pretended to be known."""
    [picture] = search_pictures(LAST, NOW, hours=0)

    assert picture.datum == LAST.position
    assert picture.drift_m == 0
    assert picture.drift_error_m == pytest.approx(926)
    assert picture.total_probable_error_m == pytest.approx(math.sqrt(185.2**2 + 185.2**2 + 926**2))
    assert picture.radius_m == pytest.approx(1.1 * picture.total_probable_error_m)


def test_leeway_may_go_to_either_side_which_widens_the_error() -> None:
    """The share across the wind is added to that of the drift."""
    [picture] = search_pictures(LAST, NOW, Current(0, 0), Wind(0, 20), hours=0)

    assert picture.drift_error_m == pytest.approx(0.3 * picture.drift_m + 20 * 0.0054 * 1852)


def test_the_worse_of_fix_and_factor_is_the_position_error() -> None:
    """A phone that says ten metres is not believed for a search; one that says a kilometre is."""
    exact, rough = (search_pictures(replace(LAST, accuracy_m=m), LAST.at, CURRENT, hours=0)[0] for m in (10, 1000))

    assert exact.total_probable_error_m == pytest.approx(math.hypot(185.2, 185.2))
    assert rough.total_probable_error_m == pytest.approx(math.hypot(1000, 185.2))


def test_a_fix_ahead_of_our_clock_has_not_drifted() -> None:
    """Clocks differ by a minute or two; nobody drifts backwards."""
    [picture] = search_pictures(LAST, LAST.at - MINUTE, CURRENT, WIND, hours=0)

    assert picture.datum == LAST.position
    assert picture.drift_m == 0


@pytest.mark.parametrize("name", [field.name for field in fields(SearchFactors)])
@pytest.mark.parametrize("value", [-0.1, math.nan, math.inf])
def test_a_factor_that_is_no_number_from_zero_up_is_refused(name: str, value: float) -> None:
    """By its name, so that the setting can be found."""
    with pytest.raises(SearchFactorsError, match=f"{name} must be a number from 0 up"):
        replace(DEFAULT_FACTORS, **{name: value})


@given(FIXES, CURRENTS | st.none(), WINDS | st.none(), st.timedeltas(timedelta(0), timedelta(days=3)))
def test_pictures_are_total_and_the_radius_never_shrinks(
    last: Fix, current: Current | None, wind: Wind | None, since: timedelta
) -> None:
    """Poles and date line included, later is never smaller, and the radius is never less than the error."""
    pictures = search_pictures(last, last.at + since, current, wind)

    radii = [picture.radius_m for picture in pictures]
    assert radii == sorted(radii)
    assert all(picture.radius_m >= picture.total_probable_error_m > 0 for picture in pictures)
    assert all(str(round(picture.radius_m, -1)).partition(".")[0] in picture.words for picture in pictures)
    search_notes(last, pictures, current, wind, TIDES, "Europe/London")


@given(st.floats(-80, 80), st.floats(-180, 180), st.floats(0, 360), st.floats(0.1, 6), st.floats(0, 360))
def test_the_datum_lies_where_current_and_wind_go(
    lat: float, lon: float, set_deg: float, drift_kn: float, from_deg: float
) -> None:
    """Never on the side that the current comes from, as long as it is stronger than the leeway."""
    last = replace(LAST, position=Position(lat, lon))
    pictures = search_pictures(last, NOW, Current(set_deg, drift_kn), Wind(from_deg, 5))

    for picture in pictures:
        off_deg = math.remainder(bearing_deg(last.position, picture.datum) - set_deg, 360)
        assert abs(off_deg) < 45


def test_words_say_datum_drift_and_radius_in_both_units() -> None:
    """For those ashore and those at sea."""
    first, *_ = search_pictures(LAST, NOW, Current(90, 1), hours=0)
    still, *_ = search_pictures(LAST, NOW, Current(90, 0), hours=0)

    assert first.words == (
        "Datum 47.12251,-20.51961, drifted 1850 m (1.00 NM) towards 090 degrees true (E);"
        " first search radius 680 m (0.36 NM)."
    )
    assert still.words == "Datum 47.12251,-20.54402, the last known position; first search radius 290 m (0.16 NM)."


@pytest.mark.parametrize(
    ("metres", "words"),
    [(0, "0 m (0.00 NM)"), (99.6, "100 m (0.05 NM)"), (104, "100 m (0.06 NM)"), (1852, "1850 m (1.00 NM)")],
)
def test_a_distance_is_said_in_metres_and_miles(metres: float, words: str) -> None:
    """To ten metres from a hundred up: nobody knows a drift better."""
    assert metres_and_miles(metres) == words


def test_notes_begin_with_the_caution_and_tell_what_was_taken() -> None:
    """Current, wind, divers under water, and each turn of the tide within the pictures."""
    last = replace(LAST, at=T0)
    pictures = search_pictures(last, T0 + HOUR, CURRENT, WIND)

    notes = search_notes(last, pictures, CURRENT, WIND, TIDES, "Europe/London")

    assert notes[0] == CAUTION
    assert "Current 0.3 kn setting 250 degrees true" in notes[1]
    assert "Wind 12 kn from 200 degrees true" in notes[2]
    assert "under water has no leeway" in notes[3]
    assert "knows no shore" in notes[4]
    assert len(notes) == 6
    assert notes[5].startswith("Low water at 11:00: the current may turn about then")


def test_notes_tell_what_is_not_known() -> None:
    """A missing current and a missing wind, by what they do to the picture; the next high water comes after it."""
    notes = search_notes(LAST, search_pictures(LAST, NOW), None, None, TIDES, "UTC")

    assert "No current is known" in notes[1]
    assert "0.5 kn" in notes[1]
    assert "No wind is known, so no leeway is in it." in notes
    assert not any("High water" in note for note in notes)


def test_notes_tell_of_a_high_water_within_the_pictures() -> None:
    """Every turn of the tide between the fix and the last picture."""
    pictures = search_pictures(LAST, T0 + 5 * HOUR, CURRENT)

    assert any(
        note.startswith("High water at 16:00") for note in search_notes(LAST, pictures, CURRENT, None, TIDES, "UTC")
    )


def test_without_pictures_no_tide_is_told() -> None:
    """Nothing drifts, so nothing turns."""
    assert len(search_notes(LAST, (), CURRENT, None, TIDES, "UTC")) == 5
