"""An invented site with everything a sketch can show, for tests; it lies in mid-ocean."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from service.domain.place.conditions import Current, Wind
from service.domain.place.fix import Fix, Source
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.place.tide import TidalExtreme, TideWindow

T0 = datetime(2027, 6, 1, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)

ENTRY = Position(47.12345, -20.54321)
CURRENT = Current(250, 0.3)
WIND = Wind(200, 12)

TIDES = (
    TidalExtreme(T0 - 5 * HOUR, 4.6, high=True),
    TidalExtreme(T0 + 1 * HOUR, 0.9, high=False),
    TidalExtreme(T0 + 7 * HOUR, 4.4, high=True),
)
"""Low water an hour after T0."""

LANTERN = SitePlan(
    name="Lantern Cove",
    zone="Europe/London",
    rescue_call="07700 900999 (practice rescue desk)",
    code="LANTERN",
    position=ENTRY,
    access="Path from the car park, 8 minutes on foot; steps at the end.",
    non_emergency_call="07700 900998",
    points=(
        SitePoint(PointKind.ENTRY, "East beach", ENTRY),
        SitePoint(PointKind.EXIT, "East beach", ENTRY, ease=4),
        SitePoint(PointKind.EXIT, "West steps", Position(47.12301, -20.54610), ease=2),
        SitePoint(
            PointKind.EXIT,
            "Boat shed",
            Position(47.12402, -20.53988),
            ease=3,
            notes="A ladder; not at low water.",
            window=TideWindow(min_height_m=2.0),
        ),
        SitePoint(PointKind.VEHICLE_ACCESS, "Shed track", Position(47.12450, -20.53920), vehicles=True),
        SitePoint(PointKind.PARKING, "Cove car park", Position(47.12610, -20.54150)),
        SitePoint(PointKind.MEETING, "Notice board", Position(47.12600, -20.54170)),
        SitePoint(PointKind.SIGNAL, "Gate, one bar", Position(47.12560, -20.54480)),
        SitePoint(PointKind.HAZARD, "Outfall pipe", Position(47.12280, -20.54500)),
    ),
    shoreline=(
        Position(47.12330, -20.54820),
        Position(47.12300, -20.54700),
        Position(47.12305, -20.54600),
        Position(47.12345, -20.54520),
        Position(47.12375, -20.54420),
        Position(47.12352, -20.54321),
        Position(47.12372, -20.54200),
        Position(47.12420, -20.54110),
        Position(47.12405, -20.53990),
        Position(47.12435, -20.53880),
    ),
    current=CURRENT,
    tides=TIDES,
)

LAST = Fix(Position(47.12251, -20.54402), T0 + 25 * MINUTE, "Anna Holt", Source.TEXT, accuracy_m=30.0)
EARLIER = Fix(Position(47.12300, -20.54360), T0 + 10 * MINUTE, "Anna Holt", Source.BROWSER, accuracy_m=12.0)

BARE = SitePlan(name="Nameless gully", zone="UTC", rescue_call="07700 900999")
"""A site of which nothing is known but whom to call."""


def with_points(*points: SitePoint, **changes: object) -> SitePlan:
    """The site with other points, and whatever else is to differ."""
    return replace(LANTERN, points=points, **changes)  # type: ignore[arg-type] - fields of a site by name
