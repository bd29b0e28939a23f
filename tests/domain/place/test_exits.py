"""Exits: how far, how long, whether open, and which to make for first."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.conditions import Current
from service.domain.place.exits import EASE_WORTH_M, SWIM_KN, ExitChoice, exit_advice, exits_for, made_good_kn
from service.domain.place.geodesy import destination
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePoint
from service.domain.place.tide import TideWindow
from tests.domain.place.places import BARE, CURRENT, ENTRY, HOUR, LANTERN, T0, with_points

DUE_OUT = T0 + 50 * timedelta(minutes=1)
POSITIONS = st.builds(Position, st.floats(-90, 90), st.floats(-180, 180))
WINDOWED = TideWindow(min_height_m=2)


def exit_at(name: str, metres: float, bearing: float = 90, ease: int | None = None, **more: object) -> SitePoint:
    """An exit so far from the entry; `more` are further fields of a point."""
    return SitePoint(PointKind.EXIT, name, destination(ENTRY, bearing, metres), ease, **more)  # type: ignore[arg-type]


def order(*points: SitePoint, current: Current | None = None) -> list[str]:
    """The names of exits in the order in which to make for them, from the entry."""
    return [choice.point.name for choice in exits_for(with_points(*points), ENTRY, current, DUE_OUT)]


def only(point: SitePoint, current: Current | None = None) -> ExitChoice:
    """The one exit of a site as seen from the entry."""
    [choice] = exits_for(with_points(point), ENTRY, current, DUE_OUT)
    return choice


def test_an_exit_has_distance_bearing_and_number() -> None:
    """Distance and bearing are geodesic, numbers are by the club's list whatever the order."""
    choices = exits_for(LANTERN, ENTRY, None, DUE_OUT, chosen=(" west STEPS", "nowhere"))

    west = next(choice for choice in choices if choice.point.name == "West steps")
    assert (west.number, west.chosen) == (2, True)
    assert west.distance_m == pytest.approx(225, abs=1)
    assert west.bearing_deg == pytest.approx(257.5, abs=0.5)
    assert {choice.point.name: choice.number for choice in choices} == {
        "East beach": 1,
        "West steps": 2,
        "Boat shed": 3,
    }
    assert [choice.chosen for choice in choices if choice is not west] == [False, False]


def test_a_swim_in_still_water_is_about_fifteen_metres_a_minute() -> None:
    """Half a knot is 15.4 m a minute."""
    swim = only(exit_at("far", 463)).swim

    assert swim is not None
    assert swim.total_seconds() == pytest.approx(30 * 60, abs=1)


@pytest.mark.parametrize(
    ("set_deg", "drift_kn", "made_good"),
    [
        (90, 0.0, 0.5),
        (90, 0.3, 0.8),  # along the way
        (270, 0.3, 0.2),  # against it
        (0, 0.3, 0.4),  # across: 0.3, 0.4 and 0.5 make a right triangle
        (180, 0.4, 0.3),
        (270, 0.449, 0.051),  # about the slowest that still gets there
        (270, 0.451, None),
        (270, 0.5, None),  # as strong as the swim
        (270, 3.0, None),
        (0, 0.5, None),  # across, and all of the swim goes against it
        (0, 0.6, None),
        (90, 2.0, 2.5),
    ],
)
def test_what_a_swim_makes_good_in_a_current(set_deg: float, drift_kn: float, made_good: float | None) -> None:
    """The swimmer holds the line to the east; the triangle of velocities gives the rest."""
    found = made_good_kn(Current(set_deg, drift_kn), 90)

    assert found == (None if made_good is None else pytest.approx(made_good, abs=1e-9))


def test_without_a_current_the_swim_is_that_in_still_water() -> None:
    """An unknown current is none."""
    assert made_good_kn(None, 90) == SWIM_KN


def test_a_head_current_as_strong_as_the_swim_keeps_one_from_an_exit() -> None:
    """Then there is no swim time, and the choice says why; the exit one stands at needs no swim."""
    there, here = only(exit_at("far", 300), Current(270, 0.5)), only(exit_at("here", 0.5), Current(270, 0.5))

    assert (there.swim, there.current_too_strong) == (None, True)
    assert (here.swim, here.current_too_strong) == (timedelta(), False)


@pytest.mark.parametrize("metres_more", [-1, 1])
def test_a_step_of_ease_is_worth_a_hundred_metres(metres_more: int) -> None:
    """The easier exit comes first up to that much more to swim."""
    hard, easy = exit_at("hard", 200, ease=2), exit_at("easy", 200 + EASE_WORTH_M + metres_more, ease=3)

    assert order(hard, easy) == (["hard", "easy"] if metres_more > 0 else ["easy", "hard"])


def test_an_unknown_ease_counts_as_the_middle_one() -> None:
    """Between an easier and a harder exit at the same distance."""
    easy, unknown, hard = exit_at("easy", 200, ease=4), exit_at("unknown", 200), exit_at("hard", 200, ease=2)

    assert order(hard, unknown, easy) == ["easy", "unknown", "hard"]


def test_a_current_makes_the_nearer_exit_the_farther_swim() -> None:
    """What counts is the swim, not the way."""
    up, down = exit_at("up", 200, bearing=90), exit_at("down", 300, bearing=270)

    assert order(up, down) == ["up", "down"]
    assert order(up, down, current=Current(270, 0.3)) == ["down", "up"]


def test_what_cannot_be_used_comes_last() -> None:
    """Reachable, then of unknown place, then against the current, then closed by the tide, however easy."""
    closed = exit_at("closed", 10, ease=5, window=WINDOWED, bearing=270)
    against = exit_at("against", 100, ease=5)
    nowhere = SitePoint(PointKind.EXIT, "nowhere", None, ease=5)
    far = exit_at("far", 900, ease=1, bearing=270)

    assert order(closed, against, nowhere, far, current=Current(270, 0.6)) == ["far", "nowhere", "against", "closed"]


@pytest.mark.parametrize(
    ("window", "hours", "expected"),
    [
        (None, 0, True),
        (None, None, True),
        (TideWindow(), None, True),
        (WINDOWED, 1, False),  # low water
        (WINDOWED, 7, True),  # high water
        (WINDOWED, 30, None),  # no tides there
        (WINDOWED, None, None),  # no time
    ],
)
def test_whether_an_exit_is_open_at_due_out(
    window: TideWindow | None,
    hours: int | None,
    expected: bool | None,  # noqa: FBT001 - what is expected
) -> None:
    """By its tide window; without one always; not known without a time, or tides around it."""
    site = with_points(exit_at("shed", 100, window=window))
    due_out_at = None if hours is None else T0 + hours * HOUR

    [choice] = exits_for(site, ENTRY, None, due_out_at)

    assert choice.open_at_due_out is expected


def test_without_a_start_there_is_no_distance() -> None:
    """Order then goes by ease."""
    choices = exits_for(LANTERN, None, CURRENT, None)

    assert [choice.point.name for choice in choices] == ["East beach", "Boat shed", "West steps"]
    assert {(choice.distance_m, choice.bearing_deg, choice.swim) for choice in choices} == {(None, None, None)}


SLIP, STEPS = exit_at("Slip", 50), exit_at("Steps", 100, bearing=270)
SHED = exit_at("Shed", 150, window=WINDOWED)


@pytest.mark.parametrize(
    ("points", "current", "hours", "expected"),
    [
        ((), None, 1, []),
        ((SLIP, STEPS), None, 1, []),
        ((SLIP,), None, 1, ["This site has one exit, Slip. One exit is not a plan: know another way out."]),
        (
            (SLIP, SHED),
            None,
            1,
            [
                "Only Slip can be used at due out. One exit is not a plan: choose another time or site.",
                "Closed at due out by the high and low waters given: Shed. Wind moves the tide.",
            ],
        ),
        ((SLIP, SHED), None, 7, []),
        ((SLIP, SHED), None, 40, ["Not known whether open at due out, for want of time in or tides: Shed."]),
        (
            (SHED,),
            None,
            1,
            [
                "No exit of this site can be used at due out. Choose another time or another site.",
                "Closed at due out by the high and low waters given: Shed. Wind moves the tide.",
            ],
        ),
        (
            (SLIP, STEPS),
            Current(90, 1),
            1,
            [
                "Only Slip can be used at due out. One exit is not a plan: choose another time or site.",
                "The current given is too strong to swim there: Steps.",
            ],
        ),
    ],
)
def test_one_exit_is_not_a_plan(
    points: tuple[SitePoint, ...], current: Current | None, hours: int, expected: list[str]
) -> None:
    """Fewer than two exits that can be used at due out are warned about, with the reason; nothing else is."""
    choices = exits_for(with_points(*points), ENTRY, current, T0 + hours * HOUR)

    assert list(exit_advice(choices)) == expected


def test_an_exit_both_closed_and_against_the_current_is_told_as_closed() -> None:
    """The tide rules it out whatever the current does then, and it is named for both."""
    choices = exits_for(with_points(SHED, SLIP, STEPS), ENTRY, Current(270, 0.5), T0 + HOUR)

    advice = exit_advice(choices)

    assert "Closed at due out by the high and low waters given: Shed. Wind moves the tide." in advice
    assert advice[0].startswith("Only Steps can be used")


def test_a_site_without_exits_gives_none() -> None:
    """Nothing is invented."""
    assert exits_for(BARE, ENTRY, None, DUE_OUT) == ()


@given(POSITIONS, POSITIONS, st.builds(Current, st.floats(0, 360), st.floats(0, 12)) | st.none())
def test_exits_are_total_all_over_the_globe(start: Position, end: Position, current: Current | None) -> None:
    """Poles, date line, half the world apart: a time that is not negative, or the word that one cannot swim there."""
    points = (SitePoint(PointKind.EXIT, "one", end), SitePoint(PointKind.EXIT, "same", start))

    choices = exits_for(replace(LANTERN, points=points), start, current, DUE_OUT)

    assert {choice.number for choice in choices} == {1, 2}
    for choice in choices:
        assert (choice.swim is None) == choice.current_too_strong
        assert choice.swim is None or choice.swim >= timedelta()
    exit_advice(choices)
