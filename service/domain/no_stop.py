"""How long the US Navy lets a first dive on air be without decompression stops: a cross-check, no dive planning.

Source: US Navy Diving Manual, Revision 7 (SS521-AG-PRO-010, 1 December 2016), Table 9-7; the depth is rounded up to the
next in the table. Read in public transcriptions that agree, not in the manual itself; the row of 180 feet in only one.

Limits: it is for the first dive of a day, on air, at or near sea level, with all of the bottom time at the deepest
point, by fit divers under supervision. It says nothing of repetitive dives, other gases, altitude, or the margin that a
diver wants. Other revisions have other figures and must not be mixed with it.
"""

from __future__ import annotations

import math
from datetime import timedelta

_METRES_IN_A_FOOT = 0.3048
_UNLIMITED_FSW = 20

_MINUTES_BY_FSW = {
    25: 1102,
    30: 371,
    35: 232,
    40: 163,
    45: 125,
    50: 92,
    55: 74,
    60: 63,
    70: 48,
    80: 39,
    90: 33,
    100: 25,
    110: 20,
    120: 15,
    130: 12,
    140: 10,
    150: 8,
    160: 7,
    170: 6,
    180: 6,
    190: 5,
}
"""Depths in feet of sea water, no-stop limits in minutes. Down to 20 feet there is no limit."""


def no_stop_limit(depth_m: float) -> timedelta | None:
    """The longest bottom time without stops at a depth in metres; None where the table sets no limit.

    No time at all where the table ends, below 190 feet (58 m). Raises ValueError for what is no depth.
    """
    if not (math.isfinite(depth_m) and depth_m >= 0):
        raise ValueError("a depth is metres, from 0")
    feet = depth_m / _METRES_IN_A_FOOT
    if feet <= _UNLIMITED_FSW:
        return None
    return timedelta(minutes=next((limit for fsw, limit in _MINUTES_BY_FSW.items() if feet <= fsw), 0))
