"""What became of the alarm of a dive, told from its log: when, how soon somebody answered, and how it ended.

Kinds of entries and times are enough, so that it can be told once personal detail is erased.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from service.domain.dive.events import Outcome
from service.domain.grace import Step
from service.store.figures import AlarmedDive, Trace

_ALARM_STEPS: Final = {Step.ALERT, Step.NEXT_CONTACT, Step.DISTRESS, Step.DISTRESS_AGAIN}
_DISTRESS_STEPS: Final = {Step.DISTRESS, Step.DISTRESS_AGAIN}


class Ending(StrEnum):
    """What became of an alarm."""

    RESCUE_CALLED = "rescue_called"
    OPEN = "open"
    PARTY_OUT = "party_out"
    CONTACT_SAFE = "contact_safe"
    ADMIN_SAFE = "admin_safe"
    ASHORE_SAFE = "ashore_safe"  # by whom is erased
    NOT_DIVING = "not_diving"


FALSE_ALARMS: Final = (
    Ending.PARTY_OUT,
    Ending.CONTACT_SAFE,
    Ending.ADMIN_SAFE,
    Ending.ASHORE_SAFE,
    Ending.NOT_DIVING,
)


@dataclass(frozen=True, slots=True)
class Alarm:
    """The first alarm of a dive. `by_clock`: nobody raised it before it was due. An instant that never came is None."""

    at: datetime
    by_clock: bool
    due_out_at: datetime | None
    answered_at: datetime | None
    over_at: datetime | None
    distress: bool
    hand_up: bool
    assumed: bool
    ending: Ending


def alarm_of(dive: AlarmedDive, traces: Sequence[Trace], told: Iterable[str] = ()) -> Alarm | None:
    """The first alarm of a dive by its log; None where there was none.

    Where the detail is erased, the clock's alarm is the first step at or after the raise-by time: what comes before
    goes to the party.
    """
    raised_at = next((one.at for one in traces if one.kind == "event:alarm_raised"), None)
    clock_at = next((one.at for one in traces if _is_alarm(one, dive.raise_by_at)), None)
    known = [at for at in (raised_at, clock_at) if at is not None]
    if not known:
        return None
    at = min(known)
    steps = {one.step for one in traces if one.at >= at} | set(told)
    answers = [one.at for one in traces if one.at >= at and _is_answer(one, dive)]
    closings = [one for one in traces if one.kind == "event:closed" and one.at >= at]
    return Alarm(
        at=at,
        by_clock=raised_at is None or (clock_at is not None and clock_at <= raised_at),
        due_out_at=dive.due_out_at,
        answered_at=min(answers, default=None),
        over_at=dive.closed_at if dive.closed_at is not None and dive.closed_at >= at else None,
        distress=bool(steps & _DISTRESS_STEPS),
        hand_up=Step.HAND_UP in steps,
        assumed=any(one.assumed for one in traces),
        ending=_ending(dive, traces, closings[-1] if closings else None),
    )


def _is_alarm(trace: Trace, raise_by_at: datetime | None) -> bool:
    if trace.kind not in {"event:step_taken", "event:told_meanwhile"}:
        return False
    if trace.step is None:
        return raise_by_at is not None and trace.at >= raise_by_at
    return trace.step in _ALARM_STEPS


def _is_answer(trace: Trace, dive: AlarmedDive) -> bool:
    """The first word of somebody ashore; a stand-down is always theirs, also where it is erased whose it was."""
    if trace.kind in {"event:acknowledged", "event:rescue_called"}:
        return True
    return trace.kind == "event:closed" and dive.outcome == Outcome.STOOD_DOWN


def _ending(dive: AlarmedDive, traces: Sequence[Trace], closing: Trace | None) -> Ending:
    if _is_called(traces):
        return Ending.RESCUE_CALLED
    if dive.closed_at is None:
        return Ending.OPEN
    if dive.outcome == Outcome.SURFACED:
        return Ending.PARTY_OUT
    if dive.outcome == Outcome.STOOD_DOWN:
        by = None if closing is None else closing.actor_role
        return {"contact": Ending.CONTACT_SAFE, "admin": Ending.ADMIN_SAFE}.get(by or "", Ending.ASHORE_SAFE)
    return Ending.NOT_DIVING


def _is_called(traces: Sequence[Trace]) -> bool:
    """Whether it is said in the end that rescue was called; once it is erased who took back whose word, by the last."""
    called = False
    for one in traces:
        if one.kind in ("event:rescue_called", "event:called_taken_back"):
            called = one.kind == "event:rescue_called" or bool(one.stands)
        if called and one.kind == "event:closed":
            return True  # what is said after it is opened again is of another alarm
    return called
