"""Drift, total probable error and first search radius against published values.

Sources:
[1] A. Allen and J. V. Plourde, Review of Leeway, US Coast Guard CG-D-08-99 (1999), and Allen CG-D-05-05 (2005), as
    tabulated for drift models: slope in per cent of the wind, downwind and across; persons in the water of unknown
    state (PIW-1) 0.96 and 0.54, PIW-5 0.63 and 0.31
[2] National SAR Manual Vol. I (JP 3-50 / COMDTINST M16120.5A, 1991), section 521; the formula is from memory, the
    numbers are its arithmetic
[3] Australian National SAR Manual, Appendix J, table J-1
[4] Danish rapid response method: 30 per cent of the drift as its error
[5] A vector sum on WGS84 geodesics, computed with geographiclib 2.1: last known position 50.6087,-1.9496; 1.5 h;
    current of 1.0 kn setting 090; wind of 20 kn from 225, leeway 0.288 kn towards 045; X and Y 0.1 NM, drift error
    30 per cent
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.domain.place.conditions import KNOT_M_S, NAUTICAL_MILE_M, Current, Wind
from service.domain.place.fix import Fix, Source
from service.domain.place.geodesy import bearing_deg, distance_m
from service.domain.place.position import Position
from service.domain.place.search_area import (
    DEFAULT_FACTORS,
    SearchFactors,
    drift_error_m,
    drift_m_s,
    search_pictures,
    total_probable_error,
)

START = datetime(2027, 6, 1, 12, tzinfo=UTC)
LAST = Fix(Position(50.6087, -1.9496), START, "check", Source.TEXT)
CURRENT, WIND = Current(90, 1.0), Wind(225, 20)

# The case gives its leeway as a speed, 0.288 kn straight down a wind of 20 kn.
CASE = SearchFactors(leeway_downwind_share=0.288 / 20, leeway_crosswind_share=0)

PIW_5 = replace(DEFAULT_FACTORS, leeway_downwind_share=0.0063, leeway_crosswind_share=0.0031)


@pytest.mark.parametrize(
    ("factors", "wind_m_s", "downwind", "across", "speed"),
    [
        (DEFAULT_FACTORS, 5, 0.0480, 0.0270, 0.0551),
        (DEFAULT_FACTORS, 10, 0.0960, 0.0540, 0.1101),
        (PIW_5, 10, 0.0630, 0.0310, 0.0702),
        (PIW_5, 15, 0.0945, 0.0465, 0.1053),
    ],
)
def test_leeway_of_a_person_in_the_water(
    factors: SearchFactors, wind_m_s: float, downwind: float, across: float, speed: float
) -> None:
    """[1] Downwind, across and together, in metres a second; across it is what widens the drift error."""
    wind = Wind(180, wind_m_s / KNOT_M_S)

    east, north = drift_m_s(None, wind, factors)
    sideways = drift_error_m(0, 1, Current(0, 0), wind, factors)

    assert (east, north) == pytest.approx((0, downwind), abs=1e-4)
    assert sideways == pytest.approx(across, abs=1e-4)
    assert math.hypot(north, sideways) == pytest.approx(speed, abs=1e-4)


@pytest.mark.parametrize(("x", "y", "de", "e"), [(1.0, 0.1, 2.0, 2.2383), (3, 4, 12, 13.0)])
def test_total_probable_error(x: float, y: float, de: float, e: float) -> None:
    """[2] E of X, Y and De in nautical miles."""
    assert total_probable_error(x, y, de) == pytest.approx(e, abs=1e-4)


def test_a_fix_by_gps_is_good_to_a_tenth_of_a_mile() -> None:
    """[3] The position error that is taken at the least."""
    assert DEFAULT_FACTORS.position_error_m / NAUTICAL_MILE_M == pytest.approx(0.1, abs=1e-12)


def test_the_drift_error_is_three_tenths_of_the_drift() -> None:
    """[4] With a current known and no wind, of 2 NM of drift 0.6 NM."""
    assert drift_error_m(2 * NAUTICAL_MILE_M, 3600, CURRENT, None) / NAUTICAL_MILE_M == pytest.approx(0.6, abs=1e-6)


def test_the_current_alone_leads_to_the_first_corner() -> None:
    """[5] After 1.5 h of current: 50.608693,-1.910355, to five metres."""
    [picture] = search_pictures(LAST, START + timedelta(hours=1.5), CURRENT, None, 0, CASE)

    assert distance_m(picture.datum, Position(50.608693, -1.910355)) < 5


def test_current_and_leeway_lead_to_the_datum() -> None:
    """[5] 50.613779,-1.902362 to five metres, 1.8310 NM on 80.39 degrees."""
    [picture] = search_pictures(LAST, START + timedelta(hours=1.5), CURRENT, WIND, 0, CASE)

    assert distance_m(picture.datum, Position(50.613779, -1.902362)) < 5
    assert picture.drift_m / NAUTICAL_MILE_M == pytest.approx(1.8310, abs=0.01)
    assert bearing_deg(LAST.position, picture.datum) == pytest.approx(80.39, abs=0.2)


@pytest.mark.parametrize(("factor", "radius"), [(1.1, 0.6239), (1.6, 0.9075)])
def test_errors_and_radius_of_the_same_case(factor: float, radius: float) -> None:
    """[5] De 0.5493, E 0.5672 NM; the radius with the safety factors of a first and a second search."""
    factors = replace(CASE, first_search_factor=factor)

    [picture] = search_pictures(LAST, START + timedelta(hours=1.5), CURRENT, WIND, 0, factors)

    in_miles = [
        length / NAUTICAL_MILE_M for length in (picture.drift_error_m, picture.total_probable_error_m, picture.radius_m)
    ]
    assert in_miles == pytest.approx([0.5493, 0.5672, radius], abs=1e-3)
