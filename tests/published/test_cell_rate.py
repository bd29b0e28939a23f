"""The rate of a sender against ITU-T Recommendation I.371, annex A, figure A.1: its two forms of one algorithm.

There the generic cell rate algorithm is given twice, as virtual scheduling, which is ours, and as a continuous-state
leaky bucket; the recommendation says that both let the same arrivals pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.operations.gateway import Route
from service.operations.pacing import LONGEST_SEGMENTS, TOLERANCE_S, Sender, cost_s, is_bounded

BEGIN_AT = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


@dataclass
class LeakyBucket:
    """GCRA(T, tau) as a continuous-state leaky bucket: X is what is in it, LCT the last conformance time; seconds."""

    increment: float
    limit: float
    content: float = 0.0
    last: float | None = None

    def arrives(self, at: float) -> bool:
        """Whether an arrival conforms, as in the right half of the figure."""
        content = 0.0 if self.last is None else max(self.content - (at - self.last), 0.0)
        if content > self.limit:
            return False
        self.content, self.last = content + self.increment, at
        return True


@given(
    waits_ms=st.lists(st.integers(min_value=0, max_value=9_000), max_size=60),
    segments=st.integers(min_value=1, max_value=LONGEST_SEGMENTS),
)
def test_virtual_scheduling_lets_pass_what_the_leaky_bucket_does(waits_ms: list[int], segments: int) -> None:
    """Any arrivals, at one segment a second."""
    sender, bucket = Sender(Route(segments_per_s=1.0), SECOND), LeakyBucket(segments, TOLERANCE_S)
    at_ms = 0

    for wait_ms in waits_ms:
        at_ms += wait_ms
        now = BEGIN_AT + timedelta(milliseconds=at_ms)
        passes = sender.opens_at(now) <= now
        assert passes == bucket.arrives(at_ms / 1000)
        if passes:
            sender = sender.after(now, segments)


@given(late_ms=st.lists(st.integers(min_value=0, max_value=900), min_size=200, max_size=200))
def test_a_courier_who_comes_late_costs_the_sender_none_of_its_rate(late_ms: list[int]) -> None:
    """Three segments at one a second, each time up to nine tenths of a second late: 200 take 600 s, within 2 %."""
    sender, now = Sender(Route(segments_per_s=1.0), SECOND), BEGIN_AT

    for late in late_ms:
        now = sender.opens_at(now) + timedelta(milliseconds=late)
        sender = sender.after(now, 3)

    taken_s = (now - BEGIN_AT).total_seconds() + 3
    assert 600 * 0.98 <= taken_s <= 600 * 1.02


@pytest.mark.parametrize(
    ("route", "segments", "cost"),
    [
        (Route(), 3, 0.0),
        (Route(per_s=2.0), 3, 0.5),
        (Route(segments_per_s=2.0), 3, 1.5),
        (Route(per_s=0.5, segments_per_s=2.0), 3, 2.0),
        (Route(per_s=0.5, segments_per_s=1.0), 3, 3.0),
        (Route(per_s=4.0, segments_per_s=1.0), 0, 0.25),
    ],
)
def test_the_slower_of_messages_and_segments_counts(route: Route, segments: int, cost: float) -> None:
    """What has no segments, a call or an e-mail, counts as a message."""
    assert cost_s(route, segments) == cost
    assert is_bounded(route) == (route != Route())


@pytest.mark.parametrize(("pace", "waits_s"), [(1, 2), (60, 120)])
def test_a_rate_is_in_real_seconds_also_in_a_demonstration(pace: int, waits_s: float) -> None:
    """At sixty times the pace three seconds of a sender are three minutes of the clock."""
    sender = Sender(Route(segments_per_s=1.0), pace * SECOND).after(BEGIN_AT, 3)

    assert sender.opens_at(BEGIN_AT) == BEGIN_AT + waits_s * SECOND


def test_a_clock_that_was_set_back_does_not_silence_a_sender() -> None:
    """A mark an hour ahead was never put there by a message: it is forgotten. One that a long message put is not."""
    sender = Sender(Route(segments_per_s=1.0), SECOND)
    busy = sender.after(BEGIN_AT, LONGEST_SEGMENTS)

    assert busy.believed(BEGIN_AT) == busy
    assert busy.believed(BEGIN_AT - timedelta(hours=1)) == sender
