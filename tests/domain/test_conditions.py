"""Current and wind: what no sea and no sky does is refused, with words that say what to give.

Whose word each of them is, and of when, is kept with it.
"""

from __future__ import annotations

import math

import pytest

from service.domain.dive import commands as do
from service.domain.dive.events import ConditionsReported
from service.domain.place.conditions import (
    FASTEST_CURRENT_KN,
    FASTEST_WIND_KN,
    Conditions,
    ConditionsError,
    Current,
    Seen,
    Wind,
)
from service.store.codec import dump_dive, load_dive
from tests.domain.builders import at, contact, diver, in_water

WIND = Wind(270, 15)
MAKES = {"current": Current, "wind": Wind}
FASTEST = {"current": FASTEST_CURRENT_KN, "wind": FASTEST_WIND_KN}


@pytest.mark.parametrize("of", MAKES)
@pytest.mark.parametrize("degrees", [0, 0.5, 359.9, 360])
def test_a_direction_goes_once_round(of: str, degrees: float) -> None:
    """North may be 0 or 360."""
    MAKES[of](degrees, 1)


@pytest.mark.parametrize("of", MAKES)
@pytest.mark.parametrize("degrees", [-0.1, 360.1, math.nan, math.inf])
def test_another_direction_is_refused(of: str, degrees: float) -> None:
    """The message says what to give."""
    with pytest.raises(ConditionsError, match="a direction in degrees from 0 to 360: 0 is north, 90 east"):
        MAKES[of](degrees, 1)


@pytest.mark.parametrize("of", MAKES)
def test_a_speed_goes_up_to_what_there_is(of: str) -> None:
    """From slack and calm to the fastest."""
    MAKES[of](90, 0)
    MAKES[of](90, FASTEST[of])


@pytest.mark.parametrize("of", MAKES)
@pytest.mark.parametrize("over", [-0.1, 0.1, math.nan, math.inf])
def test_another_speed_is_refused(of: str, over: float) -> None:
    """The message names the unit and the range."""
    speed = over if over < 0 else FASTEST[of] + over

    with pytest.raises(ConditionsError, match=rf"the speed of the {of} in knots, from 0 to {FASTEST[of]}"):
        MAKES[of](90, speed)


def test_current_and_wind_have_each_their_own_time_and_name() -> None:
    """Who sees the wind an hour later has said nothing of a current that may have turned since."""
    story = in_water()
    story.does(do.ReportConditions(diver("page"), Current(90, 0.5), Wind(180, 4)), at(1))
    story.does(do.ReportConditions(contact(words="page"), wind=Wind(270, 15)), at(40))
    story.does(do.ReportConditions(contact(1, "page"), wind=Wind(280, 15)), at(50))

    seen = story.dive.conditions
    assert seen is not None
    assert (seen.of_current, seen.of_wind) == (Seen(at(1), "Anna Holt"), Seen(at(50), "Dov Lind"))
    story.does(do.ReportConditions(contact(words="page"), Current(100, 1)), at(55))
    seen = story.dive.conditions
    assert seen is not None
    assert (seen.of_current, seen.of_wind) == (Seen(at(55), "Cleo Marsh"), Seen(at(50), "Dov Lind"))


def test_a_log_of_before_they_were_kept_apart_folds_as_it_did() -> None:
    """Rows of before are the fold of their events still; what is said from now on has its own."""
    story = in_water()
    old = [ConditionsReported(at(1), diver("page"), Current(90, 0.5)), ConditionsReported(at(40), contact(), wind=WIND)]
    story.happens(old)
    was = Conditions(at(40), "Cleo Marsh", Current(90, 0.5), WIND)

    assert story.dive.conditions == was
    assert (was.of_current, was.of_wind) == (Seen(at(40), "Cleo Marsh"), Seen(at(40), "Cleo Marsh"))
    assert load_dive(dump_dive(story.dive)) == story.dive
    story.does(do.ReportConditions(contact(1, "page"), wind=Wind(280, 15)), at(50))
    seen = story.dive.conditions
    assert seen is not None
    assert (seen.of_current, seen.of_wind) == (Seen(at(40), "Cleo Marsh"), Seen(at(50), "Dov Lind"))
    assert load_dive(dump_dive(story.dive)) == story.dive


def test_what_they_last_said_is_what_they_said() -> None:
    """An alarm quotes it."""
    story = in_water()
    words = []
    for current, wind in ((Current(90, 0.5), None), (None, WIND), (Current(90, 0.5), WIND)):
        story.does(do.ReportConditions(diver("page"), current, wind), at(len(words) + 1))
        assert story.dive.last_heard is not None
        words.append(story.dive.last_heard.words)

    assert words == ["current", "wind", "current and wind"]
