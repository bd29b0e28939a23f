"""A small fold of a dive's events, written anew: what phase, times, people and ends they lead to.

It knows what the events say and the written rules of the ladder, and nothing of how the service decides.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any

from tests.checker.reading import Dive, Entry, Record, instant_of

LIVE = ("in_water", "uncertainty", "alert", "distress")
ALARMED = ("alert", "distress")
RANK = {phase: place for place, phase in enumerate(("filed", *LIVE, "closed"))}
PARTY = ("heads_up", "due_out", "second_call")
CONTACTS = ("alert", "next_contact", "distress", "distress_again")
STEP_PHASE = {"due_out": "uncertainty", "second_call": "uncertainty", "alert": "alert"}
STEP_PHASE |= {"distress": "distress", "distress_again": "distress"}
_LENGTH = re.compile(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?(?:([\d.]+)S)?)?")

Told = tuple[str, datetime]


@lru_cache(maxsize=1_024)
def length_of(words: str) -> timedelta:
    """An ISO 8601 duration of days and less."""
    found = _LENGTH.fullmatch(words)
    if found is None:
        raise ValueError(words)
    days, hours, minutes, seconds = (float(part or 0) for part in found.groups())
    return timedelta(days=days, hours=hours, minutes=minutes, seconds=seconds)


@dataclass(frozen=True)
class Folded:
    """A dive as its events have it."""

    plan: dict[str, Any]
    grace: dict[str, Any]
    filed_at: datetime
    calls: bool = False
    drill: bool = False
    phase: str = "filed"
    head_count: int = 0
    said_at: datetime | None = None
    started_at: datetime | None = None
    assumed: bool = False
    start_said: bool = False
    due_out_at: datetime | None = None
    first_due_out_at: datetime | None = None
    steps: frozenset[str] = frozenset()
    arming_since: datetime | None = None
    armed_at: datetime | None = None
    not_armed_said: bool = False
    extension: tuple[int, datetime, datetime, bool] | None = None  # number, due out, asked at, answered
    extensions_asked: int = 0
    alarm_at: datetime | None = None
    raised: bool = False
    alerted: tuple[Told, ...] = ()
    acknowledged: tuple[Told, ...] = ()
    called_at: datetime | None = None
    called: tuple[Told, ...] = ()  # whose word stands that rescue was called, the last last
    distress_at: datetime | None = None
    distress_count: int = 0
    partly_out: int | None = None
    fixes: tuple[dict[str, Any], ...] = ()
    unreachable: frozenset[str] = frozenset()
    declined: dict[str, bool] = field(default_factory=dict)  # whether they had been told of the dive by then
    closed_at: datetime | None = None
    outcome: str | None = None
    closed_count: int | None = None
    closings: int = 0
    version: int = 1
    ask_at: datetime | None = None  # restored: when its party is asked,
    held_until: datetime | None = None  # and until when the clock alerts nobody

    def length(self, name: str) -> timedelta:
        """One of the grace periods that were fixed when the dive was filed."""
        return length_of(self.grace[name])

    @property
    def raise_by_at(self) -> datetime | None:
        """When a contact who has heard nothing acts."""
        return None if self.due_out_at is None else self.due_out_at + self.length("grace")

    @property
    def alarmed(self) -> bool:
        """Whether contacts have been alerted."""
        return self.phase in ALARMED

    @property
    def contacts(self) -> list[str]:
        """The keys of the contacts in their order."""
        return [f"contact-{place}" for place in range(len(self.plan["contacts"]))]

    @property
    def wet(self) -> set[str]:
        """The contacts who are of the party themselves; in an exercise nobody is."""
        phones = {diver["phone"] for diver in self.plan["party"] if diver["phone"]}
        found = zip(self.contacts, self.plan["contacts"], strict=True)
        return set() if self.drill else {key for key, contact in found if contact["phone"] in phones}

    @property
    def of_one_phone(self) -> bool:
        """Whether it is an exercise with one phone, which is both the lead's and the contact's."""
        contacts = {contact["phone"] for contact in self.plan["contacts"]}
        return self.drill and contacts == {self.plan["party"][0]["phone"]}

    @property
    def planned_at(self) -> datetime | None:
        """The planned time in."""
        return instant_of(self.plan.get("time_in_at"))

    def from_alarm_or_clock(self, name: str) -> datetime | None:
        """So long after due out, or as much later than the alert as it would have been; the earlier of the two."""
        after = self.length(name)
        times = [] if self.alarm_at is None else [self.alarm_at + after - self.length("grace")]
        if self.due_out_at is not None and self.closings == 0:
            times.append(self.due_out_at + after)
        return min(times, default=None)

    @property
    def nobody_to_wait_for(self) -> bool:
        """Whether all whom the alarm went to last are known not to be reached by it, or dive themselves."""
        if not self.alerted:
            return False
        last = self.alerted[-1][1]
        return all(key in self.unreachable | self.wet for key, at in self.alerted if at == last)

    def first_way(self, key: str) -> str:
        """The way by which somebody hears at once and can answer, the first of theirs."""
        return next(iter(self.direct_ways(key)), "text")

    def direct_ways(self, key: str) -> list[str]:
        """The ways by which somebody hears at once and can answer, in their order."""
        role, _, place = key.rpartition("-")
        people = self.plan["contacts"] if role == "contact" else ()
        channels = people[int(place)]["channels"] if place.isdigit() and int(place) < len(people) else ()
        return [channel for channel in channels if channel == "text" or (channel == "call" and self.calls)]


Step = tuple[Entry, Folded, Folded]  # an event, the dive before it and after it


def history(entries: Sequence[Entry]) -> list[Step] | None:
    """What each event made of a dive; None where one of them was erased."""
    steps: list[Step] = []
    now: Folded | None = None
    for entry in entries:
        if not entry.event:
            continue
        if entry.detail is None:
            return None
        after = _filed(entry) if now is None else replace(_after(now, entry), version=now.version + 1)
        steps.append((entry, now or after, after))
        now = after
    return steps


def _filed(entry: Entry) -> Folded:
    said = entry.says
    if entry.event != "filed":
        raise ValueError(f"{entry.chain} begins with {entry.kind}")
    return Folded(
        plan=said["plan"],
        grace=said["grace"],
        filed_at=entry.at,
        calls=said["calls"],
        drill=said["drill"],
        head_count=len(said["plan"]["party"]),
        said_at=instant_of(said.get("said_at")),
    )


def _risen(dive: Folded, *phases: str) -> str:
    return max((dive.phase, *phases), key=lambda phase: RANK[phase])


def _after(dive: Folded, entry: Entry) -> Folded:
    known = _RULES.get(entry.event)
    return dive if known is None else known(dive, entry.says, entry.at)


def _started(dive: Folded, said: dict[str, Any], at: datetime) -> Folded:
    due = instant_of(said["due_out_at"])
    return replace(
        dive,
        phase=_risen(dive, "in_water"),
        started_at=instant_of(said["started_at"]),
        assumed=said["assumed"],
        due_out_at=due,
        first_due_out_at=due,
        head_count=said["head_count"],
        steps=dive.steps | set(said["passed_over"]),
        arming_since=None if "contact" in said["quiet"] else at,
        ask_at=None,
        held_until=None,
    )


def _start_said(dive: Folded, said: dict[str, Any], _: datetime) -> Folded:
    return replace(dive, start_said=dive.assumed, head_count=said.get("head_count") or dive.head_count)


def _stepped(dive: Folded, said: dict[str, Any], at: datetime) -> Folded:
    step, taken = said["step"], {said["step"], *said["passed_over"]}
    after = replace(
        dive,
        steps=dive.steps | taken,
        phase=_risen(dive, *(STEP_PHASE[one] for one in taken - dive.steps if one in STEP_PHASE)),
    )
    if after.alarmed and after.alarm_at is None:
        after = replace(after, alarm_at=instant_of(said["due_at"]), extension=None)
    if step in CONTACTS:
        known = {key for key, _ in after.alerted}
        after = replace(after, alerted=after.alerted + tuple((key, at) for key in said["to"] if key not in known))
    if step in ("distress", "distress_again"):
        after = replace(after, distress_at=at, distress_count=after.distress_count + 1)
    return after


def _told_meanwhile(dive: Folded, said: dict[str, Any], _: datetime) -> Folded:
    """A keeper took the step by its snapshot: whom it reached counts from then, the others have their turn yet."""
    over = ["alert"] if said["step"] in CONTACTS[1:] else []
    told_at = instant_of(said["told_at"])
    assert told_at is not None
    return _stepped(dive, {**said, "passed_over": over}, told_at)


def _raised(dive: Folded, said: dict[str, Any], at: datetime) -> Folded:
    base = _reopened(dive) if said["reopened"] else dive
    known = {key for key, _ in base.alerted}
    by_keeper_at = instant_of(said.get("told_at"))
    told, told_at = (base.contacts, at) if by_keeper_at is None else (said["told"], by_keeper_at)
    return replace(
        base,
        phase=_risen(base, "alert"),
        alarm_at=base.alarm_at if base.alarmed else told_at,
        raised=True,
        alerted=base.alerted + tuple((key, told_at) for key in told if key not in known),
        steps=base.steps | {*PARTY, "alert"},
        extension=None,
        ask_at=None,
        held_until=None,
    )


def _reopened(dive: Folded) -> Folded:
    return replace(
        dive,
        phase="filed",
        steps=dive.steps - {"distress", "hand_up"},
        alerted=(),
        acknowledged=(),
        called_at=None,
        called=(),
        partly_out=None,
        alarm_at=None,
        closed_at=None,
        outcome=None,
        closed_count=None,
    )


def _acknowledged(dive: Folded, said: dict[str, Any], at: datetime) -> Folded:
    acting = _person(said["by"])
    return replace(_agreed(dive, acting), acknowledged=(*dive.acknowledged, (acting, at)))


def _agreed(dive: Folded, key: str) -> Folded:
    return replace(dive, declined={one: told for one, told in dive.declined.items() if one != key})


def _called(dive: Folded, said: dict[str, Any], at: datetime) -> Folded:
    own = _person(said["by"])
    before = () if not said.get("beside") else tuple(one for one in dive.called if one[0] != own)
    return replace(
        dive,
        phase=_risen(dive, "distress"),
        alarm_at=dive.alarm_at or at,
        called_at=at,
        called=(*before, (own, at)),
        steps=dive.steps | {*PARTY, "alert", "distress"},
        extension=None,
    )


def _called_taken_back(dive: Folded, said: dict[str, Any], at: datetime) -> Folded:
    left = tuple(one for one in dive.called if one[0] not in said["whose"])
    if left:
        return replace(dive, called=left, called_at=left[-1][1])
    known = {key for key, _ in dive.alerted}
    return replace(
        dive,
        called=(),
        called_at=None,
        distress_at=at,
        distress_count=dive.distress_count + 1,
        alerted=dive.alerted + tuple((key, at) for key in dive.contacts if key not in known),
    )


def _person(by: dict[str, Any]) -> str:
    return str(by["key"] or by["name"])


def _asked_for_more(dive: Folded, said: dict[str, Any], at: datetime) -> Folded:
    due, number = instant_of(said["due_out_at"]), said["number"]
    assert due is not None
    return replace(dive, extension=(number, due, at, False), extensions_asked=number)


def _extended(dive: Folded, said: dict[str, Any], at: datetime) -> Folded:
    due = instant_of(said["due_out_at"])
    assert due is not None
    late = {"heads_up"} if due - dive.length("heads_up_before") <= at else set()
    return replace(dive, due_out_at=due, extension=None, steps=dive.steps - set(PARTY) | late)


def _not_extended(dive: Folded, _: dict[str, Any], __: datetime) -> Folded:
    return replace(dive, extension=None if dive.extension is None else (*dive.extension[:3], True))


def _unreachable(dive: Folded, said: dict[str, Any], _: datetime) -> Folded:
    key = said["person"]
    if said["reason"] == "declined" and key not in dive.declined:
        told = dive.started_at is not None or dive.alarm_at is not None
        dive = replace(dive, declined={**dive.declined, key: told})
    if said.get("gives_up"):
        dive = replace(dive, acknowledged=tuple((one, at) for one, at in dive.acknowledged if one != key))
    first = said["channel"] == dive.first_way(key) and not key.startswith("admin-")  # of whom no plan is
    return replace(dive, unreachable=dive.unreachable | {key}) if first else dive


def _reachable(dive: Folded, said: dict[str, Any], _: datetime) -> Folded:
    key = said["person"]
    dive = _agreed(dive, key)
    first = said["channel"] == dive.first_way(key)
    return replace(dive, unreachable=dive.unreachable - {key}) if first else dive


def _closed(dive: Folded, said: dict[str, Any], at: datetime) -> Folded:
    return replace(
        dive,
        phase="closed",
        closed_at=at,
        outcome=said["outcome"],
        closed_count=said["count"],
        closings=dive.closings + 1,
        extension=None,
        ask_at=None,
        held_until=None,
    )


def _held(dive: Folded, said: dict[str, Any], _: datetime) -> Folded:
    ask_at, held_until = instant_of(said["ask_at"]), instant_of(said["until_at"])
    return replace(dive, ask_at=ask_at, held_until=held_until, steps=dive.steps - {"ask_out"})


_RULES: dict[str, Any] = {
    "started": _started,
    "armed": lambda dive, _, at: replace(dive, armed_at=at),
    "not_armed": lambda dive, _, __: replace(dive, not_armed_said=True),
    "start_said": _start_said,
    "step_taken": _stepped,
    "told_meanwhile": _told_meanwhile,
    "extension_asked": _asked_for_more,
    "extension_took_effect": _extended,
    "extension_not_in_force": _not_extended,
    "partly_out": lambda dive, said, _: replace(dive, partly_out=said["count"]),
    "alarm_raised": _raised,
    "acknowledged": _acknowledged,
    "rescue_called": _called,
    "called_taken_back": _called_taken_back,
    "fix_reported": lambda dive, said, _: replace(dive, fixes=(*dive.fixes, said)),
    "person_unreachable": _unreachable,
    "person_reachable": _reachable,
    "held": _held,
    "hold_ended": lambda dive, _, __: replace(dive, ask_at=None, held_until=None),
    "closed": _closed,
}


class Histories:
    """The history of each dive, folded once."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.of: dict[str, list[Step] | None] = {}
        self.broken: dict[str, str] = {}
        for dive in record.dives.values():
            try:
                self.of[dive.id] = history(record.of_dive(dive))
            except (KeyError, TypeError, ValueError) as error:
                self.of[dive.id] = None
                self.broken[dive.id] = repr(error)

    def steps(self, dive: Dive) -> list[Step]:
        """What each event made of a dive; nothing where it cannot be folded."""
        return self.of[dive.id] or []

    def last(self, dive: Dive) -> Folded | None:
        """A dive as all its events have it."""
        steps = self.of[dive.id]
        return steps[-1][2] if steps else None
