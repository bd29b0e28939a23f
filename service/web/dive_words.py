"""Where a dive stands, in words for a page: its phase, and its line of moments."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.domain.dive import Dive, Phase
from service.domain.dive.events import Outcome
from service.domain.dive.state import Raising

ENDED = {
    Outcome.SURFACED: "All out",
    Outcome.CALLED_OFF: "Called off",
    Outcome.STOOD_DOWN: "Stood down, all safe",
    Outcome.LAPSED: "Lapsed, no start was heard",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """One phrase that says where the dive is, and a sentence that says what follows from it. `mark` is its shape."""

    title: str
    words: str
    mark: str


@dataclass(frozen=True, slots=True)
class Moment:
    """A knot on the line: when, what, and whether it has been."""

    at: datetime
    words: str
    passed: bool


def standing(dive: Dive) -> Standing:
    """Where the dive is now."""
    if dive.phase is Phase.CLOSED:
        title = ENDED[dive.outcome] if dive.outcome is not None else "Closed"
        return Standing(
            title, "The clock is stopped. Everybody who was told anything is told that it is over.", "closed"
        )
    if dive.alarmed:
        return _alarm(dive)
    return {
        Phase.FILED: Standing("Filed", "The clock is not running. Nobody ashore has been told anything yet.", "filed"),
        Phase.IN_WATER: _in_water(dive),
        Phase.UNCERTAINTY: Standing(
            "Overdue",
            "The party's phones are being texted. Unless all are said to be out, the contacts are alerted next.",
            "overdue",
        ),
    }[dive.phase]


def _alarm(dive: Dive) -> Standing:
    """What the contacts were told, and what they have said of it; in a drill nobody is told to call rescue."""
    mark = "distress" if dive.phase is Phase.DISTRESS else "alarm"
    if dive.called_at is not None:
        by = dive.called_by.name if dive.called_by is not None else "Somebody"
        return Standing("Alarm: rescue called", f"{by} has told us that rescue was called.", mark)
    if dive.phase is Phase.DISTRESS and dive.drill:
        words = "All contacts are told what they would do now in a real alarm. Nobody is sent to call rescue."
        return Standing("Alarm", words, mark)
    if dive.phase is Phase.DISTRESS:
        told = "All contacts are told to call rescue now."
        not_so = not_called_after_all(dive) or "Nobody has told us yet that they did."
        return Standing("Alarm: contacts told to call rescue", f"{told} {not_so}", mark)
    if dive.acknowledged:
        return Standing("Alarm", f"{_acting(dive)} on it. No further contact is alerted for now.", mark)
    if dive.raised_by is not None:
        return Standing("Alarm", "All shore contacts are being alerted at once. None has answered yet.", mark)
    return Standing("Alarm", "The shore contacts are being alerted, one after another. None has answered yet.", mark)


def _acting(dive: Dive) -> str:
    people = (dive.person(told.key) for told in dive.acknowledged)
    names = [f"an admin of {dive.club_name}" if person is None else person.name for person in people]
    return f"{', '.join(names)} {'acts' if len(names) == 1 else 'act'}"


def _in_water(dive: Dive) -> Standing:
    if not dive.reachable_contacts:
        words = "The clock runs, but as far as we know nothing reaches your contacts. Phone somebody ashore."
        return Standing("Not armed" if dive.armed_at is None else "No contact can be reached", words, "not-armed")
    if dive.armed_at is not None:
        # Who of them was the first to be handed it the dive does not keep.
        words = "The clock runs, and a contact ashore has been handed the plan."
        return Standing("Armed, in the water", words, "armed")
    if dive.not_armed_said:
        words = "No contact has been handed the plan. Phone somebody ashore before anyone goes in. The clock runs."
        return Standing("Not armed", words, "not-armed")
    words = "The clock runs, but no contact has been handed the plan yet. Wait for the text ARMED before going in."
    return Standing("Not armed yet", words, "not-armed")


def not_called_after_all(dive: Dive) -> str | None:
    """Who said that rescue was called, and who that it was not; None where nobody did, or somebody's word stands."""
    if not dive.not_called_after_all:
        return None
    last = dive.taken_back[-1]
    said, by = last.call.by, last.by
    if said.own_key == by.own_key:
        return f"{said.name} said that rescue was called, and has taken that back."
    return f"{said.name} said that rescue was called; {by.name} says that it was not."


def moments(dive: Dive, now: datetime) -> tuple[Moment, ...]:
    """The line of this dive from filing to what comes next, in order of time."""
    found = [(dive.filed_at, "Plan filed")]
    if dive.started_at is not None:
        unsaid = "In, as planned" if dive.start_said else "In, as planned; nobody said so"
        found.append((dive.started_at, unsaid if dive.assumed else "In"))
    elif dive.plan.time_in_at is not None and dive.phase is Phase.FILED:
        found.append((dive.plan.time_in_at, "Planned to go in"))
    if dive.due_out_at is not None and dive.raise_by_at is not None:
        found.append((dive.due_out_at, "Due out"))
        if dive.alarm_at is None:
            found.append((dive.raise_by_at, "Contacts are alerted"))
    if dive.alarm_at is not None:
        found += _raised(dive, dive.alarm_at)
    found += [(call.at, f"Rescue called by {call.by.name}") for call in dive.rescue_calls]
    for one in dive.taken_back:
        found.append((one.call.at, f"Rescue called by {one.call.by.name}, it was said"))
        found.append((one.at, f"Rescue not called after all, said by {one.by.name}"))
    if dive.closed_at is not None:
        found = [(at, words) for at, words in found if at <= dive.closed_at]
        by = f", said by {dive.closed_by.name}" if dive.closed_by else ""
        found.append((dive.closed_at, f"{standing(dive).title}{by}"))
    ordered = sorted(found, key=lambda moment: moment[0])
    return tuple(Moment(at, words, at <= now) for at, words in ordered)


def _raised(dive: Dive, alarm_at: datetime) -> list[tuple[datetime, str]]:
    """By whom, and who raised it again: nobody else's name belongs to the first instant."""
    raisings = dive.raisings or (Raising(alarm_at, dive.raised_by),)
    found: list[tuple[datetime, str]] = []
    for one in raisings:
        verb = "Raised again" if found else "Alarm raised"
        found.append((one.at, f"{verb} by {'the clock' if one.by is None else one.by.name}"))
    return found
