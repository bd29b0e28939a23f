"""Fixes: which is doubted, which is the last known position, and which are carried along."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.fix import (
    CLOCKS_DIFFER,
    FAR_M,
    KEPT_MAX,
    SAME_MOMENT,
    UNSAID_ACCURACY_M,
    Doubt,
    Fix,
    Source,
    doubt_of,
    kept,
    last_known,
)
from service.domain.place.geodesy import destination
from service.domain.place.position import Position
from tests.domain.builders import NOW, at

SITE = Position(47.12345, -20.54321)
SECOND = timedelta(seconds=1)


def fix(minutes: float, accuracy_m: float | None = None, doubt: Doubt | None = None, by: str = "Anna Holt") -> Fix:
    """A fix of so many minutes after NOW."""
    return Fix(SITE, at(minutes), by, Source.TEXT, accuracy_m, doubt)


@pytest.mark.parametrize(
    ("metres", "doubt"), [(0, None), (FAR_M - 1, None), (FAR_M + 1, Doubt.FAR), (3_000_000, Doubt.FAR)]
)
def test_a_fix_far_from_the_site_is_doubted(metres: float, doubt: Doubt | None) -> None:
    """More than 200 km: no shore diver gets there, and a slip of the pen does."""
    assert doubt_of(destination(SITE, 70, metres), NOW, SITE, NOW) is doubt


def test_without_a_position_of_the_site_no_fix_is_far_from_it() -> None:
    """There is nothing to compare with."""
    assert doubt_of(Position(-47, 159), NOW, None, NOW) is None


@pytest.mark.parametrize(
    ("ahead", "doubt"),
    [
        (-timedelta(days=1), None),
        (timedelta(0), None),
        (CLOCKS_DIFFER, None),
        (CLOCKS_DIFFER + SECOND, Doubt.FUTURE),
    ],
    ids=["yesterday", "now", "two minutes ahead", "more than two minutes ahead"],
)
def test_a_fix_from_the_future_is_doubted(ahead: timedelta, doubt: Doubt | None) -> None:
    """A phone's clock may be a little ahead of ours, not more."""
    assert doubt_of(SITE, NOW + ahead, SITE, NOW) is doubt


def test_of_both_doubts_the_time_is_named() -> None:
    """It can be put right by whoever reported it."""
    assert doubt_of(Position(-47, 159), NOW + timedelta(hours=1), SITE, NOW) is Doubt.FUTURE


def test_without_fixes_nothing_is_known() -> None:
    """Nor with none but doubted ones."""
    assert last_known(()) is None
    assert last_known((fix(1, doubt=Doubt.FAR), fix(2, doubt=Doubt.FUTURE))) is None


LAST_KNOWN = {
    "the later of two": ([fix(1), fix(20)], 1),
    "the later, though less exact": ([fix(1, 5), fix(20, 900)], 1),
    "of about the same moment the more exact": ([fix(20, 5), fix(22, 900)], 0),
    "of about the same moment and as exact the later": ([fix(20, 50), fix(22, 50)], 1),
    "three minutes are about the same moment": ([fix(20, 5), fix(20 + SAME_MOMENT.total_seconds() / 60, 9)], 0),
    "a second more is not": ([fix(20, 5), fix(20 + (SAME_MOMENT + SECOND).total_seconds() / 60, 9)], 1),
    "unsaid counts as a hundred metres: worse": ([fix(20), fix(22, UNSAID_ACCURACY_M + 1)], 0),
    "unsaid counts as a hundred metres: better": ([fix(20), fix(22, UNSAID_ACCURACY_M - 1)], 1),
    "a doubted one never, however late and exact": ([fix(1), fix(90, 1, Doubt.FAR)], 0),
    "a doubted one makes no other one old": ([fix(20, 900), fix(22, 5), fix(90, 1, Doubt.FUTURE)], 1),
}


@pytest.mark.parametrize(("fixes", "chosen"), LAST_KNOWN.values(), ids=LAST_KNOWN)
def test_the_last_known_position_is_the_latest_and_of_one_moment_the_best(fixes: list[Fix], chosen: int) -> None:
    """Whatever the order in which they were reported."""
    for order in permutations(fixes):
        assert last_known(order) == fixes[chosen]


anything = st.builds(
    Fix,
    position=st.builds(Position, st.floats(-90, 90), st.floats(-180, 180)),
    at=st.integers(0, 180).map(at),
    by=st.sampled_from(("Anna Holt", "Bram Vik", "Cleo Marsh")),
    source=st.sampled_from(Source),
    accuracy_m=st.one_of(st.none(), st.floats(1, 5_000)),
    doubt=st.sampled_from((None, None, *Doubt)),
)


@given(st.lists(anything, max_size=60))
def test_a_doubted_fix_is_never_the_last_known_position(fixes: list[Fix]) -> None:
    """And nothing that was known is later than it by more than a moment."""
    known = last_known(fixes)
    good = [one for one in fixes if one.doubt is None]

    assert (known is None) is (not good)
    if known is not None:
        assert known in good
        assert max(one.at for one in good) - known.at <= SAME_MOMENT
        assert not any(
            one.at >= known.at and (one.accuracy_m or UNSAID_ACCURACY_M) < (known.accuracy_m or UNSAID_ACCURACY_M)
            for one in good
        )


@given(st.lists(anything, max_size=60))
def test_a_dive_carries_a_bounded_number_of_fixes_and_forgets_none_that_matters(fixes: list[Fix]) -> None:
    """Reported one after another, the last known position is as if all had been kept."""
    carried: tuple[Fix, ...] = ()
    for number, one in enumerate(fixes, 1):
        carried = kept((*carried, one))
        assert len(carried) == min(number, KEPT_MAX)
        assert carried[-1] == one

    known, all_known = last_known(carried), last_known(fixes)
    assert (known is None) is (all_known is None)
    if known is not None and all_known is not None:
        latest = max(one.at for one in fixes if one.doubt is None)
        assert latest - known.at <= SAME_MOMENT


def test_the_last_known_position_outlives_any_number_of_doubted_ones() -> None:
    """Twenty slips of the pen do not push it out."""
    good = fix(1, 5)
    slips = [replace(fix(2 + number, doubt=Doubt.FAR), by=f"slip {number}") for number in range(KEPT_MAX + 5)]

    carried: tuple[Fix, ...] = (good,)
    for slip in slips:
        carried = kept((*carried, slip))

    assert carried[0] == good
    assert [one.by for one in carried[1:]] == [slip.by for slip in slips[-KEPT_MAX + 1 :]]


def test_old_fixes_make_room_for_new_ones() -> None:
    """The newest are kept in their order."""
    fixes = tuple(fix(10 * number) for number in range(KEPT_MAX + 1))

    assert kept(fixes) == fixes[1:]
    assert kept(fixes[:KEPT_MAX]) == fixes[:KEPT_MAX]
