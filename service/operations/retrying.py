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
# How often a text is sent that may have got through already. An alarm is not here: while its dive is open it is
# tried until a gateway says that it has it.
UNKNOWN_MAX = {
    MessageKind.STAND_DOWN: 8,
    MessageKind.START_NOTICE: 8,
    MessageKind.REMINDER: 3,
    MessageKind.REPLY: 1,
    MessageKind.OTHER: 1,
}
UNKNOWN_WAITS_S = (5.0, 5.0, 15.0, 30.0, 60.0)  # real seconds; ever rarer, since each may be one copy more
UNREACHABLE_AFTER_UNKNOWNS = 3  # then the next contact is not made to wait
LOST_MAX = 3  # attempts whose outcome we could not even write down: the text itself may be what breaks us
OTHER_TRIES_MAX = 8
WAITS_S = (1.0, 3.0, 5.0, 10.0)  # real seconds, for what was certainly not sent
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


def after_lost(kind: MessageKind, unknowns: int) -> Next:
    """What follows when the carrier vanished in mid-attempt: as after an unknown outcome, but with an end."""
    if unknowns >= min(LOST_MAX, UNKNOWN_MAX.get(kind, LOST_MAX)):
        return Next(Fate.FAILED, reason="unknown", unreachable=None if kind in ONCE_ONLY else "refused")
    return Next(Fate.AGAIN)


def _after_unknown(kind: MessageKind, unknowns: int, *, other_gateway: bool) -> Next:
    unreachable = "refused" if unknowns == UNREACHABLE_AFTER_UNKNOWNS and kind not in ONCE_ONLY else None
    most = UNKNOWN_MAX.get(kind)
    if most is not None and unknowns >= most:
        return Next(Fate.FAILED, reason="unknown", unreachable=unreachable)
    if other_gateway:
        return Next(Fate.AGAIN, unreachable=unreachable)
    wait_s = UNKNOWN_WAITS_S[min(unknowns, len(UNKNOWN_WAITS_S)) - 1]
    return Next(Fate.AGAIN, timedelta(seconds=wait_s), unreachable=unreachable)


def _after_refused(refused: Refused, kind: MessageKind, tries: int, *, other_gateway: bool) -> Next:
    reason = f"refused {refused.code}"
    if refused.blame in (Blame.NUMBER, Blame.OPTED_OUT):
        return Next(Fate.FAILED, reason=reason, unreachable=why_unreachable(refused.blame))
    if kind is MessageKind.OTHER and tries >= OTHER_TRIES_MAX:
        return Next(Fate.FAILED, reason=reason)
    if other_gateway:
        return Next(Fate.AGAIN)
    if refused.blame is Blame.THROTTLED:
        most = THROTTLED_URGENT_MAX_S if kind in URGENT else THROTTLED_CALM_MAX_S
        asked = THROTTLED_WAIT_S if refused.retry_after_s is None else refused.retry_after_s
        return Next(Fate.AGAIN, timedelta(seconds=min(max(asked, 0.5), most)))
    # Words that every gateway blocks stay blocked, so the next contact is not made to wait for them.
    unreachable = "refused" if refused.blame is Blame.FILTERED else None
    return Next(Fate.AGAIN, timedelta(seconds=WAITS_S[min(tries, len(WAITS_S)) - 1]), unreachable=unreachable)


def why_unreachable(blame: Blame | None) -> str:
    """The word of the heart for it."""
    return "opted_out" if blame is Blame.OPTED_OUT else "refused"
