"""That rescue was called, and that it was not after all: whose word falls, and who has which of the two last."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from tests.checker.folding import Histories
from tests.checker.questions_messages import ALARMED, by_way, followed, has_last, is_of_before
from tests.checker.reading import Dive, Entry, Message, Record, instant_of

CALLED, UNCALLED = "called", "uncalled-"
CLOCKS_APART = timedelta(minutes=2)


def the_right_word_is_taken_back(record: Record, folds: Histories) -> Iterator[str]:
    """Of who has said it themselves only that; at the desk one that is chosen; else all that were said before it.

    Whether one stands is told.
    """
    for dive in record.dives.values():
        for entry, before, after in folds.steps(dive):
            if entry.event != "called_taken_back" or not entry.says:
                continue
            by, whose = entry.says["by"], set(entry.says["whose"])
            standing, own = {key for key, _ in before.called}, by["key"] or by["name"]
            at_desk = by["role"] == "admin" and by["via"] == "page" and len(whose) == 1
            since = _said_at(entry) + CLOCKS_APART
            calls = [one for one in record.of_dive(dive) if one.event == "rescue_called" and one.seq < entry.seq]
            said = {(one.says["by"]["key"] or one.says["by"]["name"]): _said_at(one) for one in calls}
            before_it = {key for key in standing if said[key] <= since}
            right = {own} if own in before_it and not at_desk else whose if at_desk else before_it
            if whose != right or not whose <= standing:
                yield f"{sorted(whose)} of {sorted(standing)} fell by the word of {own} about dive {dive.id}"
            if entry.says["stands"] != bool(standing - whose) or (after.called_at is None) == entry.says["stands"]:
                yield f"whether rescue is called still is told wrongly of dive {dive.id} at {entry.at}"


def _said_at(entry: Entry) -> datetime:
    return instant_of(entry.says["by"].get("said_at")) or entry.at


def nobody_believes_that_rescue_was_called(record: Record, folds: Histories) -> Iterator[str]:
    """Once it is taken back nothing of before that says so is begun; and whoever got both has the alarm last."""
    for dive in record.dives.values():
        taken_back: Entry | None = None
        alarm: list[Message] = []
        for entry, _, after in folds.steps(dive):
            if entry.event == "called_taken_back" and after.called_at is None:
                taken_back, alarm = entry, list(record.messages_by_cause.get((dive.id, entry.seq), ()))
            elif taken_back is not None and (after.called_at is not None or after.phase not in ALARMED):
                taken_back = None
        if taken_back is not None:
            yield from _still_said(record, dive, taken_back, alarm)


def _still_said(record: Record, dive: Dive, taken_back: Entry, alarm: list[Message]) -> Iterator[str]:
    since = taken_back.at + record.commits_within
    told = record.messages_of(dive)
    before = [one for one in told if one.step.startswith(CALLED) and is_of_before(one, taken_back)]
    for message in before:
        if any(since < attempt.started_at for attempt in record.attempts_at(message)):
            yield f"{message.step} to {message.person_key} of dive {dive.id} went out after it was taken back"
    again = [record.messages[one] for one in followed(record) if one in record.messages]
    holding = alarm + [one for one in again if one.dive_id == dive.id and one.step.startswith(UNCALLED)]
    holding += [one for one in told if one.kind == "distress" and one.queued_at > taken_back.at]
    for theirs in by_way(before + holding):
        if has_last(record, [one for one in theirs if one in before], [one for one in theirs if one not in before]):
            yield f"{theirs[0].phone} heard that rescue was not called of dive {dive.id}, and then that it was"
