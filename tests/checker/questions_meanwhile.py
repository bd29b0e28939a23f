"""What a keeper told upon a call for help while the database was gone: the record has it, and nothing older ends it."""

from __future__ import annotations

from collections.abc import Iterator

from tests.checker.folding import Histories
from tests.checker.questions_messages import MEANWHILE, STAND_DOWN
from tests.checker.reading import Dive, Message, Record, instant_of

CALLS = "-raised-"


def a_call_for_help_is_ended_by_what_came_after_it(record: Record, _: Histories) -> Iterator[str]:
    """Whoever heard it from a keeper hears that it is over only upon an end of after it."""
    for dive, alarm in _heard_calls(record):
        closes = [entry.at for entry in record.of_dive(dive) if entry.event == "closed"]
        for message in record.messages_of(dive):
            to_them = (message.phone, message.channel) == (alarm.phone, alarm.channel)
            after = message.queued_at >= alarm.queued_at and message.id in record.took
            if message.kind != STAND_DOWN or message.step.startswith(MEANWHILE) or not (to_them and after):
                continue
            ended = any(alarm.queued_at <= at <= message.queued_at for at in closes)
            if not ended and not _was_ended_meanwhile(record, dive, alarm):
                yield f"{message.step} to {message.phone} of dive {dive.id} came of no end after {alarm.step}"


def a_call_for_help_is_in_the_record(record: Record, _: Histories) -> Iterator[str]:
    """A dive about which a keeper told it was raised since, and is not over by an end of before it."""
    for dive, alarm in _heard_calls(record):
        entries = [entry for entry in record.of_dive(dive) if entry.at >= alarm.queued_at]
        raised = any(entry.event == "alarm_raised" for entry in entries)
        over = dive.phase == "closed" and not any(entry.event == "closed" for entry in entries)
        if (over or not raised) and not _was_ended_meanwhile(record, dive, alarm):
            yield f"{alarm.phone} heard {alarm.step} of dive {dive.id}, and the record does not have it"


def whom_a_keeper_told_is_whom_it_told(record: Record, _: Histories) -> Iterator[str]:
    """Whom the dive takes for told of a call by a keeper may have a message of it, or made it."""
    for dive in record.dives.values():
        for entry in record.of_dive(dive):
            told_at = instant_of(entry.says.get("told_at")) if entry.event == "alarm_raised" else None
            if told_at is None:
                continue
            tried = {
                one.person_key
                for one in record.messages_of(dive)
                if one.step.startswith(MEANWHILE) and one.queued_at == told_at
                if any(attempt.outcome != "refused" for attempt in record.attempts_at(one))
            }
            for key in set(entry.says["told"]) - tried - {entry.says["by"]["key"]}:
                yield f"{key} of dive {dive.id} counts as told of a call at {told_at}, and was not"


def _heard_calls(record: Record) -> Iterator[tuple[Dive, Message]]:
    """The alarms that somebody raised, that a keeper told and a gateway took. An exercise is opened by nothing."""
    for message in record.messages.values():
        dive = record.dives.get(message.dive_id or "")
        is_call = message.kind == "alert" and message.step.startswith(MEANWHILE) and CALLS in message.step
        if is_call and dive is not None and not dive.drill and message.id in record.took:
            yield dive, message


def _was_ended_meanwhile(record: Record, dive: Dive, alarm: Message) -> bool:
    """Whether the keeper heard its end as well, and said so."""
    keepers = (one for one in record.messages_of(dive) if one.step.startswith(MEANWHILE) and one.kind == STAND_DOWN)
    return any(one.queued_at >= alarm.queued_at for one in keepers)
