"""The no-stop table between its rows and past its end."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.no_stop import no_stop_limit

DEEPEST_M = 190 * 0.3048


@pytest.mark.parametrize(("depth_m", "minutes"), [(6.1, 1102), (7.62, 1102), (7.63, 371), (54.8, 6), (54.9, 5)])
def test_the_next_deeper_row_is_taken(depth_m: float, minutes: int) -> None:
    """A hand's breadth past a row counts as the row below."""
    assert no_stop_limit(depth_m) == timedelta(minutes=minutes)


def test_below_the_table_there_is_no_time() -> None:
    """Deeper than 190 feet the table has no dive without stops."""
    assert no_stop_limit(DEEPEST_M + 0.01) == timedelta(0)
    assert no_stop_limit(1000) == timedelta(0)


def test_at_the_surface_there_is_no_limit() -> None:
    """No depth, no limit."""
    assert no_stop_limit(0) is None


@given(st.floats(0, 100), st.floats(0, 100))
def test_deeper_is_never_longer(one_m: float, other_m: float) -> None:
    """Of two depths the deeper has no more time."""
    shallow, deep = (no_stop_limit(depth_m) for depth_m in sorted((one_m, other_m)))

    assert shallow is None or (deep is not None and deep <= shallow)


@pytest.mark.parametrize("depth_m", [-0.1, float("nan"), float("inf")])
def test_what_is_no_depth_is_refused(depth_m: float) -> None:
    """Above the water, no number, no end."""
    with pytest.raises(ValueError, match="a depth is metres, from 0"):
        no_stop_limit(depth_m)
