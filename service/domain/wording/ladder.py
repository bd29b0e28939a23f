"""What the clock says: start notices, reminders, alerts, distress, hand-up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from service.domain.dive.decide import START_NOTICE
from service.domain.dive.events import AlarmRaised, Armed, NotArmed, PersonReachable, Started, StepTaken
from service.domain.dive.refusals import finish_text
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
    reply,
    stranger_who_started,
    to_contacts,
    to_each,
    to_party,
)
from service.domain.wording.phrases import (
    call_rescue,
    call_them,
    call_them_then_rescue,
    deaf_divers,
    how_to_answer,
    keep,
    last_heard,
    may_go,
    name_of,
    names,
    out,
    out_so_far,
    out_with_code,
    quote,
    since,
    time_of,
    to_rescue,
    where,
    who,
    who_called,
    with_others,
)


def on_started(dive: Dive, event: Started) -> list[Draft]:
    """Every contact gets the plan to keep; after an assumed start the party hears of it."""
    drafts: list[Draft] = []
    if Role.CONTACT in event.quiet:
        drafts += _late_notice(dive, event)
    else:
        notice = start_notice(dive, event)
        drafts += [
            Draft(
                to=contact,
                kind=MessageKind.START_NOTICE,
                step=START_NOTICE,
                text=notice,
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
            f" Due out {time_of(dive, dive.due_out_at, event.at)}. {out(dive)}. Not diving? Text NOGO."
        )
        drafts += to_party(dive, MessageKind.REMINDER, "assumed_start", [keep(words)], event.at)
    return drafts


def start_notice(dive: Dive, event: Started) -> str:
    """The whole plan: if all of ours fails, the contact still holds what a paper plan would have given."""
    act_at = time_of(dive, dive.raise_by_at, event.at)
    went_in = "planned to go in" if event.assumed else "went in"
    parts = [
        keep("please keep."),
        *who(dive),
        *with_others(dive),
        keep(f"{went_in} {time_of(dive, event.started_at, event.at)}."),
        *where(dive, event.at),
        keep(f"Due out {time_of(dive, dive.due_out_at, event.at)}. Not heard by {act_at} that all are out?"),
        keep(f"{call_them_then_rescue(dive)} {'Call them' if dive.drill else 'Do so'} even if we are silent."),
        *deaf_divers(dive),
        *([may_go(8, f"Kit: {dive.plan.kit}.")] if dive.plan.kit else []),
        keep(f"Ref {dive.reference}."),
    ]
    return compose(dive, MessageKind.START_NOTICE, parts, link=LinkKind.ALARM)


def _late_notice(dive: Dive, event: Started) -> list[Draft]:
    """The plan for those who are not alerted yet, where the start was assumed so late that the first is."""
    others = [contact for contact in dive.contacts if contact.key not in event.spared]
    first = tuple(contact for contact in dive.contacts if contact.key in event.spared)
    parts = [
        keep("please keep."),
        *who(dive),
        *with_others(dive),
        keep(f"planned to go in {time_of(dive, event.started_at, event.at)}."),
        *where(dive, event.at),
        keep(f"Due out {time_of(dive, dive.due_out_at, event.at)}, nobody has said that they are out."),
        name_of(names(first)),
        keep("hears it first. If you are next:"),
        keep(call_them_then_rescue(dive)),
        *deaf_divers(dive),
        keep(f"Ref {dive.reference}."),
    ]
    return to_each(dive, others, MessageKind.OTHER, "late_notice", parts, event.at, link=LinkKind.ALARM)


def _starters(dive: Dive) -> list[Recipient]:
    """The lead, and whoever sent the start if that was another phone."""
    by = dive.started_by
    starter = dive.person(by.key) if by is not None and by.via is Via.TEXT and by.key else None
    others = [starter] if starter is not None and starter != dive.lead else []
    return [dive.lead, *others, *stranger_who_started(dive)]


def on_armed(dive: Dive, event: Armed) -> list[Draft]:
    """The word the diver waits for before going under; once the alarm is up it would only confuse."""
    if dive.alarmed:
        return []
    contact = dive.person(event.contact)
    holder = contact.name if contact else "A contact"
    parts = [
        keep(f"ARMED. {dive.head_count} in, due out {time_of(dive, dive.due_out_at, event.at)}."),
        name_of(holder),
        keep(f"has your plan. Alarm {time_of(dive, dive.raise_by_at, event.at)}."),
        keep(f"When all are out text {out_with_code(dive)}"),
    ]
    return to_each(dive, _starters(dive), MessageKind.REPLY, "armed", parts, event.at)


def on_not_armed(dive: Dive, event: NotArmed) -> list[Draft]:
    """Told while the diver is still dry: what is missing, and what to do instead."""
    missing = "no contact could be told yet" if dive.reachable_contacts else "no contact can be reached by text"
    parts = [
        keep(f"NOT ARMED: {missing}. Phone somebody ashore before you go in. The clock runs."),
        keep(f"Not diving? Text {finish_text(dive)}"),
    ]
    return to_each(dive, _starters(dive), MessageKind.REPLY, "not_armed", parts, event.at)


def on_step(dive: Dive, event: StepTaken) -> list[Draft]:
    """A rung of the ladder."""
    return _STEPS[event.step](dive, event)


def _reminder(words: Callable[[Dive, StepTaken], str]) -> Callable[[Dive, StepTaken], list[Draft]]:
    def drafts(dive: Dive, event: StepTaken) -> list[Draft]:
        people = [person for person in dive.party_phones if person.key in event.to]
        parts = [keep(words(dive, event))]
        return to_each(dive, people, MessageKind.REMINDER, event.step, parts, event.due_at, worded_at=event.at)

    return drafts


def _ask_started(dive: Dive, event: StepTaken) -> str:
    planned = time_of(dive, dive.plan.time_in_at, event.at)
    return (
        f"you planned to go in at {planned}. Went in? Text IN. Not diving? Text NOGO."
        " With no answer the clock runs from that time."
    )


def _heads_up(dive: Dive, event: StepTaken) -> str:
    return f"due out {time_of(dive, dive.due_out_at, event.at)}. {out(dive)}. Need longer? Text LATE 20."


def _due_out(dive: Dive, event: StepTaken) -> str:
    due, alarm = time_of(dive, dive.due_out_at, event.at), time_of(dive, dive.raise_by_at, event.at)
    return f"you are due out ({due}). {out(dive)}. Need longer? Text LATE 20. Alarm goes out {alarm}."


def _second_call(dive: Dive, event: StepTaken) -> str:
    due = time_of(dive, dive.due_out_at, event.at)
    if dive.raise_by_at is not None and dive.raise_by_at <= event.at:
        return f"overdue since {due}. Your contacts are being alerted. {out(dive)}."
    alarm = time_of(dive, dive.raise_by_at, event.at)
    return f"OVERDUE since {due}. {out(dive)}. Need longer? Text LATE 20. Alarm goes out {alarm}."


def _alert(dive: Dive, event: StepTaken) -> list[Draft]:
    return _alarm_to(dive, _of_step(dive, event), MessageKind.ALERT, _ladder(event), _cry(dive), _act_alert(dive))


def _distress(dive: Dive, event: StepTaken) -> list[Draft]:
    return _alarm_to(
        dive, _of_step(dive, event), MessageKind.DISTRESS, _ladder(event), _distress_cry(dive), _act_distress(dive)
    )


def _act_alert(dive: Dive) -> list[Part]:
    rescue = to_rescue(dive, f"Call rescue: {call_rescue(dive)}. Say {_what(dive)}, give position.")
    return [*call_them(dive), keep(f"No answer? {rescue}")]


def _act_distress(dive: Dive) -> list[Part]:
    rescue = to_rescue(dive, f"Call {call_rescue(dive)}. Say {_what(dive)}, give position and number.")
    return [keep(rescue), *call_them(dive)]


def _distress_cry(dive: Dive) -> str:
    return _cry(dive) if dive.drill else f"{_cry(dive)}, CALL RESCUE NOW"


def on_reachable(dive: Dive, event: PersonReachable) -> list[Draft]:
    """A contact whom the alarm passed by gets it now, unless they are known to have it or to act on it."""
    person = dive.person(event.person)
    answered = any(told.key == event.person for told in dive.acknowledged)
    if event.has_alarm or answered or person is None or not dive.alarmed or person.key not in dive.alerted_keys():
        return []
    cause = _Cause("reachable", event.at, event.at)
    if dive.called_at is not None:
        return _alarm_to(dive, [person], MessageKind.ALERT, cause, _cry(dive), who_called(dive, event.at))
    acting = _who_acts(dive, event.at)
    if Step.DISTRESS in dive.steps:
        act = [*acting, *_act_distress(dive)]
        return _alarm_to(dive, [person], MessageKind.DISTRESS, cause, _distress_cry(dive), act)
    return _alarm_to(dive, [person], MessageKind.ALERT, cause, _cry(dive), [*acting, *_act_alert(dive)])


def _who_acts(dive: Dive, now: datetime) -> list[Part]:
    """Who has the alarm already, so that two need not do the same."""
    if not dive.acknowledged:
        return []
    first = dive.acknowledged[0]
    person = dive.person(first.key)
    return [
        name_of(person.name if person else "An admin"),
        keep(f"has the alarm since {time_of(dive, first.at, now)}."),
    ]


def _cry(dive: Dive) -> str:
    return "OVERDUE" if dive.raised_by is None else "ALARM"


def _what(dive: Dive) -> str:
    return "overdue divers" if dive.raised_by is None else "divers in trouble"


@dataclass(frozen=True, slots=True)
class _Cause:
    """What makes an alarm go out: its name, when it is worded, and when it was due."""

    name: str
    at: datetime
    due_at: datetime


def _ladder(event: StepTaken) -> _Cause:
    return _Cause(event.step, event.at, event.due_at)


def _of_step(dive: Dive, event: StepTaken) -> list[Recipient]:
    return [contact for contact in dive.contacts if contact.key in event.to]


def _alarm_to(
    dive: Dive, people: list[Recipient], kind: MessageKind, cause: _Cause, cry: str, act: list[Part]
) -> list[Draft]:
    parts = [keep(f"{cry}:"), *_facts(dive, cause.at), *act, how_to_answer(dive)]
    return to_each(dive, people, kind, cause.name, parts, cause.due_at, link=LinkKind.ALARM)


def _facts(dive: Dive, now: datetime) -> list[Part]:
    """Who and how many, where, since when, last heard: in the order in which rescue asks."""
    about = [*who(dive, "."), *out_so_far(dive), *where(dive, now), since(dive, now)]
    return [*about, *last_heard(dive, now)]


def _hand_up(dive: Dive, event: StepTaken) -> list[Draft]:
    parts = [
        keep(f"{_unanswered(dive, event)}. Dive {dive.reference}:"),
        *_facts(dive, event.at),
        *call_them(dive),
        keep(to_rescue(dive, f"Act now: rescue {call_rescue(dive)}.")),
        may_go(4, f"Contacts: {names(dive.contacts)}."),
        how_to_answer(dive),
    ]
    return to_each(dive, [EVERY_ADMIN], MessageKind.DISTRESS, event.step, parts, event.due_at, link=LinkKind.ALARM)


def _unanswered(dive: Dive, event: StepTaken) -> str:
    """How long the contacts have had to answer: since they were told, which may be later than it was due."""
    if not dive.reachable_contacts:
        return "NO CONTACT CAN BE REACHED BY TEXT"
    told_at = min((told.at for told in dive.alerted), default=event.at)
    waited = minutes(event.at - told_at)
    return f"NO CONTACT HAS ANSWERED for {waited} min" if waited else "NO CONTACT HAS ANSWERED YET"


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
    at = time_of(dive, event.at, event.at)
    by_diver = event.by.role is Role.DIVER
    parts = [
        keep(f"{cry}:"),
        name_of(event.by.name),
        *([keep(f"{at} says"), *quote(said, ".")] if said else [keep(f"{at}.")]),
        *who(dive, "."),
        *out_so_far(dive),
        *where(dive, event.at),
        since(dive, event.at),
        *([] if by_diver else last_heard(dive, event.at)),
        *call_them(dive),
        keep(to_rescue(dive, f"In doubt call rescue now: {call_rescue(dive)}. Say {_what(dive)}, give position.")),
        how_to_answer(dive),
    ]
    told = to_contacts(dive, MessageKind.ALERT, "raised", parts, event.at, but=event.by.key)
    ashore = "Your contacts are being told." if dive.reachable_contacts else "No contact can be reached by text."
    back = finish_text(dive) if by_diver else f"SAFE {dive.head_count} {dive.reference}"
    answer = [
        keep("ALARM raised."),
        may_go(1, ashore),
        keep(to_rescue(dive, f"Call rescue: {call_rescue(dive)}.")),
        keep(f"All safe? {back}" if dive.drill else f"All safe after all? Text {back}"),
    ]
    return told + reply(dive, event.by, event.at, *answer)
