"""What people are told: who, how many, where and when are those of the dive at that event."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tests.checker.folding import CONTACTS, Folded, Histories
from tests.checker.reading import Dive, Entry, Message, Record, instant_of

FACTS_IN = (*CONTACTS, "hand_up", "raised", "start_notice")
SAME_MOMENT = timedelta(minutes=3)
BEFORE_START = timedelta(hours=1)
UNSAID_M = 100.0


def alarms_say_what_is_so(record: Record, folds: Histories) -> Iterator[str]:
    """An alarm and a start notice name the lead, the count, the site and where, when due out, and the reference."""
    for dive in record.dives.values():
        for entry, _, after in folds.steps(dive):
            for message in record.messages_by_cause.get((dive.id, entry.seq), ()):
                if message.step.rpartition("-")[0] in FACTS_IN or message.step in FACTS_IN:
                    missing = _missing(dive, after, entry.at, message)
                    if missing:
                        yield f"{message.step} of dive {dive.id} does not say {missing}: {message.body}"


def _missing(dive: Dive, after: Folded, at: datetime, message: Message) -> list[str]:
    """What it has to say and does not. A call says a position digit by digit, and no reference."""
    body, spoken = message.body.lower(), message.channel == "call"
    wanted = [words for words in _wanted(dive, after, at, message) if words.lower() not in body]
    position = _position(after)
    if position is None or (spoken and message.step == "start_notice"):  # too long to be kept by ear
        return wanted
    if spoken:
        said = "".join(letter for letter in body if letter.isdigit())
        figures = [f"{abs(position[axis]):.5f}".replace(".", "") for axis in ("lat", "lon")]
        return wanted + [one for one in figures if one not in said]
    if f"{position['lat']:.5f},{position['lon']:.5f}" not in body:
        wanted.append("the position")
    return wanted


def _wanted(dive: Dive, after: Folded, at: datetime, message: Message) -> list[str]:
    """The words that must be in it; those that every language has of its own are asked of English alone."""
    count, english, spoken = after.head_count, message.language == "en", message.channel == "call"
    heads = "1 diver" if count == 1 else f"{count} divers"
    words = [dive.lead_name, dive.site_name, *([] if spoken else [dive.reference])]
    words += [heads if spoken else f"({heads})"] if english else [str(count)]
    if after.due_out_at is not None:
        due = _local(dive, after.due_out_at, at)
        before = {"text": "due out ", "call": "due out at ", "email": "due out: "}[message.channel] if english else ""
        if due is not None:
            words.append(due if message.step == "start_notice" else f"{before}{due}")
    return words


def _local(dive: Dive, at: datetime, now: datetime) -> str | None:
    """The time at the site, where it is of today; another day has words of its own."""
    zone = ZoneInfo(dive.zone)
    there = at.astimezone(zone)
    return f"{there:%H:%M}" if there.date() == now.astimezone(zone).date() else None


def _position(after: Folded) -> dict[str, float] | None:
    """The last known position: the latest without a doubt, of those of one moment the most exact; else the site's."""
    good = [(instant_of(fix["fix_at"]), fix) for fix in after.fixes if fix["doubt"] is None]
    began = after.started_at or min((at for at in (after.planned_at, after.alarm_at) if at), default=None)
    good = [(at, fix) for at, fix in good if at and (began is None or at >= began - BEFORE_START)]
    if good:
        latest = max(at for at, _ in good if at)
        recent = [(at, fix) for at, fix in good if at and latest - at <= SAME_MOMENT]
        best = min(recent, key=lambda one: (_exact_m(one[1]), latest - one[0] if one[0] else SAME_MOMENT))
        return best[1]["position"]
    site: dict[str, Any] = after.plan["site"]
    return _entry(site)


def _entry(site: dict[str, Any]) -> dict[str, float] | None:
    found = [point["position"] for point in site.get("entries", ()) if point.get("position")]
    return found[0] if found else site.get("position")


def _exact_m(fix: dict[str, Any]) -> float:
    accuracy = fix["accuracy_m"]
    return UNSAID_M if accuracy is None else float(accuracy)


def the_others_hear_the_times_in_force(record: Record, folds: Histories) -> Iterator[str]:
    """Armed, reminders, and notices of more time name the due out and the raise-by time of that event."""
    for dive in record.dives.values():
        for entry, before, after in folds.steps(dive):
            wanted = [one for one in _times(entry, before, after) if one is not None]
            times = [_local(dive, at, entry.at) for at in wanted]
            for message in record.messages_by_cause.get((dive.id, entry.seq), ()):
                if message.channel == "text" and not message.step.startswith("reply-"):
                    missing = [time for time in times if time is not None and time not in message.body]
                    if missing:
                        yield f"{message.step} of dive {dive.id} does not say {missing}: {message.body}"


def _times(entry: Entry, before: Folded, after: Folded) -> list[datetime | None]:
    if entry.event in ("armed", "extension_took_effect"):
        return [after.due_out_at, after.raise_by_at]
    if entry.event == "extension_asked":
        due = instant_of(entry.says["due_out_at"])
        return [due, before.due_out_at, None if due is None else due + before.length("grace")]
    if entry.event == "started" and "contact" not in entry.says["quiet"] and "diver" in entry.says["quiet"]:
        return [after.due_out_at, after.raise_by_at]
    if entry.event == "step_taken" and entry.says["step"] in ("heads_up", "due_out", "second_call"):
        return [after.due_out_at]
    return []


def a_stand_down_says_who_and_how_many(record: Record, folds: Histories) -> Iterator[str]:
    """By whom it was closed, whose dive it was, and how many are out or safe."""
    for dive in record.dives.values():
        for entry, before, _ in folds.steps(dive):
            if entry.event != "closed" or entry.says["outcome"] == "lapsed":
                continue
            counted = entry.says["count"] or before.head_count
            heads = "1 diver" if counted == 1 else f"{counted} divers"
            for message in record.messages_by_cause.get((dive.id, entry.seq), ()):
                if message.kind != "stand_down" or message.channel != "text" or message.language != "en":
                    continue
                wanted = [entry.says["by"]["name"], dive.lead_name, dive.reference]
                wanted += [] if entry.says["outcome"] == "called_off" else [heads]
                missing = [words for words in wanted if words.lower() not in message.body.lower()]
                if missing:
                    yield f"{message.step} of dive {dive.id} does not say {missing}: {message.body}"


def the_plainest_alarm_says_whose_dive_it_is(record: Record, _: Histories) -> Iterator[str]:
    """Club or not, the alarm of a dive that cannot be read names lead and site, and whom to call."""
    for message in record.messages.values():
        dive = record.dives.get(message.dive_id or "")
        if dive is not None and message.step.startswith("fault-") and message.channel == "text":
            wanted = [dive.lead_name, dive.site_name, *([] if dive.drill else [dive.rescue_call])]
            missing = [words for words in wanted if words.lower() not in message.body.lower()]
            if missing:
                yield f"{message.step} of dive {dive.id} does not say {missing}: {message.body}"
