"""How much time a message has, from its dive: until the ladder goes on, until it is of no more use. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.domain.dive import Dive
from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.retrying import ALARMS, Room, can_be_called
from service.store.outbox import Message

REPLY_FOR_S = 900.0
NEWS_FOR_S = 14_400.0


def room_for(
    message: Message, dive: Dive | None, now: datetime, second: timedelta, carried: frozenset[Channel]
) -> Room:
    """The room of a message. `second`: how far the clock goes in a real second; `carried`: what our gateways carry."""
    kind = MessageKind(message.priority)
    step_at = _next_word_at(dive, now) if kind is MessageKind.REMINDER else None
    return Room(
        waited_s=(now - message.queued_at) / second,
        of_use_s=None if message.expires_at is None else (message.expires_at - now) / second,
        step_s=None if step_at is None else (step_at - now) / second,
        moved_on=kind in ALARMS and _alarm_went_on(dive, message.queued_at),
        can_call=can_be_called(Channel(message.channel), carried),
    )


def valid_for_s(message: Message, now: datetime, second: timedelta) -> float | None:
    """For how many real seconds a gateway may still deliver it; None for as long as it can.

    A reminder and a start notice until they are of no use, a reply for a quarter of an hour. An alarm that comes late
    is better than none; and as long as an alarm may come, so must the stand-down.
    """
    kind = MessageKind(message.priority)
    if kind in ALARMS or kind is MessageKind.STAND_DOWN:
        return None
    if message.expires_at is not None:
        return max((message.expires_at - now) / second, 1.0)
    return REPLY_FOR_S if kind in (MessageKind.REPLY, MessageKind.REMINDER) else NEWS_FOR_S


def _next_word_at(dive: Dive | None, now: datetime) -> datetime | None:
    """When the party is next told something by the clock, or its contacts are: a reminder has had its time then."""
    if dive is None or dive.due_out_at is None or not dive.live:
        return None
    words = [at for _, at in dive.grace.party_steps(dive.due_out_at)]
    return min((at for at in (*words, dive.raise_by_at) if at is not None and at > now), default=None)


def _alarm_went_on(dive: Dive | None, since: datetime) -> bool:
    if dive is None:
        return False
    told = [one.at for one in dive.alerted]
    return any(at > since for at in (*told, *([dive.distress_at] if dive.distress_at else [])))
