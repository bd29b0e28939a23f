"""What it is about, who, since when, how last heard, and what has been done so far."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.domain.dive.events import Outcome
from service.domain.dive.state import Dive, Phase, Raising, Told
from service.domain.grace import Step
from service.domain.handover.pack import EXERCISE, Person, Situation, Times
from service.domain.handover.speaking import ago, at, heads, quoted, span
from service.domain.people import Recipient

_ENDED = {
    Outcome.SURFACED: "all are out",
    Outcome.CALLED_OFF: "the dive was called off",
    Outcome.STOOD_DOWN: "all are safe",
}


def situation(dive: Dive, now: datetime) -> Situation:
    """What is to be reported."""
    return Situation.OVER if dive.phase is Phase.CLOSED else event(dive, now)


def event(dive: Dive, now: datetime) -> Situation:
    """What it is, or was, about. Due out says whether it is overdue: the phase lags where a sweep is late."""
    if dive.alarm_at is not None:
        return Situation.OVERDUE if dive.raised_by is None else Situation.IN_TROUBLE
    if dive.due_out_at is None:
        return Situation.NOT_STARTED
    return Situation.OVERDUE if dive.due_out_at <= (dive.closed_at or now) else Situation.IN_WATER


def head_count(dive: Dive) -> int:
    """How many went in; before a start, how many the plan has."""
    return dive.head_count or len(dive.plan.party)


def missing(dive: Dive) -> int:
    """How many are not said to be out."""
    return 0 if dive.phase is Phase.CLOSED else head_count(dive) - (dive.partly_out or 0)


def headline(dive: Dive, now: datetime) -> str:
    """What and how many, in one line; in a drill it begins with EXERCISE."""
    mark = f"{EXERCISE}: " if dive.drill else ""
    if dive.phase is Phase.CLOSED:
        return f"{mark}{_ended(dive)}"
    what = situation(dive, now).value
    return f"{mark}{what[0].upper()}{what[1:]}: {dive.lead.name}, {heads(head_count(dive))}"


def times(dive: Dive) -> Times:
    """The instants of the dive."""
    return Times(dive.started_at, dive.due_out_at, dive.raise_by_at, dive.alarm_at, dive.called_at, dive.closed_at)


def who(dive: Dive) -> str:
    """How many and their names; where the plan names more or fewer than went in, that it is not known who they are."""
    counted = counted_and_named(dive, [diver.name for diver in dive.divers])
    if dive.partly_out is None or dive.phase is Phase.CLOSED:
        return counted
    return f"{counted} {dive.partly_out} of {head_count(dive)} said to be out, {missing(dive)} missing."


def counted_and_named(dive: Dive, names: Sequence[str]) -> str:
    """How many went in, and the names of the plan as they are to be shown; these may be others than went in."""
    counted, named, listed = head_count(dive), len(names), ", ".join(names)
    if counted == named:
        return f"{heads(counted)}: {listed}."
    if counted < named:
        return f"{heads(counted)} went in; the plan names {named}: {listed}. Which of them is not known."
    return f"{heads(counted)} went in; the plan names only {named}: {listed}. Who else is not known."


def since(dive: Dive, now: datetime) -> str:
    """Since when they are in, and overdue."""
    if dive.started_at is None or dive.due_out_at is None:
        planned = dive.plan.time_in_at
        said = "" if planned is None else f" Planned to go in {at(dive, planned, now)}."
        return f"Not known to be in the water.{said}"
    said = "" if dive.start_said else "; nobody said so"
    assumed = f" (as planned{said})" if dive.assumed else ""
    went_in = f"In {at(dive, dive.started_at, now)}{assumed}, due out {at(dive, dive.due_out_at, now)}"
    if dive.phase is Phase.CLOSED or dive.due_out_at > now:
        return f"{went_in}."
    return f"{went_in}: overdue by {span(now - dive.due_out_at)}."


def last_heard(dive: Dive, now: datetime) -> str:
    """When and how the party was last heard, word for word."""
    heard = dive.last_heard
    if heard is None:
        return "Nothing was heard from them."
    said = f"{at(dive, heard.at, now)} ({ago(heard.at, now)}), {heard.name}: {quoted(heard.words)}"
    return f"{said} (may be about another dive; this one is not over)" if heard.asked_which else said


def closing(dive: Dive, now: datetime) -> str | None:
    """That it is over, by whom and when; None while it is not."""
    if dive.closed_at is None or dive.phase is not Phase.CLOSED:
        return None
    by = f", said by {dive.closed_by.name}" if dive.closed_by is not None else ""
    return f"{_ended(dive)}{by}, {at(dive, dive.closed_at, now)}."


def _ended(dive: Dive) -> str:
    """That a plan ends by itself since no start was heard does not say that nobody went in: that is not "over"."""
    if dive.outcome is Outcome.LAPSED:
        return "The plan has lapsed: no start was ever heard"
    counted = f" ({heads(dive.closed_count)})" if dive.closed_count else ""
    return f"It is over: {_ENDED[dive.outcome] if dive.outcome is not None else 'the dive is closed'}{counted}"


def done(dive: Dive, now: datetime) -> tuple[str, ...]:
    """What has been done so far, a sentence each, the weightiest first."""
    over = closing(dive, now)
    found = [over] if over else []
    found += [_called(dive, now)] if dive.called_at or not over else []
    for verb, people in (("Acting on it", dive.acknowledged), ("Alerted", dive.alerted)):
        found += [f"{verb}: {_each(dive, people, now)}."] if people else []
    found += [_raised(dive, dive.alarm_at, now)] if dive.alarm_at is not None else []
    found += [_silent(dive)] if _is_silent(dive) else []
    if dive.unreachable:
        found.append(f"Texts do not reach: {', '.join(_named(dive, key).name for key in dive.unreachable)}.")
    return tuple(found)


def _called(dive: Dive, now: datetime) -> str:
    if dive.not_called_after_all:
        return _taken_back(dive, now)
    if dive.called_at is None:
        return "Nobody has told us that rescue was called."
    by = f" by {dive.called_by.name}" if dive.called_by is not None else ""
    incident = f", incident {dive.called_reference}" if dive.called_reference else ""
    return f"Rescue called {at(dive, dive.called_at, now)}{by}{incident}."


def _taken_back(dive: Dive, now: datetime) -> str:
    """With the number that was given: rescue can look whether they have it after all."""
    last = dive.taken_back[-1]
    number = f", incident {last.call.reference}" if last.call.reference else ""
    said = f"{last.call.by.name} said {at(dive, last.call.at, now)} that rescue was called{number}"
    own = last.call.by.own_key == last.by.own_key
    by = "they took that back" if own else f"{last.by.name} said that it was not"
    return f"Not known to have been called: {said}; {by} {at(dive, last.at, now)}."


def _raised(dive: Dive, raised_at: datetime, now: datetime) -> str:
    first, *later = dive.raisings or (Raising(raised_at, dive.raised_by, dive.raised_note),)
    note = f" They said: {quoted(first.note)}." if first.note else ""
    more = "".join(f" {_raiser(one)} {at(dive, one.at, now)}{_words(one)}" for one in later)
    return f"Alarm raised {at(dive, raised_at, now)} by {_raiser(first)}.{note}{more}"


def _raiser(one: Raising) -> str:
    return "the clock" if one.by is None else one.by.name


def _words(one: Raising) -> str:
    return f": {quoted(one.note)}." if one.note else " too."


def _is_silent(dive: Dive) -> bool:
    """Whether the party was asked at due out and has not answered."""
    if Step.DUE_OUT not in dive.steps and Step.SECOND_CALL not in dive.steps:
        return False
    heard = dive.last_heard
    return dive.phase is not Phase.CLOSED and (heard is None or dive.due_out_at is None or heard.at < dive.due_out_at)


def _silent(dive: Dive) -> str:
    return f"{'Its phone was' if len(dive.party_phones) == 1 else 'The phones of the party were'} texted; no answer."


def _each(dive: Dive, people: Sequence[Told], now: datetime) -> str:
    return ", ".join(f"{_named(dive, told.key).name} {at(dive, told.at, now)}" for told in people)


def _named(dive: Dive, key: str) -> Recipient:
    """Who that is; the plan does not have the admins of the club."""
    return dive.person(key) or Recipient(key, f"an admin of {dive.club_name}", None)


def party(dive: Dive) -> tuple[Person, ...]:
    """The divers; the first leads."""
    return tuple(
        Person(diver.name, diver.phone, "leads" if index == 0 else "") for index, diver in enumerate(dive.divers)
    )


def contacts(dive: Dive, now: datetime) -> tuple[Person, ...]:
    """The people ashore in their order, with what they did."""
    return tuple(Person(c.name, c.phone, _did(dive, c.key, now)) for c in dive.contacts)


def _did(dive: Dive, key: str, now: datetime) -> str:
    said = [
        f"{words} {at(dive, told.at, now)}"
        for words, people in (
            ("at the site since", dive.on_scene),
            ("acts since", dive.acknowledged),
            ("alerted", dive.alerted),
        )
        for told in people
        if told.key == key
    ]
    return ", ".join([*said, *(["no text reaches them"] if key in dive.unreachable else [])])


def on_scene(dive: Dive, now: datetime) -> tuple[Person, ...]:
    """Who is at the site, for rescue to meet."""
    there = ((_named(dive, told.key), told.at) for told in dive.on_scene)
    return tuple(Person(person.name, person.phone, f"since {at(dive, since_at, now)}") for person, since_at in there)
