"""Current and wind: what no sea and no sky does is refused, with words that say what to give."""

from __future__ import annotations

import math

import pytest

from service.domain.place.conditions import FASTEST_CURRENT_KN, FASTEST_WIND_KN, ConditionsError, Current, Wind

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
