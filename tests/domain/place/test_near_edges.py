"""Where a short plus code crosses into the next cell, and how much of a tide's range is done by the twelfths."""

from __future__ import annotations

import pytest

from service.domain.place.plus_code import encode, recover
from service.domain.place.position import Position
from service.domain.place.tide import _PARTS, Method, _share


@pytest.mark.parametrize(
    ("lat", "lon", "near_lat", "near_lon"),
    [
        (46.9, -20.5, 47.1, -20.5),
        (47.1, -20.5, 46.9, -20.5),
        (47.5, -21.1, 47.5, -20.9),
        (47.5, -20.9, 47.5, -21.1),
        (47.5, 179.9, 47.5, -179.9),
        (89.1, 10.5, 89.9, 10.5),
    ],
    ids=["south", "north", "west", "east", "over the date line", "at the pole"],
)
def test_a_short_code_is_found_again_across_the_edge_of_a_cell(
    lat: float, lon: float, near_lat: float, near_lon: float
) -> None:
    """The nearest place that it may stand for, not the one in the same cell."""
    code = encode(Position(lat, lon), 10)

    assert recover(code[4:], Position(near_lat, near_lon)) == code


@pytest.mark.parametrize(("sixths", "done"), [(0, 0), (1, 1), (2, 3), (3, 6), (4, 9), (5, 11), (6, 12)])
def test_the_twelfths_of_a_tide_are_one_two_three_three_two_one(sixths: int, done: int) -> None:
    """As every boatman learns them."""
    assert _share(sixths / _PARTS, Method.TWELFTHS) == pytest.approx(done / 12)
