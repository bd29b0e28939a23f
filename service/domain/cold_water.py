"""What cold water does to a person in it, by its temperature: guidance for planning, never a time to give up.

There is no survival time in here, on purpose: the charts that have them call their figures guidelines and not absolute
factors (National SAR Manual, COMDTINST M16120.5A, 1991, section D at page 104 of the public copy), suits multiply them,
and people have outlived all of them. A search ends when a rescue service ends it.

Sources, each named in the guidance that it stands behind:
[1] Transport Canada, TP 13822 (2003), executive summary 2(a): the stages of immersion
[2] G. Giesbrecht's 1-10-1 rule, as taught by the Cold Water Boot Camp: cold water, life jacket on
[3] the table of times to exhaustion without a suit that is reprinted under the name "United States Search and Rescue
    Task Force"; not a federal publication
[4] National SAR Manual (COMDTINST M16120.5A, 1991), remark at figure 4-1: what suits do
The bands are those of [3] and of FM 21-76, US Army Survival Manual, figure 16-7: 40, 50, 60, 70 and 80 F.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

COLDEST_C = -2
WARMEST_C = 40

_STAGES = (
    "Cold shock comes in the first minutes, then hands and swimming fail. 1-10-1: about 1 minute to get the breathing"
    " under control, 10 minutes of useful movement, 1 hour before the cold takes consciousness, with flotation."
)
_GUIDANCE = "This is guidance, not absolute: a suit changes everything, and people have lived far longer."

_STAGED = "Transport Canada TP 13822; 1-10-1 rule (Giesbrecht); National SAR Manual 1991, figure 4-1"
_TIMED = f"{_STAGED}; table of the US SAR Task Force as reprinted"
_LONG = "table of the US SAR Task Force as reprinted; National SAR Manual 1991, figure 4-1"


class ColdWaterError(ValueError):
    """A water temperature that cannot be; the message says what to give."""


@dataclass(frozen=True, slots=True)
class Guidance:
    """What to expect in water of one band. `source` names the publications; `is_cold` is false where nothing is."""

    words: str
    source: str
    is_cold: bool


@dataclass(frozen=True, slots=True)
class _Band:
    """Water of at most `up_to_f`, in degrees Fahrenheit as in the sources, and not of a colder band."""

    up_to_f: float
    guidance: Guidance


def _exhausted(after: str) -> str:
    return f"Without a suit, exhaustion or unconsciousness may come {after}."


_BANDS = (
    _Band(32, Guidance(f"{_STAGES} {_exhausted('in less than 15 minutes')} {_GUIDANCE}", _TIMED, is_cold=True)),
    _Band(40, Guidance(f"{_STAGES} {_exhausted('after 15 to 30 minutes')} {_GUIDANCE}", _TIMED, is_cold=True)),
    _Band(50, Guidance(f"{_STAGES} {_exhausted('after 30 to 60 minutes')} {_GUIDANCE}", _TIMED, is_cold=True)),
    _Band(60, Guidance(f"{_STAGES} {_GUIDANCE}", _STAGED, is_cold=True)),
    _Band(70, Guidance(f"{_exhausted('after 2 to 7 hours')} {_GUIDANCE}", _LONG, is_cold=True)),
)
_WARM = Guidance(
    "Water of this temperature is not counted as cold. Long immersion cools all the same.", _LONG, is_cold=False
)


def cold_water_guidance(water_c: float) -> Guidance:
    """What water of a temperature in degrees Celsius does to people in it. Raises ColdWaterError for no such water.

    A temperature on the border of two bands counts as the colder.
    """
    if not (math.isfinite(water_c) and COLDEST_C <= water_c <= WARMEST_C):
        raise ColdWaterError(f"give the water temperature in degrees Celsius, from {COLDEST_C} to {WARMEST_C}")
    water_f = water_c * 9 / 5 + 32
    return next((band.guidance for band in _BANDS if water_f <= band.up_to_f), _WARM)
