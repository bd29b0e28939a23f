"""How fast a sender may send: the generic cell rate algorithm, in its form of virtual scheduling. Pure.

Source: ITU-T Recommendation I.371, annex A. All that is kept of a sender is one instant, at which a steady stream would
have its next message (there the theoretical arrival time, here `free_at`). Nobody has to fill a bucket.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from service.operations.gateway import Route

# Real seconds by which a message may be early, so that a courier who comes late costs the sender none of its rate.
TOLERANCE_S = 1.0
# More than the longest text of ours has: what is further off is no rate, but a clock that was set back since.
LONGEST_SEGMENTS = 10


def is_bounded(route: Route) -> bool:
    """Whether its sender has a rate at all."""
    return bool(route.per_s or route.segments_per_s)


def cost_s(route: Route, segments: int) -> float:
    """For how many real seconds a message of so many segments takes its sender; 0 where there is no bound.

    An e-mail and a call have no segments: they count as one message.
    """
    by_message = 1 / route.per_s if route.per_s else 0.0
    by_segment = segments / route.segments_per_s if route.segments_per_s else 0.0
    return max(by_message, by_segment)


@dataclass(frozen=True, slots=True)
class Sender:
    """One sender at an instant. `second`: how far the clock goes in a real second."""

    route: Route
    second: timedelta
    free_at: datetime | None = None

    def believed(self, now: datetime) -> Sender:
        """It, but with a mark forgotten that no message can have put there: an alarm does not wait for a clock."""
        furthest = now + (cost_s(self.route, LONGEST_SEGMENTS) + TOLERANCE_S) * self.second
        return replace(self, free_at=None) if self.free_at is not None and self.free_at > furthest else self

    def opens_at(self, now: datetime) -> datetime:
        """From when it may start a message; `now` when it may at once."""
        return now if self.free_at is None else max(now, self.free_at - TOLERANCE_S * self.second)

    def after(self, now: datetime, segments: int) -> Sender:
        """It once it has started a message of so many segments. Time that went by unused is lost."""
        begins = now if self.free_at is None else max(self.free_at, now)
        return replace(self, free_at=begins + cost_s(self.route, segments) * self.second)
