"""What the clock says: start notices, reminders, alerts, distress, hand-up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from service.domain.dive.decide import START_NOTICE
from service.domain.dive.events import AlarmRaised, Armed, NotArmed, Started, StepTaken
from service.domain.dive.refusals import finish_text
from service.domain.dive.state import Dive
from service.domain.dive.ways import calls_come_first
from service.domain.grace import Step
from service.domain.language import Name, Phrase, say
from service.domain.local_time import minutes
from service.domain.people import Recipient, Role, Via
from service.domain.wording.drafts import (
    EVERY_ADMIN,
    SEGMENTS,
    Draft,
    LinkKind,
    MessageKind,
    reply,
    stranger_who_started,
    to_contacts,
    to_each,
    to_party,
)
from service.domain.wording.parts import Part, keep, may_go
from service.domain.wording.phrases import (
    about_whom,
    call_rescue,
    call_them,
    call_them_then_rescue,
    deaf_divers,
    elsewhere,
    how_to_answer,
    last_heard,
    names,
    out,
    out_so_far,
    out_with_code,
    overdue,
    quote,
    ref,
    since,
    time_of,
    to_rescue,
    where,
    who,
    who_acts,
    with_others,
)
from service.domain.wording.raised_answer import passed_on, raised_answer
from service.domain.wording.restored import ask_out


def on_started(dive: Dive, event: Started) -> list[Draft]:
    """Every contact gets the plan to keep; after an assumed start the party hears of it."""
    if Role.CONTACT in event.quiet:
        drafts = _late_notice(dive, event)
    else:
        notices = to_contacts(dive, MessageKind.START_NOTICE, START_NOTICE, start_notice(dive, event.at), event.at)
        drafts = [replace(one, step=START_NOTICE, expires_at=dive.raise_by_at) for one in notices]
    if event.assumed and Role.DIVER not in event.quiet:
        words = say(
            "no answer, so the clock runs from {time} as planned. Due out {due}. {out}. Not diving? Text NOGO {ref}.",
            time=time_of(dive, event.started_at, event.at),
            due=time_of(dive, dive.due_out_at, event.at),
            out=out(dive),
            ref=dive.reference,
        )
        drafts += to_party(dive, MessageKind.REMINDER, "assumed_start", [keep(words)], event.at)
    return drafts


def start_notice(dive: Dive, now: datetime) -> list[Part]:
    """The whole plan: if all of ours fails, the contact still holds what a paper plan would have given."""
    act = say(
        "Due out {due}. Not heard by {time} that all are out?",
        due=time_of(dive, dive.due_out_at, now),
        time=time_of(dive, dive.raise_by_at, now),
    )
    silent = say("Call them even if we are silent.") if dive.drill else say("Do so even if we are silent.")
    return [
        keep(say("please keep.")),
        keep(who(dive)),
        *with_others(dive),
        _went_in(dive, now),
        *where(dive, now),
        keep(act),
        *map(keep, elsewhere(dive)),
        keep(call_them_then_rescue(dive)),
        keep(silent),
        *deaf_divers(dive),
        *([may_go(8, say("Kit: {kit}.", kit=dive.plan.kit.rstrip(".")))] if dive.plan.kit else []),
        ref(dive),
    ]


def _went_in(dive: Dive, now: datetime) -> Part:
    at = time_of(dive, dive.started_at, now)
    return keep(say("planned to go in {time}.", time=at) if dive.assumed else say("went in {time}.", time=at))


def _late_notice(dive: Dive, event: Started) -> list[Draft]:
    """The plan for those who are not alerted yet, where the start was assumed so late that the first is."""
    others = [contact for contact in dive.contacts if contact.key not in event.spared]
    first = tuple(contact for contact in dive.contacts if contact.key in event.spared)
    due = time_of(dive, dive.due_out_at, event.at)
    parts = [
        keep(say("please keep.")),
        keep(who(dive)),
        *with_others(dive),
        keep(say("planned to go in {time}.", time=time_of(dive, event.started_at, event.at))),
        *where(dive, event.at),
        keep(say("Due out {due}, nobody has said that they are out.", due=due)),
        *map(keep, elsewhere(dive)),
        keep(say("{names} hears it first. If you are next:", names=Name(names(first)))),
        keep(call_them_then_rescue(dive)),
        *deaf_divers(dive),
        ref(dive),
    ]
    whole = SEGMENTS[MessageKind.START_NOTICE]  # it holds what a start notice does, and is only less urgent
    return to_each(dive, others, MessageKind.OTHER, "late_notice", parts, event.at, link=LinkKind.ALARM, segments=whole)


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
    parts = [
        keep(say("ARMED. {all} in, due out {due}.", all=dive.head_count, due=time_of(dive, dive.due_out_at, event.at))),
        keep(say("{name} has your plan.", name=Name(contact.name) if contact else say("A contact"))),
        keep(say("Alarm {time}.", time=time_of(dive, dive.raise_by_at, event.at))),
        keep(say("When all are out text {finish}", finish=out_with_code(dive))),
    ]
    return to_each(dive, _starters(dive), MessageKind.REPLY, "armed", parts, event.at)


def on_not_armed(dive: Dive, event: NotArmed) -> list[Draft]:
    """Told while the diver is still dry: what is missing, and what to do instead."""
    untold, unreachable = say("no contact could be told yet"), say("no contact can be reached by text")
    if calls_come_first(dive):
        unreachable = say("no contact can be reached")
    missing = untold if dive.reachable_contacts else unreachable
    parts = [
        keep(say("NOT ARMED: {missing}.", missing=missing)),
        keep(say("Phone somebody ashore before you go in. The clock runs.")),
        keep(say("Not diving? Text {finish}", finish=finish_text(dive))),
    ]
    return to_each(dive, _starters(dive), MessageKind.REPLY, "not_armed", parts, event.at)


def on_step(dive: Dive, event: StepTaken) -> list[Draft]:
    """A rung of the ladder."""
    return _STEPS[event.step](dive, event)


def _reminder(words: Callable[[Dive, StepTaken], Phrase]) -> Callable[[Dive, StepTaken], list[Draft]]:
    def drafts(dive: Dive, event: StepTaken) -> list[Draft]:
        people = [person for person in dive.party_phones if person.key in event.to]
        parts = [keep(words(dive, event))]
        return to_each(dive, people, MessageKind.REMINDER, event.step, parts, event.due_at, worded_at=event.at)

    return drafts


def _ask_started(dive: Dive, event: StepTaken) -> Phrase:
    return say(
        "you planned to go in at {time}. Went in? Text IN. Not diving? Text NOGO {ref}."
        " With no answer the clock runs from that time.",
        time=time_of(dive, dive.plan.time_in_at, event.at),
        ref=dive.reference,
    )


def _heads_up(dive: Dive, event: StepTaken) -> Phrase:
    due = time_of(dive, dive.due_out_at, event.at)
    return say("due out {due}. {out}. Need longer? Text LATE 20.", due=due, out=out(dive))


def _due_out(dive: Dive, event: StepTaken) -> Phrase:
    return say(
        "you are due out ({due}). {out}. Need longer? Text LATE 20. Alarm goes out {alarm}.",
        due=time_of(dive, dive.due_out_at, event.at),
        out=out(dive),
        alarm=time_of(dive, dive.alarm_due_at, event.at),
    )


def _second_call(dive: Dive, event: StepTaken) -> Phrase:
    due = time_of(dive, dive.due_out_at, event.at)
    if dive.alarm_due_at is not None and dive.alarm_due_at <= event.at:
        return overdue(dive, event.at)
    return say(
        "OVERDUE since {due}. {out}. Need longer? Text LATE 20. Alarm goes out {alarm}.",
        due=due,
        out=out(dive),
        alarm=time_of(dive, dive.alarm_due_at, event.at),
    )


def _alert(dive: Dive, event: StepTaken) -> list[Draft]:
    return alarm_to(dive, _of_step(dive, event), MessageKind.ALERT, _ladder(event), cry(dive), act_alert(dive))


def _distress(dive: Dive, event: StepTaken) -> list[Draft]:
    drafts = alarm_to(
        dive, _of_step(dive, event), MessageKind.DISTRESS, _ladder(event), distress_cry(dive), act_distress(dive)
    )
    # Where a sender is slow, who has not heard it at all comes before who hears it again.
    repeats = (event.number - 1) * len(dive.contacts)
    return [replace(draft, rank=draft.rank + repeats) for draft in drafts]


def act_alert(dive: Dive) -> list[Part]:
    """What whoever is alerted does: call them, then rescue."""
    real = say("Call rescue: {rescue}. Say {what}, give position.", rescue=call_rescue(dive), what=what_to_say(dive))
    return [*call_them(dive), keep(say("No answer? {rescue}", rescue=to_rescue(dive, real)))]


def act_distress(dive: Dive) -> list[Part]:
    """What everybody does at distress: call rescue, then them."""
    rescue = say(
        "Call {rescue}. Say {what}, give position and number.", rescue=call_rescue(dive), what=what_to_say(dive)
    )
    return [keep(to_rescue(dive, rescue)), *call_them(dive, behind_rescue=True)]


def cry(dive: Dive) -> Phrase:
    """How an alert begins."""
    return say("OVERDUE:") if dive.raised_by is None else say("ALARM:")


def distress_cry(dive: Dive) -> Phrase:
    """How an alarm begins that sends everybody to call rescue."""
    if dive.drill:
        return cry(dive)
    return say("OVERDUE, CALL RESCUE NOW:") if dive.raised_by is None else say("ALARM, CALL RESCUE NOW:")


def what_to_say(dive: Dive) -> Phrase:
    """What rescue is told that it is."""
    if dive.call_from_ashore is not None:
        return say("somebody in trouble")
    return say("overdue divers") if dive.raised_by is None else say("divers in trouble")


@dataclass(frozen=True, slots=True)
class Cause:
    """What makes an alarm go out: its name, when it is worded, and when it was due."""

    name: str
    at: datetime
    due_at: datetime


def _ladder(event: StepTaken) -> Cause:
    return Cause(event.step, event.at, event.due_at)


def _of_step(dive: Dive, event: StepTaken) -> list[Recipient]:
    return [contact for contact in dive.contacts if contact.key in event.to]


def alarm_to(
    dive: Dive, people: list[Recipient], kind: MessageKind, cause: Cause, opening: Phrase, act: list[Part]
) -> list[Draft]:
    """The whole alarm, which stands alone: what it is, who and where, what to do now, how to answer."""
    parts = [keep(opening), *_facts(dive, cause.at), *act, how_to_answer(dive)]
    return to_each(dive, people, kind, cause.name, parts, cause.due_at, link=LinkKind.ALARM)


def _facts(dive: Dive, now: datetime) -> list[Part]:
    """Who and how many, where, since when, last heard: in the order in which rescue asks."""
    return [*_about(dive, now), *last_heard(dive, now)]


def _about(dive: Dive, now: datetime, *, named: bool = True) -> list[Part]:
    whose = [may_go(2, words) for words in elsewhere(dive)]
    return [about_whom(dive, named=named), *out_so_far(dive), *where(dive, now), since(dive, now), *whose]


def _hand_up(dive: Dive, event: StepTaken) -> list[Draft]:
    parts = [
        keep(say("{unanswered}. Dive {ref}:", unanswered=_unresolved(dive, event), ref=dive.reference)),
        *who_acts(dive, event.at),
        *_facts(dive, event.at),
        *call_them(dive),
        keep(to_rescue(dive, say("Act now: rescue {rescue}.", rescue=call_rescue(dive)))),
        may_go(4, say("Contacts: {names}.", names=names(dive.contacts))),
        how_to_answer(dive),
    ]
    return to_each(dive, [EVERY_ADMIN], MessageKind.DISTRESS, event.step, parts, event.due_at, link=LinkKind.ALARM)


def _unresolved(dive: Dive, event: StepTaken) -> Phrase:
    """How long the contacts have had to answer: since they were told, which may be later than it was due.

    Where one has answered, how long ago that was: neither a call to rescue nor an end came of it. Before all comes
    that rescue was not called though it was said: who believed it waited for nothing.
    """
    if dive.not_called_after_all:
        return say("RESCUE NOT CALLED AFTER ALL")
    if dive.acknowledged:
        since_then = minutes(event.at - dive.acknowledged[-1].at)
        return say("ANSWERED {minutes} min AGO, NOT RESOLVED", minutes=since_then)
    if not dive.reachable_contacts:
        by_text = say("NO CONTACT CAN BE REACHED BY TEXT")
        return say("NO CONTACT CAN BE REACHED") if calls_come_first(dive) else by_text
    told_at = min((told.at for told in dive.alerted), default=event.at)
    waited = minutes(event.at - told_at)
    return (
        say("NO CONTACT HAS ANSWERED for {minutes} min", minutes=waited)
        if waited
        else say("NO CONTACT HAS ANSWERED YET")
    )


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
    Step.ASK_OUT: _reminder(ask_out),
}


def on_alarm_raised(dive: Dive, event: AlarmRaised) -> list[Draft]:
    """Somebody's word raised it: every contact hears it at once, word for word. What a keeper has told is not again."""
    if event.told_at is not None:
        return []
    by_diver = event.by.role is Role.DIVER
    parts = [
        keep(say("ALARM AGAIN:") if event.reopened else say("ALARM:")),
        keep(_who_raised(dive, event)),
        *_about(dive, event.at, named=False),
        *([] if by_diver or dive.call_from_ashore else last_heard(dive, event.at)),
        *call_them(dive),
        *_in_doubt_call(dive),
        how_to_answer(dive),
    ]
    told = to_contacts(dive, MessageKind.ALERT, "raised", parts, event.at, but=event.by.key)
    again = event.again and event.by.role is not Role.DIVER
    answer = passed_on(dive, event.by) if again else raised_answer(dive, event.by)
    return told + reply(dive, event.by, event.at, *answer)


def _who_raised(dive: Dive, event: AlarmRaised) -> Phrase:
    said = event.note or event.by.words
    name, at = Name(event.by.name), time_of(dive, event.by.said_at or event.at, event.at)
    if said:
        return say("{name} {time} says {quote}.", name=name, time=at, quote=quote(said))
    return say("{name} {time}.", name=name, time=at)


def _in_doubt_call(dive: Dive) -> list[Part]:
    call = keep(to_rescue(dive, say("In doubt call rescue now: {rescue}.", rescue=call_rescue(dive))))
    return [call] if dive.drill else [call, may_go(2, say("Say {what}, give position.", what=what_to_say(dive)))]
