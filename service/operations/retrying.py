"""What follows from an attempt: handed, tried again and when, or given up. Pure; the courier does it.

Two tables cross: what an outcome means (`RULES`), and what a kind of message is owed (`OWED`). How long is tried comes
from the dive: until the ladder does the next thing, or until the message is of no more use. Only an alarm has no end
while its dive is open; but once the ladder has gone on it makes room, and its tries grow rarer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from types import MappingProxyType

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.gateway import Accepted, Blame, Outcome, Refused, Unknown
from service.operations.routing import URGENT

ALARMS = (MessageKind.DISTRESS, MessageKind.ALERT)
# Real seconds, for what was certainly not sent: in an outage the last is how long an alarm waits after its end.
UNSENT_WAITS_S = (1.0, 3.0, 5.0, 10.0)
UNSENT_ROOM_S = (15.0,)
# Real seconds, for what may have been sent: ever rarer, since each may be one copy more.
DOUBT_WAITS_S = (5.0, 5.0, 15.0, 30.0, 60.0)
DOUBT_ROOM_S = (60.0, 120.0, 300.0)
THROTTLED_WAIT_S = 5.0
THROTTLED_LEAST_S = 0.5
THROTTLED_URGENT_MAX_S = 10.0
THROTTLED_CALM_MAX_S = 300.0


class Fate(StrEnum):
    """What becomes of a message after an attempt."""

    HANDED = "handed"
    AGAIN = "again"
    FAILED = "failed"


class Doubt(StrEnum):
    """Outcomes that are no refusal."""

    UNKNOWN = "unknown"  # it may have been taken
    LOST = "lost"  # the carrier vanished in mid-attempt, and could not even write that down
    NOT_THERE = "not_there"  # it may have been taken, but the gateway was asked and does not have it


class End(StrEnum):
    """Whether an outcome is the end of a message."""

    AT_ONCE = "at once"
    WITHOUT_OTHER = "without another gateway that was not asked yet; of what is urgent, without another at all"
    CALM_WITHOUT_OTHER = "without another gateway, of what is not urgent"
    NO = "no"


@dataclass(frozen=True, slots=True)
class Rule:
    """What follows from one kind of outcome.

    `waits_s`: real seconds before the next try, by how often it has come to this; only where no gateway is left that
    was not tried. `room_s`: those once the ladder has gone on. `copies`: each further try may be one copy more.
    `tells_after`: so many of them, and the ladder waits for this person no longer; `tells_where_called`: so many
    where a call can be made instead of a text. `lost_most`: after so many lost carriers it ends, whatever it is.
    """

    end: End = End.NO
    waits_s: tuple[float, ...] = UNSENT_WAITS_S
    room_s: tuple[float, ...] = UNSENT_ROOM_S
    copies: bool = False
    tells_after: int | None = None
    tells_where_called: int | None = 4
    lost_most: int | None = None


RULES: Mapping[Blame | Doubt, Rule] = MappingProxyType(
    {
        Blame.NUMBER: Rule(End.AT_ONCE, tells_after=1),
        Blame.OPTED_OUT: Rule(End.AT_ONCE, tells_after=1),
        # The other one may only have been busy when it was asked.
        Blame.NO_ROUTE: Rule(End.WITHOUT_OTHER, DOUBT_WAITS_S, DOUBT_ROOM_S, tells_after=1),
        # Words that every gateway blocks stay blocked: the same again is of little use, and the next contact of more.
        Blame.FILTERED: Rule(End.CALM_WITHOUT_OTHER, DOUBT_WAITS_S, DOUBT_ROOM_S, tells_after=1),
        Blame.GATEWAY: Rule(),
        Blame.THROTTLED: Rule(),
        Blame.TRANSIENT: Rule(),
        Doubt.NOT_THERE: Rule(),
        Doubt.UNKNOWN: Rule(waits_s=DOUBT_WAITS_S, room_s=DOUBT_ROOM_S, copies=True, tells_after=3),
        # The text itself may be what breaks us.
        Doubt.LOST: Rule(waits_s=(0.0,), room_s=(0.0,), copies=True, lost_most=3),
    }
)


@dataclass(frozen=True, slots=True)
class Owed:
    """What a kind of message is owed. `copies_max`: how often it is sent that may have got through already.

    `for_s`: real seconds after which it is given up; None: its dive and its use decide. `until_step`: the next thing
    that the ladder does takes its place.
    """

    copies_max: int | None
    for_s: float | None = None
    until_step: bool = False


OWED: Mapping[MessageKind, Owed] = MappingProxyType(
    {
        # While its dive is open an alarm is tried until a gateway says that it has it.
        MessageKind.DISTRESS: Owed(copies_max=None),
        MessageKind.ALERT: Owed(copies_max=None),
        # Its dive is closed, so nothing else comes after it.
        MessageKind.STAND_DOWN: Owed(copies_max=8, for_s=36_000.0),
        MessageKind.REMINDER: Owed(copies_max=3, until_step=True),
        # A reply that may have got through is not sent again; nor is news that nothing depends on.
        MessageKind.REPLY: Owed(copies_max=1),
        MessageKind.START_NOTICE: Owed(copies_max=8),
        MessageKind.OTHER: Owed(copies_max=1, for_s=900.0),
    }
)


@dataclass(frozen=True, slots=True)
class Room:
    """How much time there is, in real seconds.

    `waited_s`: since it was queued. `of_use_s`: until it is of no more use, None for no end. `step_s`: until the
    ladder's next word to the same people, None where there is none. `moved_on`: the ladder has gone on to its next
    alarm since it was queued. `can_call`: a call could be made instead of a text.
    """

    waited_s: float = 0.0
    of_use_s: float | None = None
    step_s: float | None = None
    moved_on: bool = False
    can_call: bool = False


@dataclass(frozen=True, slots=True)
class Tried:
    """All attempts at a message, this one included: how many, and how many of them are in doubt.

    `lost`: of those in doubt, how many had a carrier that vanished. `other_gateway`: there is one that was not asked
    yet. `among_others`: there is another one than that which was asked now, asked before or not.
    """

    tries: int = 1
    doubts: int = 0
    lost: int = 0
    other_gateway: bool = False
    among_others: bool = False


@dataclass(frozen=True, slots=True)
class Next:
    """The fate, how long to wait in real time where it is tried again, and why where it failed."""

    fate: Fate
    wait: timedelta = timedelta(0)
    reason: str | None = None
    unreachable: str | None = None  # why the person cannot be reached this way, which is an event for the dive


def after(outcome: Outcome, kind: MessageKind, tried: Tried, room: Room, *, not_there: bool = False) -> Next:
    """What follows. `not_there`: the outcome is unknown, and the gateway says that it does not have the message."""
    if isinstance(outcome, Accepted):
        return Next(Fate.HANDED)
    if isinstance(outcome, Unknown):
        return _after(Doubt.NOT_THERE if not_there else Doubt.UNKNOWN, "unknown", kind, tried, room)
    following = _after(outcome.blame, f"refused {outcome.code}", kind, tried, room)
    if outcome.blame is Blame.THROTTLED and following.fate is Fate.AGAIN and not tried.other_gateway:
        return _within(_throttled_s(outcome, kind), following, kind, room)
    return following


def after_lost(kind: MessageKind, tried: Tried, room: Room) -> Next:
    """What follows when the carrier vanished in mid-attempt: as after an unknown outcome, but with an end."""
    return _after(Doubt.LOST, "unknown", kind, tried, room)


def why_unreachable(blame: Blame | None) -> str:
    """The word of the heart for it."""
    return "opted_out" if blame is Blame.OPTED_OUT else "refused"


def can_be_called(channel: Channel, carried: frozenset[Channel]) -> bool:
    """Whether somebody whose message by this channel fails can be called instead."""
    return channel is Channel.TEXT and Channel.CALL in carried


def _after(cause: Blame | Doubt, reason: str, kind: MessageKind, tried: Tried, room: Room) -> Next:
    rule = RULES[cause]
    times = tried.doubts if rule.copies else tried.tries
    unreachable = _unreachable(cause, kind, times, tried, room)
    if _is_the_end(rule, kind, tried) or (rule.lost_most is not None and tried.lost >= rule.lost_most):
        told = unreachable or (None if is_once_only(kind) else "refused")
        return Next(Fate.FAILED, reason=reason, unreachable=told)
    copies_max = OWED[kind].copies_max
    if rule.copies and copies_max is not None and times >= copies_max:
        return Next(Fate.FAILED, reason=reason, unreachable=unreachable)
    again = Next(Fate.AGAIN, reason=reason, unreachable=unreachable)
    return _within(0.0 if tried.other_gateway else _wait_s(rule, times, room), again, kind, room)


def _is_the_end(rule: Rule, kind: MessageKind, tried: Tried) -> bool:
    if rule.end is End.AT_ONCE:
        return True
    if tried.other_gateway or rule.end is End.NO:
        return False
    return kind not in URGENT or (rule.end is End.WITHOUT_OTHER and not tried.among_others)


def _unreachable(cause: Blame | Doubt, kind: MessageKind, times: int, tried: Tried, room: Room) -> str | None:
    rule = RULES[cause]
    why = why_unreachable(cause if isinstance(cause, Blame) else None)
    if rule.end is End.AT_ONCE:
        return why
    if is_once_only(kind) or (rule.end is not End.NO and tried.other_gateway):
        return None
    limits = [rule.tells_after, rule.tells_where_called if room.can_call and kind in ALARMS else None]
    least = min((limit for limit in limits if limit is not None), default=None)
    return why if least is not None and times >= least else None


def is_once_only(kind: MessageKind) -> bool:
    """Whether a message of that kind that may have got through is not sent again."""
    return OWED[kind].copies_max == 1


def _wait_s(rule: Rule, times: int, room: Room) -> float:
    if not room.moved_on:
        return rule.waits_s[min(times, len(rule.waits_s)) - 1]
    beyond = max(times - len(rule.waits_s), 0)
    return rule.room_s[min(beyond, len(rule.room_s) - 1)]


def _throttled_s(refused: Refused, kind: MessageKind) -> float:
    most = THROTTLED_URGENT_MAX_S if kind in URGENT else THROTTLED_CALM_MAX_S
    asked = THROTTLED_WAIT_S if refused.retry_after_s is None else refused.retry_after_s
    return min(max(asked, THROTTLED_LEAST_S), most)


def _within(wait_s: float, again: Next, kind: MessageKind, room: Room) -> Next:
    """Tried again after so long, unless it has no use by then."""
    left = _left_s(kind, room)
    if left is not None and wait_s >= left:
        return Next(Fate.FAILED, reason=again.reason, unreachable=again.unreachable)
    return Next(Fate.AGAIN, timedelta(seconds=wait_s), unreachable=again.unreachable)


def _left_s(kind: MessageKind, room: Room) -> float | None:
    """How many real seconds a message of this kind may still be tried; None for no end."""
    if kind in ALARMS:
        return None
    owed = OWED[kind]
    ends = [
        room.of_use_s,
        None if owed.for_s is None else owed.for_s - room.waited_s,
        room.step_s if owed.until_step else None,
    ]
    return min((end for end in ends if end is not None), default=None)
