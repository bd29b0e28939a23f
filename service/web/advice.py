"""What was found about a plan, grouped so that it can be read on a phone: thoughts, cross-checks, ways out."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.cross_checks import CAUTION
from service.domain.dive import Dive
from service.domain.handover.exit_words import exit_line
from service.domain.place.exits import ExitChoice, exits_for
from service.domain.plan import Check, Level

_SOURCE = " Source: "
_UNCHECKED = "cross_checks"  # the field of the line that says what could not be checked


@dataclass(frozen=True, slots=True)
class CrossChecked:
    """One cross-check: what was found and its limits, and the published rule."""

    words: str
    source: str


@dataclass(frozen=True, slots=True)
class Advice:
    """All of it; nothing here keeps a plan from being filed. `caution` holds for every cross-check."""

    thoughts: tuple[str, ...]
    cross_checks: tuple[CrossChecked, ...]
    unchecked: str | None
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class WayOut:
    """An exit as the preview lists it, the one to make for first."""

    name: str
    words: str


def advice(checks: tuple[Check, ...]) -> Advice:
    """The advice among the checks of a plan, by group."""
    given = [check for check in checks if check.level is Level.ADVISE]
    crossed = [check for check in given if check.words.endswith(CAUTION)]
    return Advice(
        thoughts=tuple(check.words for check in given if check not in crossed and check.field != _UNCHECKED),
        cross_checks=tuple(map(_crossed, crossed)),
        unchecked=next((check.words for check in given if check.field == _UNCHECKED), None),
    )


def _crossed(check: Check) -> CrossChecked:
    found, _, source = check.words.removesuffix(CAUTION).strip().partition(_SOURCE)
    return CrossChecked(found, source.rstrip("."))


def ways_out(dive: Dive) -> tuple[WayOut, ...]:
    """The exits of the dive's site as from its entry, the one to make for first."""
    site = dive.plan.site
    choices = exits_for(site, site.entry, dive.current, dive.due_out_at, dive.plan.exits)
    return tuple(WayOut(f"{choice.number} {choice.point.name}", _way(choice)) for choice in choices)


def _way(choice: ExitChoice) -> str:
    is_open = choice.point.window is not None and choice.open_at_due_out is True
    return f"{'Open by the tide at due out. ' if is_open else ''}{exit_line(choice)}"
