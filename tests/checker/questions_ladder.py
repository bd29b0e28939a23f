"""The ladder: what the clock did to a dive was due, told those it had to, and nothing that is due was left undone."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from functools import partial
from zoneinfo import ZoneInfo

from tests.checker.folding import LIVE, Folded, Histories, Step
from tests.checker.questions_rows import UNTIMED_LASTS, dues
from tests.checker.reading import OPEN, Dive, Entry, Message, Record, digits, instant_of

DELAY = timedelta(seconds=60)  # from raise-by time to an alert at a gateway, under any single fault
AT_ONCE = timedelta(seconds=15)
SECOND = timedelta(seconds=1)
FAULT_EVERY = timedelta(minutes=10)
HELD_MAX = timedelta(minutes=10)  # while the party of a restored dive is asked
ALARMS = ("distress", "alert")
REFUSED_BY_PERSON = ("opted_out", "declined")

Before = Callable[[Entry], bool]
"""Whether an entry stood before something."""


# 1 What must have come about


def everything_overdue_is_alerted(record: Record, folds: Histories) -> Iterator[str]:
    """A live dive past its raise-by time has an alert at a gateway, on its way, or an entry why not."""
    for dive in record.dives.values():
        if dive.phase not in LIVE or dive.raise_by_at is None or dive.raise_by_at + DELAY >= record.now:
            continue
        alarms = [one for one in record.messages_of(dive) if one.kind in ALARMS]
        if any(_is_under_way(record, one) for one in alarms):
            continue
        folded = folds.last(dive)
        if folded is not None and folded.held_until is not None and record.now < folded.held_until + DELAY:
            continue  # restored, and its party is asked first
        answered = folded is not None and (folded.raised or folded.called_at is not None)
        if not answered and not record.deaf(dive) and not (folded and folded.declined):
            yield f"dive {dive.id} is past its raise-by time {dive.raise_by_at}, and nobody was alerted"


def _is_under_way(record: Record, message: Message) -> bool:
    """Taken by a gateway, tried lately, or refused for good with an attempt to show for it."""
    if message.id in record.took or message.state in ("handed", "delivered"):
        return True
    if message.state == "failed":
        return bool(record.attempts_at(message))
    started = [attempt.started_at for attempt in record.attempts_at(message)]
    return message.state in OPEN and record.now - max([message.queued_at, *started]) <= 2 * DELAY


def nothing_due_is_left_undone(record: Record, folds: Histories) -> Iterator[str]:
    """What fell due a minute before the last sweep has been done, on every rung."""
    late = record.swept_at - DELAY
    faults = {entry.dive_id: entry.at for entry in record.entries_by_kind.get("fault", ())}
    for dive in record.dives.values():
        folded = folds.last(dive)
        if folded is None or faults.get(dive.id, late - FAULT_EVERY) > late - FAULT_EVERY:
            continue
        due = dues(folded)
        if folded.phase == "filed":
            planned = folded.planned_at
            due = {"lapse": folded.filed_at + UNTIMED_LASTS}
            if planned is not None:
                due = {"start or lapse": planned + folded.length("assume_started_after")}
            if folded.held_until is not None:
                due = {step: max(at, folded.held_until) for step, at in due.items()}
        for step, at in due.items():
            if at < late:
                yield f"{step} of dive {dive.id} was due at {at}, and is not done by {record.swept_at}"


def a_fault_in_the_rules_is_told_again(record: Record, _: Histories) -> Iterator[str]:
    """Contacts of an open dive whose state is no dive hear of it every ten minutes."""
    late = record.swept_at - DELAY - FAULT_EVERY
    told = {entry.dive_id: entry.at for entry in record.entries_by_kind.get("fault", ())}
    for dive in record.dives.values():
        unreadable = not dive.state.startswith("{") or '"phase"' not in dive.state
        due = dive.next_due_at is not None and dive.next_due_at < record.swept_at - DELAY
        if unreadable and due and dive.phase != "closed" and told.get(dive.id, late) <= late:
            yield f"dive {dive.id} cannot be read, and nobody is told"


def no_alarm_waits_longer_for_its_receipt(record: Record, _: Histories) -> Iterator[str]:
    """Where none came within the time of the dive, a sweep has looked, so that somebody else hears."""
    late = record.swept_at - DELAY
    for message in record.messages.values():
        if message.kind not in ALARMS or message.state != "handed" or message.receipt_checked:
            continue
        if message.handed_at is not None and message.handed_at + message.receipt_within_s * SECOND < late:
            yield f"{message.step} to {message.person_key}, handed at {message.handed_at}: nobody misses its receipt"


# What may never be


def no_step_is_taken_before_it_is_due(record: Record, folds: Histories) -> Iterator[str]:
    """A rung comes when the settings of the dive say, counted from what was in force, and where it is wanted."""
    for dive in record.dives.values():
        for entry, before, _ in folds.steps(dive):
            early = entry.event == "step_taken" and not _is_due(entry, before)
            if early and not _is_for_who_answered_too_soon(record, dive, entry):
                yield f"{entry.says['step']} {entry.seq} of dive {dive.id} was not due at {entry.at}"
            if entry.event == "held" and datetime.fromisoformat(entry.says["until_at"]) > entry.at + HELD_MAX:
                yield f"the alarm of dive {dive.id} is held up until {entry.says['until_at']}"
            if entry.event == "started" and entry.says["assumed"]:
                planned = before.planned_at
                if planned is None or entry.at < planned + before.length("assume_started_after"):
                    yield f"the start of dive {dive.id} was assumed too early"
            if entry.event == "closed" and entry.says["outcome"] == "lapsed" and not _has_lapsed(entry, before):
                yield f"dive {dive.id} lapsed too early"


def _is_for_who_answered_too_soon(record: Record, dive: Dive, entry: Entry) -> bool:
    """The alarm goes at once to a contact who texts OK in that instant and was not told of it; to nobody else."""
    said = entry.says
    if said["step"] != "next_contact" or instant_of(said["due_at"]) != entry.at:
        return False
    phones = {one.phone for one in record.phones_by_dive.get(dive.id, ()) if [one.key] == said["to"]}
    read = [one for one in record.entries_by_kind.get("text_read", ()) if one.at == entry.at and one.says]
    texts = [record.texts.get(one.says["inbound"]) for one in read if one.says.get("intent") == "ok"]
    return any(text is not None and digits(text.sender) in {digits(phone) for phone in phones} for text in texts)


def _is_due(entry: Entry, before: Folded) -> bool:
    step = entry.says["step"]
    if step == "ask_out":
        return before.ask_at is not None and entry.at >= before.ask_at
    if step == "ask_started":
        planned = before.planned_at
        return planned is not None and entry.at >= planned + before.length("ask_started_after")
    if step == "hand_up":
        return _hand_up_is_due(entry, before)
    due = dues(before).get(step)
    return due is not None and entry.at >= due


def _hand_up_is_due(entry: Entry, before: Folded) -> bool:
    due = dues(before).get("hand_up")
    told = len(before.alerted) == len(before.contacts) and not before.acknowledged
    alone = told and before.unreachable | before.wet >= set(before.contacts)
    return due is not None and (alone or entry.at >= due)


def _has_lapsed(entry: Entry, before: Folded) -> bool:
    planned = before.planned_at
    if planned is None:
        return entry.at >= before.filed_at + UNTIMED_LASTS
    return before.grace["never_started"] == "lapse" and entry.at >= planned + before.length("assume_started_after")


def whoever_cannot_be_reached_is_not_waited_for(record: Record, folds: Histories) -> Iterator[str]:
    """When all whom the alarm went to last are known not to be reached, the next contact is told within 15 s."""
    for dive in record.dives.values():
        since: datetime | None = None
        steps = folds.steps(dive)
        ends = [*(entry.at for entry, _, _ in steps[1:]), record.swept_at][: len(steps)]
        for (entry, _, after), end in zip(steps, ends, strict=True):
            stuck = "next_contact" in dues(after) and after.nobody_to_wait_for
            since = (since or entry.at) if stuck else None
            if since is not None and end - since > AT_ONCE:
                yield f"the alarm of dive {dive.id} reaches nobody since {since}, and goes no further"
                break


def who_turns_out_deaf_is_noted(record: Record, folds: Histories) -> Iterator[str]:
    """Of whom an alarm failed for good, or was not delivered in time, the dive knows that they cannot be reached.

    Nothing else lets the next contact hear before their turn.
    """
    unread = {entry.dive_id for entry in record.entries_by_kind.get("fault", ())}
    lost: list[tuple[str | None, str, str, Before]] = [
        (one.dive_id, one.person_key, one.channel, partial(_stamped_by, one.ended_at))
        for one in record.messages.values()
        if one.kind in ALARMS and one.state == "failed" and (one.failed_reason or "").startswith("refused")
    ]
    for entry in record.entries_by_kind.get("another_way", ()):
        message = record.messages.get(entry.says.get("message", ""))
        if message is not None and message.kind in ALARMS:
            # By its place in the log: who stood still before the commit stamped it earlier than what is before it.
            lost.append((entry.dive_id, message.person_key, message.channel, partial(_logged_before, entry)))
    for dive_id, key, channel, is_before in lost:
        dive = record.dives.get(dive_id or "")
        if dive is None or dive.id in unread or not key.startswith("contact-"):
            continue
        before = [step for step in folds.steps(dive) if is_before(step[0])]
        # Whoever refuses by one way is deaf by their first one; where that is known already, nothing is to be noted.
        ways = {channel, *(after.first_way(key) for _, _, after in before[-1:])}
        if before and before[-1][2].phase != "closed" and not any(_is_known_deaf(before, key, one) for one in ways):
            last = before[-1][0]
            yield f"an alarm of dive {dive.id} did not reach {key} by {channel}, and at {last.at} it does not know that"


def _stamped_by(at: datetime | None, entry: Entry) -> bool:
    return at is not None and entry.at <= at


def _logged_before(other: Entry, entry: Entry) -> bool:
    return entry.seq < other.seq


def _is_known_deaf(steps: Sequence[Step], key: str, channel: str) -> bool:
    """By the last word of it; whoever wants nothing from us is deaf by every way."""
    words = [entry for entry, _, _ in steps if entry.says.get("person") == key]
    words = [one for one in words if one.event in ("person_unreachable", "person_reachable")]
    mine = [one for one in words if one.says["channel"] == channel or one.says.get("reason") in REFUSED_BY_PERSON]
    return bool(mine) and mine[-1].event == "person_unreachable"


def a_late_alert_goes_to_all_whose_turn_has_come(record: Record, folds: Histories) -> Iterator[str]:
    """One contact for when it was due, and one more for each interval that has passed since."""
    for dive in record.dives.values():
        for entry, before, _ in folds.steps(dive):
            said = entry.says
            if entry.event != "step_taken" or said["step"] not in ("alert", "next_contact"):
                continue
            due_at = instant_of(said["due_at"])
            assert due_at is not None
            turns = 1 + (entry.at - due_at) // before.length("next_contact_every")
            if len(said["to"]) < min(turns, len(before.contacts) - len(before.alerted)):
                yield f"{said['step']} {entry.seq} of dive {dive.id}, due at {due_at}, told too few at {entry.at}"


def every_step_tells_those_it_names(record: Record, folds: Histories) -> Iterator[str]:
    """An event and its messages are one: each person it concerns has one, or the log says why there is none."""
    withheld = {
        (entry.dive_id, entry.says.get("cause"), key)
        for entry in record.entries_by_kind.get("messages", ())
        for key in entry.says.get("opted_out", ())
    }
    for dive in record.dives.values():
        phones = {phone.key: phone.phone for phone in record.phones_by_dive.get(dive.id, ())}
        bare = [one for one in record.messages_of(dive) if one.kind == "stand_down" and one.cause_seq is None]
        for entry, _, after in folds.steps(dive):
            told = {one.person_key for one in record.messages_by_cause.get((dive.id, entry.seq), ())}
            # The end of a dive that could not be read is told by the bare columns, which know of no cause.
            told |= {one.person_key for one in bare if entry.event == "closed" and one.queued_at == entry.at}
            for key in _concerned(entry, after):
                if phones.get(key) is None or key in told or (dive.id, entry.seq, key) in withheld:
                    continue
                closer = entry.event == "closed" and phones[key] == entry.says["by"]["phone"]
                declined = key in after.declined and not (entry.event == "closed" and after.declined[key])
                if not closer and not declined:
                    yield f"{entry.kind} {entry.says.get('step', '')} {entry.seq} of dive {dive.id} told {key} nothing"


def _concerned(entry: Entry, after: Folded) -> list[str]:
    said, told = entry.says, after.started_at is not None or after.alarm_at is not None
    if entry.event == "step_taken":
        return [key for key in said["to"] if key != "admins"]
    everybody = {
        "started": "contact" not in said.get("quiet", ()),
        "extension_asked": True,
        "closed": told,
    }
    if entry.event in ("alarm_raised", "rescue_called", "called_taken_back"):
        if said.get("told_at"):
            return []  # a keeper has told them
        others = [key for key in after.contacts if key != said["by"]["key"]]
        # That somebody called, or that another's word for it stands, is no alarm: nobody is called for it.
        is_alarm = entry.event == "alarm_raised" or said.get("stands") is False
        return [key for key in others if is_alarm or after.direct_ways(key) != ["call"]]
    if entry.event in ("armed", "not_armed"):
        return [] if after.alarmed else ["diver-0"]
    return after.contacts if everybody.get(entry.event) else []


def a_fault_in_the_rules_tells_everybody(record: Record, _: Histories) -> Iterator[str]:
    """The plainest alarm goes to every contact, or the log says why not."""
    for entry in record.entries_by_kind.get("fault", ()):
        dive, said = record.dives.get(entry.dive_id or ""), entry.says
        if dive is None or not said:
            continue
        contacts = {one.key for one in record.phones_by_dive.get(dive.id, ()) if one.role == "contact"}
        if contacts - {*said["told"], *said["opted_out"], *said["declined"]}:
            yield f"the fault of dive {dive.id} at {entry.at} was not told to all contacts"
        queued = {one.person_key for one in record.messages_of(dive) if one.queued_at == entry.at}
        if set(said["told"]) - queued:
            yield f"the fault of dive {dive.id} at {entry.at} says that it told people, and has no message to them"


# Arming and extending


def armed_means_that_a_contact_holds_the_plan(record: Record, folds: Histories) -> Iterator[str]:
    """Before a dive is armed a gateway took a start notice to that contact ashore, with a raise-by time of the dive.

    It may be an earlier one than holds by now: another contact had the notice of more time first, and this contact is
    owed theirs.
    """
    for dive in record.dives.values():
        times = set()
        for entry, _, after in folds.steps(dive):
            times.add(after.raise_by_at)
            if entry.event == "armed":
                held = [one for one in record.messages_of(dive) if one.step == "start_notice"]
                held = [one for one in held if one.person_key == entry.says["contact"] and one.channel != "email"]
                if not any(_was_taken(record, one, entry.at, time, dive) for one in held for time in times):
                    yield f"dive {dive.id} was armed, and {entry.says['contact']} does not hold the plan"
                if entry.says["contact"] in after.wet:
                    yield f"dive {dive.id} was armed by {entry.says['contact']}, who dives"


def more_time_means_that_a_contact_holds_it(record: Record, folds: Histories) -> Iterator[str]:
    """A later due out is in force only once a gateway took the notice of it to that contact."""
    for dive in record.dives.values():
        for entry, before, _ in folds.steps(dive):
            if entry.event != "extension_took_effect":
                continue
            said, step = entry.says, f"extension-{entry.says['number']}"
            notices = [one for one in record.messages_of(dive) if one.step == step and one.channel != "email"]
            notices = [one for one in notices if one.person_key == said["contact"]]
            due = datetime.fromisoformat(said["due_out_at"])
            raise_by = due + before.length("grace")
            if not any(_was_taken(record, one, entry.at, raise_by, dive) for one in notices):
                yield f"{step} of dive {dive.id} is in force, and {said['contact']} does not hold it"
            if said["contact"] in before.wet:
                yield f"{step} of dive {dive.id} is in force by {said['contact']}, who dives"
            if before.extension is None or before.extension[:2] != (said["number"], due):
                yield f"{step} of dive {dive.id} is in force, and was not what was asked for last"


def _was_taken(record: Record, message: Message, by: datetime, raise_by: datetime | None, dive: Dive) -> bool:
    latest = by + record.set_back + record.behind_gateways
    taken = [one for one in record.took.get(message.id, ()) if one.at <= latest]
    if message.language != "en" or message.channel != "text":
        return bool(taken)
    if raise_by is None:
        return False
    local = f"{raise_by.astimezone(ZoneInfo(dive.zone)):%H:%M}"
    return any(local in one.body for one in taken)
