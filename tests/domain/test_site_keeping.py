"""Sites as a club keeps them: codes that texts can name, what is different between two states, what to look at."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.domain.place.club_site import ClubSite
from service.domain.place.conditions import Current
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePoint
from service.domain.place.site_advice import TIDES_SOON, site_advice, tide_advice
from service.domain.place.site_changes import Change, changes
from service.domain.place.tide import TideWindow
from service.domain.texts.site_code import code_clash

HERE = Position(47.12345, -20.54321)
NOW = datetime(2027, 6, 1, 10, 0, tzinfo=UTC)
ENTRY = SitePoint(PointKind.ENTRY, "Beach", HERE)
STEPS = SitePoint(PointKind.EXIT, "Steps", HERE, ease=3)
UNPLACED, FAR = replace(STEPS, position=None), replace(STEPS, position=Position(47.15, -20.54321))
AT = "47.123450,-20.543210"
TRACK = SitePoint(PointKind.VEHICLE_ACCESS, "Track", HERE, vehicles=True)
SITE = ClubSite(
    "LANTERN", "Lantern Cove", HERE, points=(ENTRY, STEPS, TRACK), shoreline=(HERE, Position(47.124, -20.54))
)


@pytest.mark.parametrize("code", ["LANTERN", "SLIP", "A1", "REEF", "WEST", "N1"])
def test_a_code_that_texts_can_name_is_taken(code: str) -> None:
    """A name, short or long."""
    assert code_clash(code) is None


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("OUT", '"OUT" alone means something in a text already (finish).'),
        ("SOS", '"SOS" alone means something in a text already (raise now).'),
        ("STOP", '"STOP" alone means something in a text already (opt out).'),
        ("WHERE", '"WHERE" alone means something in a text already (where).'),
        ("MISSING", '"MISSING" alone means something in a text already (worry).'),
        ("WATER", '"IN WATER 50 P2" would not be read as meant.'),
        ("P2", '"IN P2 50 P2" would not be read as meant.'),
        ("NOW", '"IN NOW 50 P2" would not be read as meant.'),
    ],
)
def test_a_code_that_means_something_else_is_refused(code: str, words: str) -> None:
    """It is tried in the very texts that name a site."""
    told = code_clash(code)

    assert told is not None
    assert told.startswith(words)


@pytest.mark.parametrize(
    ("after", "change"),
    [
        (replace(SITE, name="Cove"), Change("name", "Lantern Cove", "Cove")),
        (replace(SITE, code="LIGHT"), Change("code", "LANTERN", "LIGHT")),
        (replace(SITE, aliases=("the cove", "light")), Change("other names", None, "the cove, light")),
        (
            replace(SITE, position=Position(47.1234512, -20.54321)),
            Change("position", "47.123450,-20.543210", "47.123451,-20.543210"),
        ),
        (replace(SITE, current=Current(70, 0.3)), Change("usual current", None, "0.3 kn towards 70 degrees")),
        (replace(SITE, points=(ENTRY, TRACK)), Change("exit Steps", f"{AT}; ease 3", None)),
        (
            replace(SITE, points=(ENTRY, replace(STEPS, window=TideWindow(min_height_m=1.2), notes="Slippery"), TRACK)),
            Change(
                "exit Steps",
                f"{AT}; ease 3",
                f"{AT}; ease 3; tide window min_height_m 1.2; Slippery",
            ),
        ),
        (
            replace(SITE, points=(STEPS, ENTRY, TRACK)),
            Change(
                "order of the points",
                "entry Beach, exit Steps, vehicle access Track",
                "exit Steps, entry Beach, vehicle access Track",
            ),
        ),
        (replace(SITE, shoreline=()), Change("shoreline", "2 positions", None)),
        (
            replace(SITE, shoreline=(HERE, Position(47.125, -20.54))),
            Change("shoreline", "2 positions", "2 positions, others than before"),
        ),
    ],
)
def test_each_difference_is_told_by_itself(after: ClubSite, change: Change) -> None:
    """What is the same is not told."""
    assert changes(SITE, after) == (change,)
    assert changes(SITE, SITE) == ()


def test_a_new_site_is_different_in_all_that_it_has() -> None:
    """And in nothing that it has not."""
    told = {change.what for change in changes(None, SITE)}

    assert told == {"code", "name", "position", "entry Beach", "exit Steps", "vehicle access Track", "shoreline"}


def test_a_whole_site_needs_no_second_look() -> None:
    """Nor does one that has more."""
    assert site_advice(SITE) == ()


@pytest.mark.parametrize(
    ("site", "words"),
    [
        (replace(SITE, points=(STEPS, TRACK)), "no entry"),
        (replace(SITE, points=(ENTRY, TRACK)), "no exit"),
        (replace(SITE, points=(ENTRY, STEPS)), "no vehicle access"),
        (
            replace(SITE, points=(ENTRY, replace(STEPS, position=None), TRACK)),
            "Without a position, and so in no sketch: Steps.",
        ),
        (
            replace(SITE, points=(ENTRY, replace(STEPS, position=Position(47.15, -20.54321)), TRACK)),
            "Steps is 3.0 km from",
        ),
        (replace(SITE, shoreline=()), "no shoreline"),
    ],
)
def test_what_is_missing_or_far_is_worth_a_look(site: ClubSite, words: str) -> None:
    """One sentence for each."""
    [told] = site_advice(site)

    assert words in told


@pytest.mark.parametrize(
    ("until_in", "words"),
    [
        (None, None),
        (TIDES_SOON + timedelta(minutes=1), None),
        (TIDES_SOON, "ends within 30 days"),
        (timedelta(0), "has ended"),
    ],
)
def test_a_tide_table_that_ends_is_said_in_time(until_in: timedelta | None, words: str | None) -> None:
    """From thirty days before; without tide windows nobody needs one."""
    told = tide_advice(SITE, None if until_in is None else NOW + until_in, NOW)

    assert told is None if words is None else words in (told or "")


def test_a_tide_window_without_tides_is_said() -> None:
    """With the points that have one."""
    windowed = replace(SITE, points=(ENTRY, replace(STEPS, window=TideWindow(min_height_m=1)), TRACK))

    assert "these can be used: Steps." in (tide_advice(windowed, None, NOW) or "")
