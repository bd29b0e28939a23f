"""Why not, in words for the person who asked. Each fits one text with the club's name before it."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.domain.dive.commands import Refusal
from service.domain.dive.state import REOPEN_WITHIN, Dive
from service.domain.grace import FinishNeeds
from service.domain.local_time import minutes, say
from service.domain.people import Actor, Role
from service.domain.place.fix import FAR_M


def _time(dive: Dive, at: datetime | None, now: datetime) -> str:
    return "the planned time" if at is None else say(at, dive.plan.site.zone, now)


def _clock(dive: Dive) -> str:
    """Nobody may think that a clock runs which does not."""
    if dive.started_at is not None:
        return "The clock goes on."
    return "The alarm stays up." if dive.alarmed else "The clock is not running."


def finish_text(dive: Dive) -> str:
    """What the party must text so that it is taken as a finish: with the code or the count where that is asked."""
    words = "OUT"
    if dive.grace.finish_needs is FinishNeeds.CODE:
        words += f" {dive.finish_code}"
    if dive.grace.finish_needs is FinishNeeds.HEADCOUNT or dive.partly_out is not None:
        words += f" {dive.head_count}"
    return words


def already_filed(dive: Dive, now: datetime) -> Refusal:
    """The plan is here already."""
    return Refusal("already_filed", f"This plan is filed already (ref {dive.reference}).", now)


def closed(dive: Dive, now: datetime) -> Refusal:
    """It is over."""
    who = dive.closed_by.name if dive.closed_by else "the clock"
    when = _time(dive, dive.closed_at, now)
    return Refusal("closed", f"Dive {dive.reference} is over: closed {when} by {who}. In trouble? Text SOS.", now)


def closed_too_long(dive: Dive, now: datetime) -> Refusal:
    """An alarm for a dive that has been over for long: rescue itself is what is left."""
    hours = minutes(REOPEN_WITHIN) // 60
    call = "If this is no exercise, call rescue" if dive.drill else "Call rescue now"
    words = f"This dive closed over {hours} hours ago; no alarm went out. {call}: {dive.plan.site.rescue_call}"
    return Refusal("closed_too_long", words, now)


def already_started(dive: Dive, now: datetime) -> Refusal:
    """IN twice; with an assumed start the diver may need longer."""
    since, due = _time(dive, dive.started_at, now), _time(dive, dive.due_out_at, now)
    longer = " Need longer? Text LATE and minutes." if dive.assumed else ""
    return Refusal("already_started", f"The clock has run since {since}. Due out {due}.{longer}", now)


def alarm_is_up(dive: Dive, now: datetime) -> Refusal:
    """A start while the alarm is up."""
    return Refusal("alarm_is_up", f"The alarm is up for dive {dive.reference}. All out? Text OUT.", now)


def head_count_out_of_range(now: datetime) -> Refusal:
    """A start with a count that cannot be."""
    return Refusal("head_count", "How many divers go in? Text IN and P with the number, like IN P2.", now)


def not_started(dive: Dive, by: Actor, now: datetime) -> Refusal:
    """The clock is not running. The start code is for the divers: nobody ashore can know that they went in."""
    words = f"The clock is not running yet. Going in? Text IN {dive.start_code}. Not diving? Text NOGO."
    if by.role in (Role.CONTACT, Role.ADMIN):
        words = f"There is no alarm: nobody has said that they went in. Know of trouble? Text SOS {dive.reference}."
    return Refusal("not_started", words, now)


def in_the_water(dive: Dive, now: datetime) -> Refusal:
    """NOGO in mid-dive is no finish."""
    since = _time(dive, dive.started_at, now)
    return Refusal("in_the_water", f"Clock running since {since}; it goes on. All out? Text {finish_text(dive)}", now)


def not_of_this_dive(dive: Dive, now: datetime) -> Refusal:
    """A phone that the dive does not know answers an alarm."""
    words = f"This phone is not of dive {dive.reference}. Nothing changed. In danger call {dive.plan.site.rescue_call}"
    return Refusal("not_of_this_dive", words, now)


def finish_needs_code(dive: Dive, now: datetime) -> Refusal:
    """This finish carries no proof."""
    return Refusal("finish_needs_code", f"{_clock(dive)} To finish, text OUT and your finish code.", now)


def finish_needs_count(dive: Dive, now: datetime) -> Refusal:
    """This club wants heads counted."""
    words = f"{_clock(dive)} Count heads, then text OUT and the number, like OUT {dive.head_count}."
    return Refusal("finish_needs_count", words, now)


def safe_needs_count(dive: Dive, now: datetime) -> Refusal:
    """SAFE without a number."""
    words = f"How many are safe? If all {dive.head_count} are, text SAFE {dive.head_count} {dive.reference}."
    return Refusal("safe_needs_count", words, now)


def contact_says_out(dive: Dive, now: datetime) -> Refusal:
    """A contact sends the diver's word."""
    words = f"{_clock(dive)} If all {dive.head_count} are safe, text SAFE {dive.head_count} {dive.reference}."
    return Refusal("contact_says_out", words, now)


def more_than_the_party(dive: Dive, count: int, now: datetime) -> Refusal:
    """More out than went in is not understood, so it stops nothing."""
    known = "went in" if dive.started_at is not None else "are in the plan"
    words = f"{count} out, but {dive.head_count} {known}. {_clock(dive)} All out? Text {finish_text(dive)}"
    return Refusal("more_than_the_party", words, now)


def only_the_party_is_late(dive: Dive, now: datetime) -> Refusal:
    """Somebody ashore cannot give the divers more time."""
    alarm = "The alarm is up and stays." if dive.alarmed else f"Alarm time stays {_time(dive, dive.raise_by_at, now)}."
    words = f"Only the divers can move due out. {alarm}" if dive.live else f"Nothing changed. {_clock(dive)}"
    return Refusal("only_the_party", words, now)


def past_the_cap(dive: Dive, latest: datetime, now: datetime) -> Refusal:
    """More than the club allows; says what would still do."""
    last = say(latest, dive.plan.site.zone, now)
    left = minutes(latest - dive.due_out_at) if dive.due_out_at and latest > now else 0
    hint = f"The latest is {last}: text LATE {left}." if left > 0 else f"{last} is the latest."
    due = _time(dive, dive.due_out_at, now)
    return Refusal("past_the_cap", f"Too late for this dive. {hint} Due out stays {due}.", now)


def not_later(dive: Dive, wanted: datetime, now: datetime) -> Refusal:
    """A new time that has passed, or is no later than due out."""
    due, new = _time(dive, dive.due_out_at, now), say(wanted, dive.plan.site.zone, now)
    base = dive.due_out_at or now
    enough = minutes(max(now - base, timedelta(0))) + 10
    return Refusal("not_later", f"{new} is not later. Due out stays {due}. More time? Text LATE {enough}.", now)


def diver_cannot_acknowledge(dive: Dive, now: datetime) -> Refusal:
    """OK from the party is no finish."""
    words = f"OK does not stop the clock. All out? Text {finish_text(dive)}. Need longer? Text LATE 20."
    return Refusal("diver_ok", words, now)


def nothing_to_acknowledge(dive: Dive, now: datetime) -> Refusal:
    """A contact thanks us for the start notice."""
    by = _time(dive, dive.raise_by_at, now)
    if dive.raise_by_at is None:
        return Refusal("no_alarm", "Thank you. There is no alarm; you will hear when they go in.", now)
    words = f"Thank you. There is no alarm. If you have not heard that they are out by {by}, act as the plan says."
    return Refusal("no_alarm", words, now)


def acknowledged_already(dive: Dive, now: datetime) -> Refusal:
    """OK twice; says what comes next."""
    words = (
        f"We have your answer. Rescue called? Text CALLED {dive.reference}."
        f" All safe? Text SAFE {dive.head_count} {dive.reference}."
    )
    return Refusal("acknowledged_already", words, now)


def no_conditions_given(now: datetime) -> Refusal:
    """Neither current nor wind."""
    return Refusal("no_conditions", "Give the current or the wind, direction and speed. Nothing changed.", now)


def not_ashore(dive: Dive, now: datetime) -> Refusal:
    """Only somebody ashore can be at the site to meet rescue."""
    words = f"Only a contact or an admin of this dive can say that. {_clock(dive)}"
    return Refusal("not_ashore", words, now)


def on_scene_already(now: datetime) -> Refusal:
    """Said before."""
    return Refusal("on_scene_already", "It is noted already that you are at the site.", now)


def fix_time_unusable(now: datetime) -> Refusal:
    """A time that is over a year away is a fault of a program or a clock."""
    words = "The time given with that position is over a year away. Send it again with the right time, or with none."
    return Refusal("fix_time", f"{words} Nothing changed.", now)


def fix_too_vague(now: datetime) -> Refusal:
    """An accuracy that no search could use."""
    words = f"That position is not even good to {FAR_M // 1000} km. Send a better one. Nothing changed."
    return Refusal("fix_accuracy", words, now)
