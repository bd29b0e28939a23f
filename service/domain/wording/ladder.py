"""What the clock says: start notices, reminders, alerts, distress, hand-up."""

from __future__ import annotations

from collections.abc import Callable

from service.domain.dive.decide import START_NOTICE
from service.domain.dive.events import AlarmRaised, Armed, NotArmed, Started, StepTaken
from service.domain.dive.state import Dive
from service.domain.encoding import Part
from service.domain.grace import Step
from service.domain.local_time import minutes
from service.domain.people import Recipient, Role, Via
from service.domain.wording.drafts import (
    EVERY_ADMIN,
    Draft,
    LinkKind,
    MessageKind,
    compose,
    draft,
    reply,
    to_contacts,
    to_party,
)
from service.domain.wording.phrases import (
    call_rescue,
    call_them,
    how_to_answer,
    keep,
    last_heard,
    may_go,
    name_of,
    names,
    number_of,
    quoted,
    since,
    time_of,
    where,
    who,
)


def on_started(dive: Dive, event: Started) -> list[Draft]:
    """Every contact gets the plan to keep; after an assumed start the party hears of it."""
    drafts: list[Draft] = []
    if Role.CONTACT not in event.quiet:
        drafts += [
            Draft(
                to=contact,
                kind=MessageKind.START_NOTICE,
                step=START_NOTICE,
                text=start_notice(dive, event),
                due_at=event.at,
                expires_at=dive.raise_by_at,
                link=LinkKind.ALARM,
                rank=rank,
            )
            for rank, contact in enumerate(dive.contacts)
        ]
    if event.assumed and Role.DIVER not in event.quiet:
        words = (
            f"no answer, so the clock runs from {time_of(dive, event.started_at, event.at)} as planned."
            f" Due out {time_of(dive, dive.due_out_at, event.at)}. All out? Text OUT. Not diving? Text NOGO."
        )
        drafts += to_party(dive, MessageKind.REMINDER, "assumed_start", [keep(words)], event.at)
    return drafts


def start_notice(dive: Dive, event: Started) -> str:
    """The whole plan: if all of ours fails, the contact still holds what a paper plan would have given."""
    act_at = time_of(dive, dive.raise_by_at, event.at)
    went_in = "planned to go in" if event.assumed else "went in"
    numbers = f" ({number_of(dive.lead.phone)})" if dive.lead.phone else ""
    parts = [
        keep("please keep."),
        *who(dive),
        keep(f"{went_in} {time_of(dive, event.started_at, event.at)}."),
        *where(dive, event.at),
        keep(f"Due out {time_of(dive, dive.due_out_at, event.at)}. Not heard by {act_at} that all are out?"),
        keep(f"Call them{numbers}, then rescue: {call_rescue(dive)}. Do so even if we are silent."),
        may_go(8, f"Kit: {dive.plan.kit}.") if dive.plan.kit else may_go(9, ""),
        keep(f"Ref {dive.reference}."),
    ]
    return compose(dive, MessageKind.START_NOTICE, [part for part in parts if part.text], link=LinkKind.ALARM)


def _starters(dive: Dive) -> list[Recipient]:
    """The lead, and whoever sent the start if that was another phone."""
    people = [dive.lead]
    by = dive.started_by
    if by is not None and by.via is Via.TEXT and by.phone and by.phone != dive.lead.phone:
        people.append(Recipient(by.key or f"phone:{by.phone}", by.name, by.phone))
    return people


def on_armed(dive: Dive, event: Armed) -> list[Draft]:
    """The word the diver waits for before going under."""
    contact = dive.person(event.contact)
    holder = contact.name if contact else "A contact"
    parts = [
        keep(f"ARMED. {dive.head_count} in, due out {time_of(dive, dive.due_out_at, event.at)}."),
        name_of(holder),
        keep(f"has your plan. Alarm {time_of(dive, dive.raise_by_at, event.at)}."),
        keep(f"When all are out text OUT {dive.finish_code}"),
    ]
    return [draft(dive, to, MessageKind.REPLY, "armed", parts, event.at) for to in _starters(dive)]


def on_not_armed(dive: Dive, event: NotArmed) -> list[Draft]:
    """Told while the diver is still dry: what is missing, and what to do instead."""
    missing = (
        "no contact could be told yet" if dive.reachable_contacts else "no contact can be reached by text"
    )
    words = (
        f"NOT ARMED: {missing}. Phone somebody ashore before you go in. Not diving? Text OUT. The clock runs."
    )
    return [
        draft(dive, to, MessageKind.REPLY, "not_armed", [keep(words)], event.at) for to in _starters(dive)
    ]


def on_step(dive: Dive, event: StepTaken) -> list[Draft]:
    """A rung of the ladder."""
    return _STEPS[event.step](dive, event)


def _reminder(words: Callable[[Dive, StepTaken], str]) -> Callable[[Dive, StepTaken], list[Draft]]:
    def drafts(dive: Dive, event: StepTaken) -> list[Draft]:
        return [
            draft(dive, person, MessageKind.REMINDER, event.step, [keep(words(dive, event))], event.due_at)
            for person in dive.party_phones
            if person.key in event.to
        ]

    return drafts


def _ask_started(dive: Dive, event: StepTaken) -> str:
    planned = time_of(dive, dive.plan.time_in_at, event.at)
    return (
        f"you planned to go in at {planned}. Went in? Text IN. Not diving? Text NOGO."
        " With no answer the clock runs from that time."
    )


def _heads_up(dive: Dive, event: StepTaken) -> str:
    return (
        f"due out {time_of(dive, dive.due_out_at, event.at)}. All out? Text OUT. Need longer? Text LATE 20."
    )


def _due_out(dive: Dive, event: StepTaken) -> str:
    due, alarm = time_of(dive, dive.due_out_at, event.at), time_of(dive, dive.raise_by_at, event.at)
    return f"you are due out ({due}). All out? Text OUT. Need longer? Text LATE 20. Alarm goes out {alarm}."


def _second_call(dive: Dive, event: StepTaken) -> str:
    due = time_of(dive, dive.due_out_at, event.at)
    if dive.raise_by_at is not None and dive.raise_by_at <= event.at:
        return f"overdue since {due}. Your contacts are being alerted. All out? Text OUT now."
    alarm = time_of(dive, dive.raise_by_at, event.at)
    return f"OVERDUE since {due}. All out? Text OUT now. Need longer? Text LATE 20. Alarm goes out {alarm}."


def _alert(dive: Dive, event: StepTaken) -> list[Draft]:
    act = [
        *call_them(dive),
        keep(f"No answer? Call rescue: {call_rescue(dive)}. Say overdue divers, give position."),
    ]
    return _alarm_to(dive, event, MessageKind.ALERT, "OVERDUE:", act)


def _distress(dive: Dive, event: StepTaken) -> list[Draft]:
    act = [keep(f"Call {call_rescue(dive)}. Say overdue divers, give position and number."), *call_them(dive)]
    return _alarm_to(dive, event, MessageKind.DISTRESS, "OVERDUE, CALL RESCUE NOW:", act)


def _alarm_to(dive: Dive, event: StepTaken, kind: MessageKind, cry: str, act: list[Part]) -> list[Draft]:
    if dive.raised_by is not None:
        cry = cry.replace("OVERDUE", "ALARM")
    parts = [keep(cry), *who(dive, "."), *where(dive, event.at), since(dive, event.at)]
    parts += [*last_heard(dive, event.at), *act, how_to_answer(dive)]
    return [
        draft(dive, contact, kind, event.step, parts, event.due_at, link=LinkKind.ALARM, rank=rank)
        for rank, contact in enumerate(dive.contacts)
        if contact.key in event.to
    ]


def _hand_up(dive: Dive, event: StepTaken) -> list[Draft]:
    since_alarm = minutes(event.at - dive.alarm_at) if dive.alarm_at else 0
    parts = [
        keep(f"NO CONTACT HAS ANSWERED for {since_alarm} min. Dive {dive.reference}:"),
        *who(dive, "."),
        *where(dive, event.at),
        since(dive, event.at),
        *last_heard(dive, event.at),
        *call_them(dive),
        keep(f"Act now: rescue {call_rescue(dive)}."),
        may_go(4, f"Contacts: {names(dive.contacts)}."),
        how_to_answer(dive),
    ]
    return [
        draft(dive, EVERY_ADMIN, MessageKind.DISTRESS, event.step, parts, event.due_at, link=LinkKind.ALARM)
    ]


_STEPS: dict[Step, Callable[[Dive, StepTaken], list[Draft]]] = {
    Step.ASK_STARTED: _reminder(_ask_started),
    Step.HEADS_UP: _reminder(_heads_up),
    Step.DUE_OUT: _reminder(_due_out),
    Step.SECOND_CALL: _reminder(_second_call),
    Step.ALERT: _alert,
    Step.NEXT_CONTACT: _alert,
    Step.DISTRESS: _distress,
    Step.DISTRESS_AGAIN: _distress,
    Step.HAND_UP: _hand_up,
}


def on_alarm_raised(dive: Dive, event: AlarmRaised) -> list[Draft]:
    """Somebody's word raised it: every contact hears it at once, word for word."""
    said = event.note or event.by.words
    cry = "ALARM AGAIN" if event.reopened else "ALARM"
    parts = [
        keep(
            f"{cry}: {event.by.name} {time_of(dive, event.at, event.at)}"
            + (f" says {quoted(said)}." if said else ".")
        ),
        *who(dive, "."),
        *where(dive, event.at),
        since(dive, event.at),
        *call_them(dive),
        keep(f"In doubt call rescue now: {call_rescue(dive)}. Say divers in trouble, give position."),
        how_to_answer(dive),
    ]
    told = to_contacts(dive, MessageKind.ALERT, "raised", parts, event.at, but=event.by.key)
    back = (
        f"Text OUT {dive.head_count}"
        if event.by.role is Role.DIVER
        else f"Text SAFE {dive.head_count} {dive.reference}"
    )
    words = f"ALARM raised, contacts told. Call rescue if you can: {call_rescue(dive)}. All safe after all? {back}"
    return told + reply(dive, event.by, event.at, keep(words))
