"""Guidance about cold water at the ends of its range."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.cold_water import ColdWaterError, cold_water_guidance


@given(st.floats(-2, 40))
def test_every_water_has_words_and_a_source(water_c: float) -> None:
    """Nothing between freezing sea and a warm lagoon is without guidance."""
    guidance = cold_water_guidance(water_c)

    assert guidance.words.endswith(".")
    assert guidance.source
    assert guidance.is_cold == (water_c * 9 / 5 + 32 <= 70)


@pytest.mark.parametrize("water_c", [-2, 40])
def test_the_ends_of_the_range_are_taken(water_c: float) -> None:
    """The coldest sea water and the warmest shallows."""
    assert cold_water_guidance(water_c).words


@pytest.mark.parametrize("water_c", [-2.1, 40.1, float("nan"), float("inf")])
def test_what_is_no_water_is_refused(water_c: float) -> None:
    """The message says what to give."""
    with pytest.raises(ColdWaterError, match="degrees Celsius, from -2 to 40"):
        cold_water_guidance(water_c)
