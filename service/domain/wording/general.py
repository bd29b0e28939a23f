"""Answers that belong to no single dive, and the state of one told on request."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.domain.dive.commands import Refusal
from service.domain.dive.state import Dive, Phase
from service.domain.encoding import segments
from service.domain.language import Name, Phrase, Words, say
from service.domain.people import ENGLISH, Actor, Role
from service.domain.wording.drafts import SEGMENTS, MessageKind, compose, language_of, worded
from service.domain.wording.parts import Part, keep, may_go, reason_of
from service.domain.wording.phrases import heads, number_of, out, time_of

_LISTED_MAX = 4  # references in a question which dive is meant


def plain(club_name: str, words: Words, language: str = ENGLISH) -> str:
    """One segment from a club to anybody."""
    return worded(club_name, [keep(words)], 1, language)


def refused(dive: Dive, refusal: Refusal, language: str = ENGLISH) -> str:
    """Why not, in one segment."""
    return compose(dive, MessageKind.REPLY, [keep(refusal.said)], language)


def status(dive: Dive, by: Actor, now: datetime) -> str:
    """Where a dive stands, for whoever asks with STATUS; without the alarm's time where there is no room for it."""
    whole = _status(dive, by, now, _state(dive, now))
    return whole if len(segments(whole).parts) == 1 else _status(dive, by, now, _briefly(dive, now))


def _status(dive: Dive, by: Actor, now: datetime, state: Phrase) -> str:
    diver = by.role is Role.DIVER
    unarmed = dive.phase is Phase.IN_WATER and dive.armed_at is None
    parts = [
        may_go(1, say("{time}:", time=time_of(dive, now, now))),
        keep(say("dive {ref}", ref=dive.reference)),
        may_go(1, dive.plan.site.name),
        keep(state),
        *([keep(say("Going in? Text IN {code}", code=dive.start_code))] if diver and dive.phase is Phase.FILED else []),
        *([keep(say("NOT ARMED."))] if unarmed else []),
        *([keep(say("{out}.", out=out(dive)))] if dive.live and diver else []),
    ]
    return compose(dive, MessageKind.REPLY, parts, language_of(dive, by))


def _state(dive: Dive, now: datetime) -> Phrase:
    divers, due, alarm = (
        heads(dive.head_count),
        time_of(dive, dive.due_out_at, now),
        time_of(dive, dive.raise_by_at, now),
    )
    if dive.phase is Phase.FILED:
        return say("filed, the clock is not running.")
    if dive.phase is Phase.CLOSED:
        return say("over since {time}.", time=time_of(dive, dive.closed_at, now))
    if dive.phase is Phase.ALERT:
        return say("ALARM is up since {time}.", time=time_of(dive, dive.alarm_at, now))
    if dive.phase is Phase.DISTRESS:
        return say(
            "ALARM is up since {time}, {rescue}.", time=time_of(dive, dive.alarm_at, now), rescue=_rescue(dive, now)
        )
    if _is_overdue(dive, now):
        return say("{heads} OVERDUE since {due}, alarm {alarm}.", heads=divers, due=due, alarm=alarm)
    return say("{heads} in, due out {due}, alarm {alarm}.", heads=divers, due=due, alarm=alarm)


def _briefly(dive: Dive, now: datetime) -> Phrase:
    """The same of a dive whose clock runs, with one time less."""
    if dive.phase not in (Phase.IN_WATER, Phase.UNCERTAINTY):
        return _state(dive, now)
    divers, due = heads(dive.head_count), time_of(dive, dive.due_out_at, now)
    if _is_overdue(dive, now):
        return say("{heads} OVERDUE since {due}.", heads=divers, due=due)
    return say("{heads} in, due out {due}.", heads=divers, due=due)


def _is_overdue(dive: Dive, now: datetime) -> bool:
    """Due out may have moved since it was reached."""
    return dive.phase is Phase.UNCERTAINTY and not (dive.due_out_at is not None and dive.due_out_at > now)


def _rescue(dive: Dive, now: datetime) -> Phrase:
    if dive.called_at is not None:
        return say("rescue was called {time}", time=time_of(dive, dive.called_at, now))
    return say("a real alarm would go to rescue") if dive.drill else say("rescue is to be called")


def same_reference(club_name: str, ref: str, language: str = ENGLISH) -> str:
    """Several dives that could be meant have one reference: pages tell them apart."""
    words = say(
        "more than one dive is called {ref}. Nothing changed. Open the link in the text that you mean.", ref=ref
    )
    return plain(club_name, words, language)


def over_already(club_name: str, over: str, plan: str, text: str, language: str = ENGLISH) -> str:
    """Words that may be about a dive that is over, where only this one is open; `text` would do to it what they say."""
    words = say("dive {over} is over already, nothing changed. For {ref} text {text}.", over=over, ref=plan, text=text)
    return plain(club_name, words, language)


def not_begun(club_name: str, plan: str, text: str, language: str = ENGLISH) -> str:
    """An end where only a plan for much later is open; `text` would close that."""
    words = say("no dive of yours runs, nothing changed. For plan {ref} text {text}.", ref=plan, text=text)
    return plain(club_name, words, language)


def no_such_reference(club_name: str, ref: str, known: Sequence[str], language: str = ENGLISH) -> str:
    """A reference that is none of the sender's, who has other dives: by which references."""
    listed = ", ".join(known[:_LISTED_MAX])
    words = say("no dive {ref} of yours; you have {refs}. Nothing changed, any clock goes on.", ref=ref, refs=listed)
    return plain(club_name, words, language)


def texted_elsewhere(club_name: str, ref: str, other_club: str, number: str, language: str = ENGLISH) -> str:
    """A text to another club of the installation than that of its sender's dive; `number` (E.164) is that one's."""
    words = say(
        "your dive {ref} is with {club}: text this to {number}. Nothing changed.",
        ref=ref,
        club=Name(other_club),
        number=number,
    )
    return plain(club_name, words, language)


def no_such_code(club_name: str, language: str = ENGLISH) -> str:
    """A code that is no live dive's: mistyped, or over."""
    words = say(
        "that code is not one of ours now. Nothing changed, any clock goes on. Check the digits and text again."
    )
    return plain(club_name, words, language)


def codes_locked(club_name: str, language: str = ENGLISH) -> str:
    """Too many wrong codes from one phone."""
    words = say("too many wrong codes, no more are tried for an hour. Any clock goes on. In trouble call rescue.")
    return plain(club_name, words, language)


def no_dive(club_name: str, language: str = ENGLISH) -> str:
    """A phone with no open dive."""
    words = say(
        "no open dive for this phone, no clock runs. Have a code? Text it. To file: PLAN, site, time, minutes, P2."
    )
    return plain(club_name, words, language)


def how_it_works(club_name: str, language: str = ENGLISH) -> str:
    """The text commands in one segment."""
    words = say(
        "overdue-diver alarm. Texts: IN, OUT, LATE 20, SOS, NOGO, STATUS. No rescue service; in danger call rescue."
    )
    return plain(club_name, words, language)


def joined(club_name: str, name: str, site: str, language: str = ENGLISH) -> str:
    """Somebody proved their phone; what to text from the beach. `site` is the code of one of the club's."""
    words = say(
        "you are known here now, {name}. Going in? Text IN, the site, the minutes and how many: IN {site} 50 P2",
        name=Name(name),
        site=site,
    )
    return plain(club_name, words, language)


def no_such_join(club_name: str, lasts_min: int, language: str = ENGLISH) -> str:
    """A code of the joining page that is mistyped, used or over."""
    words = say(
        "that joining code is not one of ours now. Nothing changed. Look at the page again: a code lasts {minutes}"
        " minutes.",
        minutes=lasts_min,
    )
    return plain(club_name, words, language)


def join_code(club_name: str, code: str, lasts_min: int, language: str = ENGLISH) -> str:
    """The code that is typed on the joining page, for a phone whose owner cannot text us."""
    words = say(
        "your code to join is {code}. Type it on the page within {minutes} minutes. Not you? Do nothing.",
        code=code,
        minutes=lasts_min,
    )
    return plain(club_name, words, language)


def opted_in(club_name: str, language: str = ENGLISH) -> str:
    """Texts may be sent again."""
    return plain(club_name, say("you get our texts again."), language)


def plan_refused(club_name: str, words: Words, language: str = ENGLISH) -> str:
    """Why a plan by text was not filed; long reasons lose their tail at a word."""
    return worded(club_name, [keep(say("not filed.")), reason_of(words)], 1, language)


def plan_incomplete(club_name: str, site: str, language: str = ENGLISH) -> str:
    """A plan by text that is not whole, or not in a form that is read: what it is made of, by an example."""
    parts = [
        keep(say("not filed. Say site, time, minutes and how many: PLAN {site} 1000 50 P2.", site=site)),
        may_go(1, say("Another day? {day} before the time.", day="TOMORROW")),
    ]
    return worded(club_name, parts, 1, language)


def plan_of_which_day(club_name: str, plan: str, language: str = ENGLISH) -> str:
    """A plan for a day that may be two; `plan` files it for the next such time."""
    words = say("not filed: which day is that? For the next such time leave it out: {plan}", plan=Name(plan))
    return plain(club_name, words, language)


def filed_too(dive: Dive, now: datetime, language: str = ENGLISH) -> str:
    """A plan that was filed before and is open still, for whoever files another: they may have changed their mind."""
    site, reference, time_in_at = Name(dive.plan.site.name), dive.reference, dive.plan.time_in_at
    words = say("plan {ref} is filed too: {site}. Not that dive? Text NOGO {ref}.", ref=reference, site=site)
    if time_in_at is not None:
        time = time_of(dive, time_in_at, now)
        words = say(
            "plan {ref} is filed too: {site}, {time}. Not that dive? Text NOGO {ref}.",
            ref=reference,
            site=site,
            time=time,
        )
    return compose(dive, MessageKind.REPLY, [keep(words)], language)


def left_waiting(runs: Dive, plan: Dive, now: datetime, language: str = ENGLISH) -> str:
    """An IN that is taken for a dive which runs already, from somebody who has a plan to go in by about now."""
    words = say(
        "dive {ref} has run since {time}. Plan {plan} is NOT STARTED: going in by it? Text IN {plan}.",
        ref=runs.reference,
        time=time_of(runs, runs.started_at, now),
        plan=plan.reference,
    )
    return compose(runs, MessageKind.REPLY, [keep(words)], language)


def unreadable(club_name: str, rescue_call: str, *, told: bool, others: bool, language: str = ENGLISH) -> str:
    """A dive of the sender cannot be read. `told`: its contacts hear of it; `others`: other dives are alarmed."""
    one = say("our fault: one of your dives cannot be read.")
    only = say("our fault: your dive cannot be read, so your text changed nothing.")
    parts = [
        keep(one if others else only),
        *([keep(say("Your contacts are told."))] if told else []),
        keep(say("Phone your contacts.")),
        keep(say("In trouble call {rescue}", rescue=rescue_call)),
    ]
    return worded(club_name, parts, 2, language)


def put_aside(club_name: str, rescue_call: str, *, told: bool, language: str = ENGLISH) -> str:
    """A text on which our code failed. `told`: contacts of the sender hear of trouble all the same."""
    parts = [
        keep(say("our fault: your text changed nothing.")),
        *([keep(say("Your contacts are told."))] if told else []),
        keep(say("Phone your contacts.")),
        keep(say("In trouble call {rescue}", rescue=rescue_call)),
    ]
    return worded(club_name, parts, 2, language)


def service_fault(
    club_name: str,
    site: str,
    rescue_call: str,
    lead_name: str,
    lead_phone: str | None,
    *,
    drill: bool = False,
    language: str = ENGLISH,
) -> str:
    """The plainest alarm: the rules themselves failed on this dive, so its contacts act on what they hold."""
    real, would = say("Call rescue: {rescue}.", rescue=rescue_call), say("now call {rescue}", rescue=rescue_call)
    rescue = say("In a real alarm you would {would}.", would=would) if drill else real
    parts = [
        keep(say("SERVICE FAULT, a dive may be overdue:")),
        keep(say("{name} at {site}.", name=Name(lead_name), site=Name(site))),
        *([keep(say("Call {number}.", number=number_of(lead_phone)))] if lead_phone else []),
        keep(say("No answer? {rescue}", rescue=rescue)),
        keep(say("Act on the plan that you were sent.")),
    ]
    return worded(club_name, parts, 3, language, drill=drill)


def service_fault_over(
    club_name: str,
    lead_name: str,
    site: str,
    by_name: str,
    reference: str,
    *,
    drill: bool = False,
    language: str = ENGLISH,
) -> str:
    """The stand-down after the plainest alarm."""
    parts: list[Part] = [
        keep(say("{name}, {site}:", name=Name(lead_name), site=Name(site))),
        keep(say("the dive is over.")),
        keep(say("Said by {name}.", name=Name(by_name))),
        keep(say("Please stand down; tell anyone you called.")),
        keep(say("Ref {ref}.", ref=reference)),
    ]
    return worded(club_name, parts, SEGMENTS[MessageKind.STAND_DOWN], language, drill=drill)


def other_code(club_name: str, kind: str, language: str = ENGLISH) -> str:
    """The start code with OUT, or the finish code with IN."""
    starts = say("that code starts the clock: text IN with it. Nothing changed.")
    stops = say("that code stops the clock: text OUT with it. Nothing changed.")
    return plain(club_name, starts if kind == "start" else stops, language)


def sos_without_dive(club_name: str, rescue_call: str, language: str = ENGLISH) -> str:
    """An SOS from a phone that belongs to no dive: we know no contacts, rescue is all there is."""
    words = say("no dive for this phone, so nobody was told. Call rescue now: {rescue}", rescue=rescue_call)
    return plain(club_name, words, language)


def plan_unknown_phone(club_name: str, public_url: str, language: str = ENGLISH) -> str:
    """A plan by text needs a phone with usual contacts."""
    words = say(
        "your phone is not known here yet. Nothing is filed. File the plan at {address}", address=f"{public_url}/plan"
    )
    return plain(club_name, words, language)


def plan_without_contacts(club_name: str, public_url: str, language: str = ENGLISH) -> str:
    """A plan by text needs usual contacts."""
    words = say(
        "no usual contacts are kept for you. Nothing is filed. File the plan at {address}", address=f"{public_url}/plan"
    )
    return plain(club_name, words, language)


def no_plan_there(club_name: str, site: str, language: str = ENGLISH) -> str:
    """IN with a site for which this phone has filed no plan."""
    words = say(
        "no plan of yours for {site} was found. Nothing changed, no clock was started. File one: PLAN", site=Name(site)
    )
    return plain(club_name, words, language)
