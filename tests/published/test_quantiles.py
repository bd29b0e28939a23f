"""Quantiles against definition 7 of Hyndman and Fan, worked by hand from the published formula.

Hyndman and Fan, "Sample Quantiles in Statistical Packages", The American Statistician 50 (1996) 361-365: with n values
in order the p-quantile lies at h = (n - 1) p, linear between the values before and after.
"""

from __future__ import annotations

import pytest

from service.operations.figures import spread


@pytest.mark.parametrize(
    ("values", "median", "ninetieth"),
    [
        # The places are 4.5 and 8.1.
        (range(1, 11), 5.5, 9.1),
        # The places are 1 and 1.8, so the second value, and 0.8 of the way from 4 to 50.
        ((3, 50, 4), 4.0, 40.8),
        # The places are 0.5 and 0.9 of the way from 2 to 10.
        ((10, 2), 6.0, 9.2),
    ],
    ids=["one to ten", "three", "two"],
)
def test_quantiles_are_those_of_definition_seven(values: list[float], median: float, ninetieth: float) -> None:
    """Whatever the order in which the values come."""
    found = spread([float(value) for value in values])

    assert (found.median, found.ninetieth) == (pytest.approx(median), pytest.approx(ninetieth))
