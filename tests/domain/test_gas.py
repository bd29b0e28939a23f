"""Gas as given, and how long it lasts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.gas import GasError, GasGone, GasPlan, endurance, gas_gone_at

PLAIN = GasPlan(cylinder_l=12, fill_bar=200, reserve_bar=50, surface_rate_l_min=20)


def test_gas_lasts_its_usable_litres_at_the_surface() -> None:
    """12 litres of 150 usable bar at 20 litres a minute are 90 minutes."""
    assert endurance(PLAIN, 0) == timedelta(minutes=90)


STARTED_AT = datetime(2027, 6, 1, 9, tzinfo=UTC)


def test_gas_is_gone_to_the_reserve_first_and_then_to_empty() -> None:
    """At 10 m 1800 litres by 40 litres a minute are 45 minutes, and all 2400 litres an hour."""
    assert gas_gone_at(STARTED_AT, PLAIN, 10) == GasGone(
        to_reserve_at=STARTED_AT + timedelta(minutes=45), to_empty_at=STARTED_AT + timedelta(minutes=60)
    )


@given(st.floats(0, 100))
def test_without_a_reserve_both_are_one(depth_m: float) -> None:
    """Whoever plans to empty a cylinder has it empty as planned."""
    gone = gas_gone_at(STARTED_AT, GasPlan(12, 200, 0, 20), depth_m)

    assert gone.to_reserve_at == gone.to_empty_at


@given(st.floats(0, 100), st.floats(0.1, 100))
def test_deeper_is_shorter(depth_m: float, more_m: float) -> None:
    """Every metre costs."""
    assert endurance(PLAIN, depth_m + more_m) < endurance(PLAIN, depth_m)


@pytest.mark.parametrize(
    ("cylinder_l", "fill_bar", "reserve_bar", "rate", "words"),
    [
        (0, 200, 50, 20, "cylinder size"),
        (61, 200, 50, 20, "cylinder size"),
        (float("nan"), 200, 50, 20, "cylinder size"),
        (12, 0, 0, 20, "fill pressure"),
        (12, 351, 50, 20, "fill pressure"),
        (12, 200, -1, 20, "reserve"),
        (12, 200, 200, 20, "reserve"),
        (12, 200, float("nan"), 20, "reserve"),
        (12, 200, 50, 4.9, "surface rate"),
        (12, 200, 50, 101, "surface rate"),
        (12, 200, 50, float("inf"), "surface rate"),
    ],
)
def test_implausible_gas_is_refused_by_name(
    cylinder_l: float, fill_bar: float, reserve_bar: float, rate: float, words: str
) -> None:
    """The message names the figure to put right."""
    with pytest.raises(GasError, match=words):
        GasPlan(cylinder_l, fill_bar, reserve_bar, rate)


@pytest.mark.parametrize(
    ("cylinder_l", "fill_bar", "reserve_bar", "rate"), [(60, 350, 0, 5), (0.5, 1, 0.5, 100)], ids=["most", "least"]
)
def test_gas_at_the_bounds_is_taken(cylinder_l: float, fill_bar: float, reserve_bar: float, rate: float) -> None:
    """The bounds themselves are plausible."""
    assert endurance(GasPlan(cylinder_l, fill_bar, reserve_bar, rate), 10) > timedelta(0)


@pytest.mark.parametrize("depth_m", [-0.1, 350.1, float("nan"), float("inf")])
def test_an_impossible_depth_is_refused(depth_m: float) -> None:
    """Above the water, below any diver, and no number at all."""
    with pytest.raises(GasError, match="depth"):
        endurance(PLAIN, depth_m)
    with pytest.raises(GasError, match="depth"):
        gas_gone_at(STARTED_AT, PLAIN, depth_m)
