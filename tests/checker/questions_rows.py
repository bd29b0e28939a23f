"""The dives' rows against the log: that each is the fold of its events, and each event one that may follow."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any

from tests.checker.folding import ALARMED, LIVE, PARTY, RANK, Folded, Histories, length_of
from tests.checker.reading import Entry, Record, instant_of

REOPENS_WITHIN = timedelta(hours=2)
UNTIMED_LASTS = timedelta(hours=24)
_TOKEN = re.compile(r"[A-Za-z0-9_-]{22,}")

# The phases in which an event may come.
_ANY_OPEN = ("filed", *LIVE)
_MAY_COME_IN: dict[str, tuple[str, ...]] = {
    "started": ("filed",),
    "armed": LIVE,
    "start_said": LIVE,
    "told_meanwhile": _ANY_OPEN,  # a keeper may have assumed the start
    "not_armed": ("in_water",),
    "extension_asked": ("in_water", "uncertainty"),
    "extension_took_effect": ("in_water", "uncertainty"),
    "extension_not_in_force": LIVE,
    "late_passed_on": ALARMED,
    "partly_out": _ANY_OPEN,
    "alarm_raised": (*_ANY_OPEN, "closed"),
    "acknowledged": ALARMED,
    "rescue_called": LIVE,
    "called_taken_back": ("distress",),
    "closed": _ANY_OPEN,
    "heard": _ANY_OPEN,
    "person_unreachable": _ANY_OPEN,
    "person_reachable": _ANY_OPEN,
    "held": ("filed", "in_water", "uncertainty"),
    "hold_ended": ("filed", "in_water", "uncertainty"),
}
_STEP_MAY_COME_IN = {
    "ask_started": ("filed",),
    "ask_out": ("filed", "in_water", "uncertainty"),
    **dict.fromkeys(PARTY, LIVE),
    "alert": ("in_water", "uncertainty"),
}
_STEP_MAY_COME_IN |= {"next_contact": ALARMED, "distress": LIVE, "distress_again": ("distress",), "hand_up": ALARMED}

_INSTANT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:.]+Z")


def every_row_is_the_fold_of_its_events(record: Record, folds: Histories) -> Iterator[str]:
    """Columns, and the state where it can be read, are what the events of the log lead to."""
    for dive in record.dives.values():
        if dive.id in folds.broken:
            yield f"dive {dive.id} cannot be folded: {folds.broken[dive.id]}"
        folded = folds.last(dive)
        if folded is None:
            if not record.of_dive(dive):
                yield f"the log has no event of dive {dive.id}"
            continue
        wrong = [name for name, value in _columns(folded).items() if getattr(dive, name) != value]
        if wrong:
            yield f"the row of dive {dive.id} differs in {', '.join(wrong)}"
        wrong = _differs(_readable(dive.state), folded)
        if wrong:
            yield f"the state of dive {dive.id} differs in {', '.join(wrong)}"


def _columns(folded: Folded) -> dict[str, Any]:
    site, lead = folded.plan["site"], folded.plan["party"][0]
    return {
        "site_name": site["name"],
        "zone": site["zone"],
        "rescue_call": site["rescue_call"],
        "lead_name": lead["name"],
        "drill": folded.drill,
        "phase": folded.phase,
        "outcome": folded.outcome,
        "filed_at": folded.filed_at,
        "started_at": folded.started_at,
        "due_out_at": folded.due_out_at,
        "raise_by_at": folded.raise_by_at,
        "closed_at": folded.closed_at,
        "version": folded.version,
        "head_count": folded.head_count,
    }


def _readable(state: str) -> dict[str, Any]:
    """The state as JSON; nothing where it is no whole dive, which is an alarm of its own and no fault of the log."""
    try:
        found = json.loads(state)
    except ValueError:
        return {}
    return found if isinstance(found, dict) and {"phase", "version", "plan"} <= found.keys() else {}


def _differs(state: dict[str, Any], folded: Folded) -> list[str]:
    if not state:
        return []
    told = {name: [[one["key"], instant_of(one["at"])] for one in state[name]] for name in ("alerted", "acknowledged")}
    wrong = [name for name, found in told.items() if found != [list(one) for one in getattr(folded, name)]]
    times = ("alarm_at", "called_at", "distress_at", "armed_at", "closed_at", "first_due_out_at", "due_out_at")
    wrong += [name for name in times if instant_of(state[name]) != getattr(folded, name)]
    plain = ("phase", "version", "head_count", "distress_count", "partly_out", "closings", "closed_count", "outcome")
    plain += ("assumed", "extensions_asked", "not_armed_said", "plan", "grace")
    apart = [(name, state[name], getattr(folded, name)) for name in plain if state[name] != getattr(folded, name)]
    wrong += [name for name, kept, found in apart if _by_instant(kept) != _by_instant(found)]
    waits = state["extension"]
    kept = folded.extension and (folded.extension[0], folded.extension[1], folded.extension[3])
    if (waits and (waits["number"], instant_of(waits["due_out_at"]), waits["answered"])) != kept:
        wrong.append("extension")
    sets = {"steps": set(state["steps"]), "unreachable": set(state["unreachable"])}
    return wrong + [name for name, found in sets.items() if found != getattr(folded, name)]


def _by_instant(value: Any) -> Any:
    """A JSON value, its instants as such: the log writes them with six decimals, the state with as many as it has."""
    if isinstance(value, dict):
        return {name: _by_instant(one) for name, one in value.items()}
    if isinstance(value, list):
        return [_by_instant(one) for one in value]
    return instant_of(value) if isinstance(value, str) and _INSTANT.fullmatch(value) else value


def every_event_may_follow_the_one_before(record: Record, folds: Histories) -> Iterator[str]:
    """The path of a dive is one of the state graph: phases rise until closed, and what is over stays over."""
    for dive in record.dives.values():
        reached = "filed"
        for entry, before, after in folds.steps(dive)[1:]:
            may = _MAY_COME_IN.get(entry.event, (*_ANY_OPEN, "closed"))
            if entry.event == "step_taken":
                may = _STEP_MAY_COME_IN[entry.says["step"]]
            reopened = bool(entry.says.get("reopened"))
            if before.phase not in may or entry.event == "filed":
                yield f"{entry.kind} of dive {dive.id} came in phase {before.phase}"
            if (before.phase == "closed") != reopened and entry.event == "alarm_raised":
                yield f"dive {dive.id} was raised in phase {before.phase}, reopened: {reopened}"
            if reopened and before.closed_at is not None and _raised_at(entry) - before.closed_at >= REOPENS_WITHIN:
                yield f"dive {dive.id} was opened again long after its close"
            if RANK[after.phase] < RANK[reached] and not reopened:
                yield f"dive {dive.id} fell from {reached} to {after.phase}"
            reached = after.phase


def _raised_at(entry: Entry) -> datetime:
    """When they called for help; what a keeper told upon it holds, whenever it was."""
    said = entry.says
    return instant_of(said["by"].get("said_at")) or instant_of(said.get("told_at")) or entry.at


def every_event_is_of_its_instant(record: Record, folds: Histories) -> Iterator[str]:
    """An event says the time under which it is logged, in UTC, and no start or extension says one that cannot be."""
    for dive in record.dives.values():
        for entry, before, _ in folds.steps(dive):
            said = entry.says
            times = [name for name in said if name == "at" or name.endswith("_at")]
            loose = [name for name in times if said[name] is not None and not said[name].endswith("Z")]
            if loose or instant_of(said["at"]) != entry.at:
                yield f"{entry.kind} {entry.seq} of dive {dive.id} is logged at {entry.at} and says {said['at']}"
            wrong = _impossible(entry, before, record.set_back)
            if wrong:
                yield f"{entry.kind} {entry.seq} of dive {dive.id} {wrong}"


def _impossible(entry: Entry, before: Folded, set_back: timedelta) -> str | None:
    said = entry.says
    if entry.event == "started":
        began, due = instant_of(said["started_at"]), instant_of(said["due_out_at"])
        assert began is not None
        assert due is not None
        planned = before.planned_at
        run = length_of(before.plan["run_time"])
        if said["assumed"] and (planned is None or began != planned):
            return "was assumed at another time than planned"
        if not said["assumed"] and not (before.said_at or before.filed_at) - set_back <= began <= entry.at:
            return "began before it was planned, or later than now"
        # Whoever goes in may say a shorter run time than the plan's.
        return None if timedelta() < due - began <= run else "is due out later than its run time says"
    if entry.event in ("extension_asked", "extension_took_effect"):
        return _impossible_extension(entry, before, set_back)
    return None


def _impossible_extension(entry: Entry, before: Folded, set_back: timedelta) -> str | None:
    said = entry.says
    due, first, old = instant_of(said["due_out_at"]), before.first_due_out_at, before.due_out_at
    if due is None or first is None or old is None:
        return "is of a dive that was not started"
    if due <= old or due > first + before.length("extension_cap"):
        return "is no later, or past the cap"
    alarm_at = max((at for at in (before.raise_by_at, before.held_until) if at is not None), default=None)
    if alarm_at is not None and entry.at >= alarm_at + set_back:
        return f"comes when the alarm of {alarm_at} is due"
    return None


def every_open_dive_has_its_next_moment(record: Record, folds: Histories) -> Iterator[str]:
    """A sweep finds a dive by its next moment, so that may not be later than what the rules have due first."""
    faulty = {entry.dive_id for entry in record.entries_by_kind.get("fault", ())}
    for dive in record.dives.values():
        folded = folds.last(dive)
        if folded is None or dive.id in faulty:
            continue
        due = first_due(folded)
        if folded.phase == "closed" and dive.next_due_at is not None:
            yield f"closed dive {dive.id} is due at {dive.next_due_at}"
        if due is not None and (dive.next_due_at is None or dive.next_due_at > due):
            yield f"dive {dive.id} has something due at {due}, and is looked at {dive.next_due_at}"


def first_due(dive: Folded) -> datetime | None:
    """When the clock next has to act on a dive, as far as contacts and the end are concerned."""
    if dive.phase == "filed":
        planned = dive.planned_at
        return dive.filed_at + UNTIMED_LASTS if planned is None else planned + dive.length("assume_started_after")
    return min(dues(dive).values(), default=None)


def _hand_up_due(dive: Folded) -> datetime | None:
    """So long after due out; and where somebody has the alarm, no sooner than they had the contacts' own time."""
    due_at = dive.from_alarm_or_clock("hand_up_after")
    if due_at is None or not dive.acknowledged:
        return due_at
    answered_at = dive.acknowledged[-1][1]
    return max(due_at, answered_at + dive.length("hand_up_after") - dive.length("grace"))


def dues(dive: Folded) -> dict[str, datetime]:
    """What the ladder still has to do to a live dive, and when."""
    if dive.phase not in LIVE:
        return {}
    due: dict[str, datetime | None] = {}
    if dive.due_out_at is not None and dive.started_at is not None:
        party = {"heads_up": -dive.length("heads_up_before"), "due_out": timedelta(0)}
        party["second_call"] = dive.length("second_call_after")
        at = {step: dive.due_out_at + after for step, after in party.items() if step not in dive.steps}
        due |= {step: when for step, when in at.items() if when > dive.started_at}
    if dive.called_at is None:
        due |= _contact_dues(dive)
        if dive.alarmed and not dive.of_one_phone and "hand_up" not in dive.steps:
            due["hand_up"] = _hand_up_due(dive)
    if dive.extension is not None and not dive.extension[3]:
        due["extension_not_in_force"] = dive.extension[2] + dive.length("arming_within")
    if dive.phase == "in_water" and dive.arming_since and dive.armed_at is None and not dive.not_armed_said:
        due["not_armed"] = dive.arming_since + dive.length("arming_within")
    return _after_asking(dive, {step: at for step, at in due.items() if at is not None})


def _after_asking(dive: Folded, due: dict[str, datetime]) -> dict[str, datetime]:
    """A restored dive's party is asked in the place of what is due to them by then, and before contacts are alerted."""
    if dive.ask_at is None or dive.held_until is None or dive.alarmed:
        return due
    if "ask_out" not in dive.steps:
        due = {step: max(at, dive.ask_at) if step in PARTY else at for step, at in due.items()} | {
            "ask_out": dive.ask_at
        }
    return {step: max(at, dive.held_until) if step in ("alert", "distress") else at for step, at in due.items()}


def _contact_dues(dive: Folded) -> dict[str, datetime | None]:
    if "distress" in dive.steps:
        again = None if dive.distress_at is None else dive.distress_at + dive.length("distress_every")
        return {"distress_again": again}
    due: dict[str, datetime | None] = {"distress": dive.from_alarm_or_clock("distress_after")}
    if "alert" not in dive.steps:
        due["alert"] = dive.raise_by_at
    elif dive.alarmed and not dive.acknowledged and len(dive.alerted) < len(dive.contacts):
        asked_at = dive.alerted[-1][1] if dive.alerted else dive.alarm_at
        waits = dive.alerted and not dive.nobody_to_wait_for
        due["next_contact"] = asked_at + dive.length("next_contact_every") if asked_at and waits else asked_at
    return due


def phones_and_codes_are_those_of_the_dive(record: Record, folds: Histories) -> Iterator[str]:
    """Who leads to a dive is whom its plan names, while it is open and not after."""
    for dive in record.dives.values():
        folded = folds.last(dive)
        if folded is None:
            continue
        people = {f"diver-{place}": one["phone"] for place, one in enumerate(folded.plan["party"])}
        people |= {f"contact-{place}": one["phone"] for place, one in enumerate(folded.plan["contacts"])}
        kept = record.phones_by_dive.get(dive.id, [])
        if {one.key: one.phone for one in kept} != {key: phone for key, phone in people.items() if phone}:
            yield f"dive {dive.id} is found by other phones than its plan names"
        if {one.closed_at for one in kept} - {folded.closed_at}:
            yield f"the phones of dive {dive.id} are not let go as it was closed"
        filed = folds.steps(dive)[0][0].says
        codes = record.codes_by_dive.get(dive.id, {})
        if {kind: one.code for kind, one in codes.items()} != {
            "start": filed["start_code"],
            "finish": filed["finish_code"],
        }:
            yield f"dive {dive.id} has other codes than were filed"
        if any(one.live for one in codes.values()) and folded.phase == "closed":
            yield f"a code of closed dive {dive.id} still opens something"


def no_token_is_in_the_log(record: Record, _: Histories) -> Iterator[str]:
    """Of a link only the hash is kept, and the log has neither; the outbox needs the link itself."""
    for entry in record.entries:
        for words in (entry.actor, entry.detail):
            if words is None or "/" not in words:
                continue
            for token in _TOKEN.findall(words):
                if token in record.links or sha256(token.encode()).hexdigest() in record.links:
                    yield f"{entry.chain} {entry.seq} holds the token of a link"


def every_link_leads_to_its_own_page(record: Record, _: Histories) -> Iterator[str]:
    """A link in a message opens the page of that dive for that person, and the table has its hash, not itself."""
    for message in record.messages.values():
        links = re.findall(r"/(dive|alarm|handover|contact)/([A-Za-z0-9_-]{22})", message.body)
        for kind, token in links:
            link = record.links.get(sha256(token.encode()).hexdigest())
            person = message.person_key
            if link is None or (link.dive_id, link.kind) != (message.dive_id, kind):
                yield f"the link in {message.step} to {person} of dive {message.dive_id} opens nothing of it"
            elif link.club_id != message.club_id or (not person.startswith("phone:") and link.person_key != person):
                yield f"the link in {message.step} to {person} of dive {message.dive_id} is {link.person_key}'s"
        if len(links) > 1:
            yield f"{message.step} to {message.person_key} of dive {message.dive_id} has several links"
