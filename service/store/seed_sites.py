"""The demo club's sites and tides: an invented coast in mid-ocean, so that no real place is meant.

The tides are invented as well: the mean beat of a twice-daily tide (high waters 12 h 25 min apart) with springs and
neaps of the mean fortnight (14.77 days), and heights of no real port.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.domain.place.conditions import Current
from service.domain.place.tide import TidalExtreme, TideWindow
from service.store import sites, tides
from service.store.sites import NewPoint

RESCUE_CALL: Final = "07700 900999 (practice rescue desk)"
NON_EMERGENCY_CALL: Final = "07700 900998 (practice harbour office)"


@dataclass(frozen=True, slots=True)
class _Site:
    code: str
    name: str
    aliases: tuple[str, ...]
    lat: float
    lon: float
    access: str
    notes: str
    current: Current
    shoreline: tuple[tuple[float, float], ...]
    points: tuple[NewPoint, ...]


_LANTERN: Final = _Site(
    code="LANTERN",
    name="Lantern Cove",
    aliases=("the cove", "lantern"),
    lat=47.12345,
    lon=-20.54321,
    access="Path from the car park, 8 minutes on foot; steps at the end.",
    notes="Swell runs in from the west. At low water the west steps end above the sand.",
    current=Current(70, 0.3),
    shoreline=(
        (47.12262, -20.54790),
        (47.12288, -20.54690),
        (47.12308, -20.54605),
        (47.12322, -20.54490),
        (47.12352, -20.54400),
        (47.12357, -20.54318),
        (47.12366, -20.54215),
        (47.12392, -20.54095),
        (47.12410, -20.53985),
        (47.12396, -20.53880),
    ),
    points=(
        NewPoint("entry", "East beach", 47.12345, -20.54321, ease=5),
        NewPoint("exit", "East beach", 47.12345, -20.54321, "Sand at every tide.", ease=5),
        NewPoint(
            *("exit", "West steps", 47.12301, -20.54610, "At low water the steps end above the sand."),
            ease=3,
            window=TideWindow(min_height_m=1.2),
        ),
        NewPoint(
            *("exit", "Boat shed", 47.12402, -20.53988, "A ladder; not at low water."),
            ease=2,
            window=TideWindow(before_high_h=3, after_high_h=3),
        ),
        NewPoint("vehicle_access", "Shed track", 47.12450, -20.53920, "Wide enough for an ambulance.", vehicles=True),
        NewPoint("parking", "Cove car park", 47.12610, -20.54150, vehicles=True),
        NewPoint("meeting", "Notice board", 47.12600, -20.54170),
        NewPoint("hazard", "Outfall pipe", 47.12280, -20.54500, "Outflow after rain."),
        NewPoint("signal", "Top of the path", 47.12480, -20.54230, "Phone signal here; none on the beach."),
    ),
)

_SLIP: Final = _Site(
    code="SLIP",
    name="North Slip",
    aliases=("slip", "the slipway"),
    lat=47.14120,
    lon=-20.56015,
    access="Slipway beside the road; vehicles to the water's edge.",
    notes="Boats launch here. Tow a buoy.",
    current=Current(20, 0.6),
    shoreline=(
        (47.14085, -20.55860),
        (47.14104, -20.55940),
        (47.14116, -20.56012),
        (47.14140, -20.56110),
        (47.14180, -20.56228),
        (47.14226, -20.56310),
    ),
    points=(
        NewPoint("entry", "Slipway", 47.14120, -20.56015, ease=5),
        NewPoint("exit", "Slipway", 47.14120, -20.56015, "Weed on the lower end.", ease=5),
        NewPoint(
            *("exit", "Shingle bank", 47.14185, -20.56230, "Steep; covered at the top of a spring tide."),
            ease=4,
            window=TideWindow(max_height_m=4.6),
        ),
        NewPoint("vehicle_access", "Slipway", 47.14118, -20.56001, "To the water's edge.", vehicles=True),
        NewPoint("parking", "Slip lay-by", 47.14090, -20.55930, vehicles=True),
        NewPoint("hazard", "Boat lane", 47.14170, -20.56010),
        NewPoint("signal", "Slip lay-by", 47.14090, -20.55930, "Phone signal; a fixed phone on the wall."),
    ),
)

_KELP: Final = _Site(
    code="KELP",
    name="Kelp Garden",
    aliases=("the garden", "kelp"),
    lat=47.10873,
    lon=-20.51240,
    access="Gate and field, 15 minutes on foot; key at the notice board.",
    notes="Clear water, long swim back. No phone signal on the beach; it returns at the gate.",
    current=Current(45, 0.4),
    shoreline=(
        (47.10790, -20.51620),
        (47.10826, -20.51474),
        (47.10862, -20.51360),
        (47.10880, -20.51238),
        (47.10905, -20.51070),
        (47.10938, -20.50900),
        (47.10925, -20.50780),
    ),
    points=(
        NewPoint("entry", "Stone beach", 47.10873, -20.51240, ease=4),
        NewPoint("exit", "Stone beach", 47.10873, -20.51240, "Round stones; hold on to each other.", ease=4),
        NewPoint(
            *("exit", "Gully", 47.10820, -20.51477, "Only around high water, and in no swell."),
            ease=2,
            window=TideWindow(before_high_h=2, after_high_h=2),
        ),
        NewPoint(
            *("exit", "Sand spit", 47.10931, -20.50902, "Covered towards high water."),
            ease=4,
            window=TideWindow(max_height_m=3.4),
        ),
        NewPoint("vehicle_access", "Field gate", 47.11120, -20.51020, "The field is soft after rain.", vehicles=True),
        NewPoint("parking", "Lane end", 47.11205, -20.50950, vehicles=True),
        NewPoint("signal", "Field gate", 47.11120, -20.51020, "Phone signal here; none on the beach."),
    ),
)

SITES: Final = (_LANTERN, _SLIP, _KELP)

_FIRST_HIGH_AT: Final = datetime(2026, 1, 1, 4, 10, tzinfo=UTC)
_HALF_TIDE: Final = timedelta(hours=12.4206) / 2  # of the mean lunar tide
_SPRINGS_EVERY: Final = timedelta(days=14.765)  # half a synodic month
_MEAN_HIGH_M: Final = 4.2
_MEAN_LOW_M: Final = 1.3
_SPRINGS_M: Final = 0.7
SEEDED_BEFORE: Final = timedelta(days=2)
SEEDED_AHEAD: Final = timedelta(days=28)


def invented_tides(begin: datetime, end: datetime) -> tuple[TidalExtreme, ...]:
    """The high and low waters of the invented coast within a stretch of time, always the same ones."""
    first = math.floor((begin - _FIRST_HIGH_AT) / _HALF_TIDE)
    last = math.ceil((end - _FIRST_HIGH_AT) / _HALF_TIDE)
    return tuple(one for one in map(_extreme, range(first, last + 1)) if begin <= one.at <= end)


def _extreme(number: int) -> TidalExtreme:
    exactly = _FIRST_HIGH_AT + number * _HALF_TIDE
    at = exactly.replace(second=0, microsecond=0)
    springs_m = _SPRINGS_M * math.cos(2 * math.pi * ((exactly - _FIRST_HIGH_AT) / _SPRINGS_EVERY))
    high = number % 2 == 0
    height_m = _MEAN_HIGH_M + springs_m if high else _MEAN_LOW_M - springs_m
    return TidalExtreme(at, round(height_m, 1), high)


def seed_sites(session: Session, club_id: str, zone: str, now: datetime) -> None:
    """Add the sites that are missing, and tides around now where there are none but ours."""
    for site in SITES:
        row = sites.find(session, club_id, site.code)
        if row is None:
            row = sites.add(
                session,
                club_id=club_id,
                code=site.code,
                name=site.name,
                aliases=site.aliases,
                zone=zone,
                lat=site.lat,
                lon=site.lon,
                rescue_call=RESCUE_CALL,
                non_emergency_call=NON_EMERGENCY_CALL,
                access=site.access,
                notes=site.notes,
                current=site.current,
                shoreline=site.shoreline,
                points=site.points,
            )
        _seed_tides(session, row.id, now)


def _seed_tides(session: Session, site_id: str, now: datetime) -> None:
    """A demo that is started again after weeks gets the tides of now; a list that somebody imported stays alone."""
    around = (now - SEEDED_BEFORE, now + SEEDED_AHEAD)
    ours = invented_tides(*around)
    known = tides.between(session, site_id, around)
    if set(known) <= set(ours):
        tides.add(session, site_id, [one for one in ours if one not in known])
