"""What follows from an attempt: handed, tried again and when, or given up. Pure; the courier does it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum

from service.domain.wording import MessageKind
from service.operations.gateway import Accepted, Blame, Outcome, Refused, Unknown

URGENT = (MessageKind.DISTRESS, MessageKind.ALERT, MessageKind.STAND_DOWN)
# A reply that may have got through is not sent again; nor is news that nothing depends on.
ONCE_ONLY = (MessageKind.REPLY, MessageKind.OTHER)
UNKNOWN_MAX = 3  # at most two extra copies of one text
CALM_TRIES_MAX = 8
WAITS_S = (1.0, 3.0, 5.0, 10.0)  # real seconds, for what was certainly not sent
UNKNOWN_WAIT_S = 5.0
THROTTLED_WAIT_S = 5.0
THROTTLED_URGENT_MAX_S = 10.0
THROTTLED_CALM_MAX_S = 300.0


class Fate(StrEnum):
    """What becomes of a message after an attempt."""

    HANDED = "handed"
    AGAIN = "again"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Next:
    """The fate, how long to wait where it is tried again, and why where it failed."""

    fate: Fate
    wait: timedelta = timedelta(0)
    reason: str | None = None
    unreachable: str | None = None  # why the person cannot be reached, which is an event for the dive


def after(outcome: Outcome, kind: MessageKind, *, tries: int, unknowns: int, other_gateway: bool) -> Next:
    """What follows. `tries` and `unknowns` count this attempt too; `other_gateway`: one was not tried just now."""
    if isinstance(outcome, Accepted):
        return Next(Fate.HANDED)
    if isinstance(outcome, Unknown):
        return _after_unknown(kind, unknowns, other_gateway=other_gateway)
    return _after_refused(outcome, kind, tries, other_gateway=other_gateway)


def _after_unknown(kind: MessageKind, unknowns: int, *, other_gateway: bool) -> Next:
    if kind in ONCE_ONLY:
        return Next(Fate.FAILED, reason="unknown")
    if unknowns >= UNKNOWN_MAX:
        return Next(Fate.FAILED, reason="unknown", unreachable="refused")
    return Next(Fate.AGAIN, timedelta(0) if other_gateway else timedelta(seconds=UNKNOWN_WAIT_S))


def _after_refused(refused: Refused, kind: MessageKind, tries: int, *, other_gateway: bool) -> Next:
    reason = f"refused {refused.code}"
    if refused.blame in (Blame.NUMBER, Blame.OPTED_OUT):
        return Next(Fate.FAILED, reason=reason, unreachable=why_unreachable(refused.blame))
    if kind not in URGENT and tries >= CALM_TRIES_MAX:
        return Next(Fate.FAILED, reason=reason, unreachable="refused" if kind is MessageKind.START_NOTICE else None)
    if other_gateway:
        return Next(Fate.AGAIN)
    if refused.blame is Blame.THROTTLED:
        most = THROTTLED_URGENT_MAX_S if kind in URGENT else THROTTLED_CALM_MAX_S
        asked = THROTTLED_WAIT_S if refused.retry_after_s is None else refused.retry_after_s
        return Next(Fate.AGAIN, timedelta(seconds=min(max(asked, 0.5), most)))
    return Next(Fate.AGAIN, timedelta(seconds=WAITS_S[min(tries, len(WAITS_S)) - 1]))


def why_unreachable(blame: Blame | None) -> str:
    """The word of the heart for it."""
    return "opted_out" if blame is Blame.OPTED_OUT else "refused"
