"""What the clock does to a dive, and when it is next due to do something.

A tick goes straight to where the dive should be now: to each person one message, of the gravest step that is due.
Whenever `next_due_at(dive) <= now`, `tick(dive, now)` has events: a sweep never spins on a dive.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from service.domain.dive.events import (
    Closed,
    Event,
    ExtensionNotInForce,
    NotArmed,
    Outcome,
    Started,
    StepTaken,
)
from service.domain.dive.evolve import evolve
from service.domain.dive.state import Dive, Phase
from service.domain.grace import PARTY_STEPS, NeverStarted, Step
from service.domain.people import ADMINS, CLOCK, Role

UNTIMED_PLAN_LASTS = timedelta(hours=24)


def tick(dive: Dive, now: datetime) -> tuple[Event, ...]:
    """All that is due at `now`, gravest steps only; empty when nothing is."""
    if dive.phase is Phase.FILED:
        return _tick_filed(dive, now)
    return _tick_live(dive, now) if dive.live else ()


def next_due_at(dive: Dive) -> datetime | None:
    """When the clock next has something to do; None for a closed dive."""
    if dive.phase is Phase.FILED:
        return _filed_due_at(dive)
    if not dive.live:
        return None
    times = [
        *_party_due(dive).values(),
        _arming_due_at(dive),
        _extension_due_at(dive),
        None if (contacts_at := _contact_due_at(dive)) is None else _after_asking(dive, contacts_at),
        _hand_up_due_at(dive),
    ]
    return min((at for at in times if at is not None), default=None)


# Filed: a plan with no start


def _filed_due_at(dive: Dive) -> datetime:
    return min([*_ask_out_due(dive).values(), _after_asking(dive, _unstarted_due_at(dive))])


def _unstarted_due_at(dive: Dive) -> datetime:
    planned = dive.plan.time_in_at
    if planned is None:
        return dive.filed_at + UNTIMED_PLAN_LASTS
    asked = Step.ASK_STARTED in dive.steps
    return planned + (dive.grace.assume_started_after if asked else dive.grace.ask_started_after)


def _tick_filed(dive: Dive, now: datetime) -> tuple[Event, ...]:
    if dive.waiting is None or now >= dive.waiting.until_at:
        events = _tick_unstarted(dive, now)
        if events:
            return events
    asked = _ask_out(dive, now)
    return () if asked is None else (asked,)


def _tick_unstarted(dive: Dive, now: datetime) -> tuple[Event, ...]:
    planned = dive.plan.time_in_at
    if planned is None:
        return (_lapsed(now),) if now >= dive.filed_at + UNTIMED_PLAN_LASTS else ()
    if now >= planned + dive.grace.assume_started_after:
        if dive.grace.never_started is NeverStarted.LAPSE:
            return (_lapsed(now),)
        return _assume_started(dive, planned, now)
    ask_at = planned + dive.grace.ask_started_after
    if now >= ask_at and Step.ASK_STARTED not in dive.steps:
        to = tuple(person.key for person in dive.party_phones)
        return (StepTaken(now, Step.ASK_STARTED, ask_at, to, passed_over=tuple(_ask_out_due(dive))),)
    return ()


def _lapsed(now: datetime) -> Closed:
    return Closed(at=now, by=CLOCK, outcome=Outcome.LAPSED, never_started=True)


def assumed_meanwhile(dive: Dive, told: tuple[str, ...], now: datetime) -> tuple[Event, ...]:
    """The start that is taken for granted by now, where contacts have been alerted for it; else nothing."""
    planned = dive.plan.time_in_at
    if dive.phase is not Phase.FILED or planned is None or now < planned + dive.grace.assume_started_after:
        return ()
    return (_started(dive, planned, now, (Role.DIVER, Role.CONTACT), told),)


def _started(
    dive: Dive, planned: datetime, now: datetime, quiet: tuple[Role, ...], spared: tuple[str, ...] = ()
) -> Started:
    return Started(
        at=now,
        by=CLOCK,
        started_at=planned,
        due_out_at=planned + dive.plan.run_time,
        head_count=dive.head_count,
        assumed=True,
        quiet=quiet,
        passed_over=() if Step.ASK_STARTED in dive.steps else (Step.ASK_STARTED,),
        spared=spared,
    )


def _assume_started(dive: Dive, planned: datetime, now: datetime) -> tuple[Event, ...]:
    later = _tick_live(evolve(dive, _started(dive, planned, now, ())), now)
    taken = {event.step: event.to for event in later if isinstance(event, StepTaken)}
    spared = taken.get(Step.DISTRESS) or taken.get(Step.ALERT)
    quiet = [Role.DIVER] if taken.keys() & set(PARTY_STEPS) else []
    quiet += [Role.CONTACT] if spared else []
    return (_started(dive, planned, now, tuple(quiet), spared or ()), *later)


# Live


def _tick_live(dive: Dive, now: datetime) -> tuple[Event, ...]:
    events: list[Event] = []
    for rung in (_party_step, _extension_answer, _contact_step, _hand_up, _arming_answer):
        event = rung(dive, now)
        if event is not None:
            events.append(event)
            dive = evolve(dive, event)
    return tuple(events)


def _party_due(dive: Dive) -> dict[Step, datetime]:
    """The reminders still to come. One that was due before the start (a very short dive) is no reminder."""
    if dive.due_out_at is None or dive.started_at is None:
        return {}
    asks = _ask_out_due(dive)
    steps = {
        step: max([at, *asks.values()])  # one text to each person: the question stands for what is due by then
        for step, at in dive.grace.party_steps(dive.due_out_at)
        if step not in dive.steps and at > dive.started_at
    }
    return steps | asks


def _ask_out_due(dive: Dive) -> dict[Step, datetime]:
    """The question to the party of a restored dive, while it is still to be asked."""
    if dive.waiting is None or dive.alarmed or Step.ASK_OUT in dive.steps:
        return {}
    return {Step.ASK_OUT: dive.waiting.ask_at}


def _ask_out(dive: Dive, now: datetime) -> StepTaken | None:
    at = _ask_out_due(dive).get(Step.ASK_OUT)
    if at is None or at > now:
        return None
    return StepTaken(at=now, step=Step.ASK_OUT, due_at=at, to=tuple(person.key for person in dive.party_phones))


def _after_asking(dive: Dive, at: datetime) -> datetime:
    """When what was due at `at` may alert contacts: not while the party of a restored dive is asked."""
    return at if dive.waiting is None or dive.alarmed else max(at, dive.waiting.until_at)


def _party_step(dive: Dive, now: datetime) -> StepTaken | None:
    due = [(step, at) for step, at in _party_due(dive).items() if at <= now]
    if not due:
        return None
    step, at = due[-1]
    to = tuple(person.key for person in dive.party_phones)
    return StepTaken(at=now, step=step, due_at=at, to=to, passed_over=tuple(other for other, _ in due[:-1]))


def _from_alarm_or_clock(dive: Dive, after_alert: timedelta, after_due_out: timedelta) -> datetime | None:
    """The earlier of the two; once reopened only the new alarm counts, since due out is long past."""
    times = []
    if dive.alarm_at is not None:
        times.append(dive.alarm_at + after_alert)
    if dive.due_out_at is not None and dive.closings == 0:
        times.append(dive.due_out_at + after_due_out)
    return min(times, default=None)


def _distress_due_at(dive: Dive) -> datetime | None:
    if Step.DISTRESS in dive.steps:
        return None if dive.distress_at is None else dive.distress_at + dive.grace.distress_every
    return _from_alarm_or_clock(dive, dive.grace.distress_after_alert, dive.grace.distress_after)


def _next_contact_due_at(dive: Dive) -> datetime | None:
    if dive.acknowledged or len(dive.alerted) >= len(dive.contacts):
        return None
    if not dive.alerted:
        return dive.alarm_at  # a keeper raised it, and no gateway took it for anybody
    asked_at = dive.alerted[-1].at
    if all(told.key in dive.not_waited_for for told in dive.alerted if told.at == asked_at):
        return asked_at  # nobody is left to wait for
    return asked_at + dive.grace.next_contact_every


def _contact_due_at(dive: Dive) -> datetime | None:
    """When a contact is next told something, whatever it is."""
    if dive.called_at is not None:
        return None
    alert = dive.raise_by_at if Step.ALERT not in dive.steps else None
    following = _next_contact_due_at(dive) if dive.alarmed and Step.DISTRESS not in dive.steps else None
    return min((at for at in (alert, following, _distress_due_at(dive)) if at is not None), default=None)


def _contact_step(dive: Dive, now: datetime) -> StepTaken | None:
    due_at = _contact_due_at(dive)
    if due_at is None or _after_asking(dive, due_at) > now:
        return None
    distress_at = _distress_due_at(dive)
    if distress_at is not None and distress_at <= now:
        return _distress(dive, distress_at, now)
    if Step.ALERT not in dive.steps:
        return StepTaken(at=now, step=Step.ALERT, due_at=due_at, to=_whom_to_alert(dive, due_at, now))
    return StepTaken(
        at=now,
        step=Step.NEXT_CONTACT,
        due_at=due_at,
        to=_whom_to_alert(dive, due_at, now),
        number=len(dive.alerted) + 1,
    )


def _whom_to_alert(dive: Dive, due_at: datetime, now: datetime) -> tuple[str, ...]:
    """All whose turn has come since `due_at`, and on until one of them may be waited for."""
    deaf = dive.not_waited_for
    count = 1 + int((now - due_at) / dive.grace.next_contact_every)
    waiting = [contact.key for contact in dive.contacts if contact.key not in dive.alerted_keys()]
    chosen = waiting[:count]
    for key in waiting[count:]:
        if any(one not in deaf for one in chosen):
            break
        chosen.append(key)
    return tuple(chosen)


def _distress(dive: Dive, due_at: datetime, now: datetime) -> StepTaken:
    again = Step.DISTRESS in dive.steps
    passed_over = () if Step.ALERT in dive.steps else (Step.ALERT,)
    return StepTaken(
        at=now,
        step=Step.DISTRESS_AGAIN if again else Step.DISTRESS,
        due_at=due_at,
        to=tuple(contact.key for contact in dive.contacts),
        number=dive.distress_count + 1,
        passed_over=passed_over,
    )


def _hand_up_due_at(dive: Dive) -> datetime | None:
    if not dive.alarmed or Step.HAND_UP in dive.steps or dive.called_at is not None:
        return None
    if dive.of_one_phone:
        return None  # an exercise between us and one phone, of which no person has to take notice
    due_at = _from_alarm_or_clock(dive, dive.grace.hand_up_after_alert, dive.grace.hand_up_after)
    if dive.acknowledged:
        # Whoever answered has as long as the contacts had; then somebody else must hear that nothing came of it.
        return due_at and max(due_at, dive.acknowledged[-1].at + dive.grace.hand_up_after_alert)
    if not dive.reachable_contacts:
        return dive.alarm_at  # nobody is left to wait for; the same tick alerts all of them
    return due_at


def _hand_up(dive: Dive, now: datetime) -> StepTaken | None:
    due_at = _hand_up_due_at(dive)
    if due_at is None or due_at > now:
        return None
    return StepTaken(at=now, step=Step.HAND_UP, due_at=due_at, to=(ADMINS,))


def _extension_due_at(dive: Dive) -> datetime | None:
    if dive.extension is None or dive.extension.answered:
        return None
    wait = dive.grace.arming_within if dive.reachable_contacts else timedelta(0)
    answer_at = dive.extension.asked_at + wait
    return answer_at if dive.alarm_due_at is None else min(answer_at, dive.alarm_due_at)  # the alarm ends it


def _extension_answer(dive: Dive, now: datetime) -> ExtensionNotInForce | None:
    due_at = _extension_due_at(dive)
    if dive.extension is None or due_at is None or due_at > now:
        return None
    return ExtensionNotInForce(at=now, number=dive.extension.number)


def _arming_due_at(dive: Dive) -> datetime | None:
    waiting = dive.phase is Phase.IN_WATER and dive.armed_at is None and not dive.not_armed_said
    if not waiting or dive.arming_since is None:
        return None
    return dive.arming_since if not dive.reachable_contacts else dive.arming_since + dive.grace.arming_within


def _arming_answer(dive: Dive, now: datetime) -> NotArmed | None:
    due_at = _arming_due_at(dive)
    return None if due_at is None or due_at > now else NotArmed(at=now)
