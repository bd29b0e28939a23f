"""Sites to write and read, for the tests of their files."""

from __future__ import annotations

from hypothesis import strategies as st

from service.domain.place.club_site import ClubSite
from service.domain.place.conditions import Current
from service.domain.place.geodesy import destination
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePoint
from service.domain.place.tide import TideWindow
from service.domain.texts.site_code import code_clash

COVE = Position(47.12345, -20.54321)
SITE = ClubSite(
    code="LANTERN",
    name="Lantern Cove",
    position=COVE,
    zone="Europe/London",
    rescue_call="07700 900999 (practice rescue desk)",
    non_emergency_call="07700 900998",
    aliases=("the cove", "lantern"),
    access="Path & steps <8 min>",
    notes="Swell runs in from the \u201cwest\u201d.",
    current=Current(70.0, 0.5),
    points=(
        SitePoint(PointKind.ENTRY, "East beach", COVE, ease=5),
        SitePoint(PointKind.EXIT, "Ladder"),
        SitePoint(
            PointKind.EXIT, "West steps", Position(47.12301, -20.5461), 3, "Weed", TideWindow(1.2, None, 3.0, 2.5)
        ),
        SitePoint(PointKind.VEHICLE_ACCESS, "Shed track", Position(47.1245, -20.5392), vehicles=True),
        SitePoint(PointKind.SIGNAL, "Gate \u00e9", vehicles=True),
    ),
    shoreline=(Position(47.1227, -20.5478), COVE, Position(47.1239, -20.5388)),
)

_WORDS = st.text(
    st.characters(min_codepoint=0x20, max_codepoint=0xFFFF, exclude_categories=("Cs", "Zs", "Zl", "Zp", "Cc", "Cn")),
    min_size=1,
    max_size=20,
)
_HEIGHTS = st.none() | st.floats(-5, 20)
_HOURS = st.none() | st.floats(0, 12)


@st.composite
def windows(draw: st.DrawFn) -> TideWindow | None:
    """A tide window with at least one bound, or none."""
    low, high = draw(_HEIGHTS), draw(_HEIGHTS)
    if low is not None and high is not None:
        low, high = sorted((low, high))
    window = TideWindow(low, high, draw(_HOURS), draw(_HOURS))
    return None if window == TideWindow() else window


@st.composite
def positions_near(draw: st.DrawFn, centre: Position) -> Position:
    """A position within ten kilometres, to the precision of the files, as they write it."""
    place = destination(centre, draw(st.floats(0, 360)), draw(st.floats(0, 10_000)))
    lon = round(place.lon, 6) + 0.0
    return Position(round(place.lat, 6) + 0.0, -180.0 if lon == 180 else lon)


@st.composite
def club_sites(draw: st.DrawFn) -> ClubSite:
    """Any site on the globe, poles and date line included."""
    centre = draw(st.builds(Position, st.floats(-90, 90), st.floats(-180, 180)))
    near = positions_near(centre)
    kinds = draw(st.lists(st.sampled_from(PointKind), max_size=6))
    points = tuple(
        SitePoint(
            kind,
            f"{draw(_WORDS)} {number}",
            draw(st.none() | near),
            draw(st.none() | st.integers(1, 5)),
            draw(st.none() | _WORDS),
            draw(windows()),
            draw(st.booleans()),
        )
        for number, kind in enumerate(kinds)
    )
    return ClubSite(
        code=draw(st.from_regex("[A-Z][A-Z0-9]{1,11}", fullmatch=True).filter(lambda code: code_clash(code) is None)),
        name=draw(_WORDS),
        position=draw(near),
        zone=draw(st.sampled_from([None, "Europe/London", "Etc/GMT+1"])),
        rescue_call=draw(st.none() | st.sampled_from(["112", "07700 900999 (desk)"])),
        non_emergency_call=draw(st.none() | st.just("07700 900998")),
        aliases=tuple(draw(st.lists(_WORDS, max_size=3, unique=True))),
        access=draw(st.none() | _WORDS),
        notes=draw(st.none() | _WORDS),
        current=draw(st.none() | st.builds(Current, st.floats(0, 360), st.floats(0, 12))),
        points=points,
        shoreline=tuple(draw(st.just([]) | st.lists(near, min_size=2, max_size=6))),
    )
