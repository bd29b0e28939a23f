"""No-stop limits against the published table, from 10 to 190 feet of sea water.

Sources:
[1] US Navy Diving Manual, Revision 7 (SS521-AG-PRO-010, 1 December 2016), Table 9-7, p. 9-63, read in transcriptions
    that agree; where only the last repetitive group of a row was compared, its longest time is the limit of the row
[2] "Round the depth up to the next greater depth": US Navy Diving Manual, Change A, p. 9-12; 0.3048 m to a foot
"""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.no_stop import no_stop_limit

METRES_IN_A_FOOT = 0.3048


@pytest.mark.parametrize("fsw", [10, 15, 20])
def test_shallow_water_has_no_limit(fsw: int) -> None:
    """[1] At 10, 15 and 20 feet the highest group is reached at any time: unlimited."""
    assert no_stop_limit(fsw * METRES_IN_A_FOOT) is None


@pytest.mark.parametrize(
    ("fsw", "minutes"),
    [
        *((25, 1102), (30, 371), (35, 232), (40, 163), (50, 92), (55, 74), (60, 63), (70, 48), (80, 39), (90, 33)),
        *((130, 12), (140, 10), (160, 7), (170, 6), (190, 5)),
    ],
)
def test_the_limit_of_each_depth(fsw: int, minutes: int) -> None:
    """[1] The no-stop limit of a row, at exactly its depth."""
    assert no_stop_limit(fsw * METRES_IN_A_FOOT) == timedelta(minutes=minutes)


@pytest.mark.parametrize(
    ("fsw", "minutes"),
    [
        *((30, 371), (35, 232), (40, 163), (45, 125), (50, 92), (55, 74), (80, 39)),
        *((100, 25), (110, 20), (140, 10), (150, 8), (160, 7), (170, 6)),
    ],
)
def test_the_longest_time_of_the_last_group_is_the_limit(fsw: int, minutes: int) -> None:
    """[1] The rows of the repetitive groups end at the no-stop limit."""
    assert no_stop_limit(fsw * METRES_IN_A_FOOT) == timedelta(minutes=minutes)


@pytest.mark.parametrize(
    ("depth_m", "minutes"), [(12, 163), (15, 92), (18, 63), (20, 48), (25, 33), (30, 25), (35, 15), (40, 10)]
)
def test_a_depth_in_metres_is_rounded_up_to_the_next_row(depth_m: float, minutes: int) -> None:
    """[2] 12 m is 39.4 feet and takes the row of 40 feet, 35 m is 114.8 and takes that of 120."""
    assert no_stop_limit(depth_m) == timedelta(minutes=minutes)


def test_the_revisions_are_not_mixed() -> None:
    """[1] Older revisions had 5 minutes at 160 feet and 60 at 60 feet; this one has 7 and 63."""
    assert no_stop_limit(160 * METRES_IN_A_FOOT) == timedelta(minutes=7)
    assert no_stop_limit(60 * METRES_IN_A_FOOT) == timedelta(minutes=63)
