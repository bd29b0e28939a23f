"""Why not, for the person who asked. Each fits one text with the club's name before it, in every language."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from service.domain.dive.commands import Finish, Refusal, ReportSafe
from service.domain.dive.state import REOPEN_WITHIN, Dive
from service.domain.grace import FinishNeeds
from service.domain.language import Moment, Name, Phrase, Words, count, say
from service.domain.local_time import LocalTimeError, RepeatedTimeError, SkippedTimeError, minutes
from service.domain.people import Actor, Role
from service.domain.place.fix import FAR_M
from service.domain.plan import PARTY_MAX

SAY_HOW_IT_STANDS = frozenset(
    {"no_alarm", "not_started", "already_started", "only_the_party", "not_called", "called_by_another"}
)
"""Codes of those whose words no longer hold once a dive goes in, its alarm is up, or it is said that rescue was called
or was not."""
TOO_LONG_OVER = "closed_too_long"
"""Code of that of a call for help which opens no dive any more."""


def _time(dive: Dive, at: datetime | None, now: datetime) -> Moment | Phrase:
    return say("the planned time") if at is None else Moment(at, dive.plan.site.zone, now)


def _clock(dive: Dive) -> Phrase:
    """Nobody may think that a clock runs which does not."""
    if dive.started_at is not None:
        return say("The clock goes on.")
    return say("The alarm stays up.") if dive.alarmed else say("The clock is not running.")


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
    return Refusal("already_filed", say("This plan is filed already (ref {ref}).", ref=dive.reference), now)


def closed(dive: Dive, now: datetime) -> Refusal:
    """It is over."""
    name = Name(dive.closed_by.name) if dive.closed_by else say("the clock")
    when = _time(dive, dive.closed_at, now)
    words = say(
        "Dive {ref} is over: closed {time} by {name}. In trouble? Text SOS.", ref=dive.reference, time=when, name=name
    )
    return Refusal("closed", words, now)


def no_drill(_: Dive, now: datetime) -> Refusal:
    """Only an exercise ends because somebody at the desk says so. Only the desk asks for it."""
    return Refusal("no_drill", "This is no drill: it ends when all are out.", now)


def closed_too_long(dive: Dive, now: datetime) -> Refusal:
    """An alarm for a dive that has been over for long, or an exercise that is over: rescue itself is what is left."""
    hours, rescue = minutes(REOPEN_WITHIN) // 60, dive.plan.site.rescue_call
    if dive.drill:
        over = say("This exercise is over; no alarm went out. No exercise? Call rescue: {rescue}", rescue=rescue)
        return Refusal("drill_over", over, now)
    real = say(
        "This dive closed over {hours} hours ago; no alarm went out. Call rescue now: {rescue}",
        hours=hours,
        rescue=rescue,
    )
    return Refusal(TOO_LONG_OVER, real, now)


def already_started(dive: Dive, counted: int | None, now: datetime) -> Refusal:
    """IN twice. A head count only grows by it: of fewer, all that went in have to come out."""
    if counted is not None and counted < dive.head_count:
        runs, all_in = _runs(dive, now), dive.head_count
        words: Words = say("{words} It stays {all}; a smaller count is not taken.", words=runs, all=all_in)
    elif dive.assumed:
        words = clock_runs(dive, now)
    else:
        words = say("{words} More in? Text IN and P with the number.", words=_runs(dive, now))
    return Refusal("already_started", words, now)


def clock_runs(dive: Dive, now: datetime) -> Words:
    """Since when and for how many; with an assumed start the diver may need longer."""
    words = _runs(dive, now)
    return say("{words} Need longer? Text LATE and minutes.", words=words) if dive.assumed else words


def _runs(dive: Dive, now: datetime) -> Words:
    return say(
        "The clock has run since {time} for {heads}. Due out {due}.",
        time=_time(dive, dive.started_at, now),
        heads=count("{count} diver", "{count} divers", dive.head_count),
        due=_time(dive, dive.due_out_at, now),
    )


def alarm_is_up(dive: Dive, now: datetime) -> Refusal:
    """A start while the alarm is up."""
    return Refusal("alarm_is_up", say("The alarm is up for dive {ref}. All out? Text OUT.", ref=dive.reference), now)


def no_such_time(time: str, error: LocalTimeError) -> Words:
    """A time at the site (HH:MM) that the change of the clocks leaves out, or makes come twice."""
    if isinstance(error, SkippedTimeError):
        return say("{time} does not exist then: the clocks go forward. Give a later time.", time=time)
    if isinstance(error, RepeatedTimeError):
        return say("{time} comes twice then: the clocks go back. Give a time outside that hour.", time=time)
    return str(error)


def head_count_out_of_range(now: datetime) -> Refusal:
    """A start with a count that cannot be."""
    words = say("How many divers go in? Text IN and P with the number, like IN P2.")
    return Refusal("head_count", words, now)


def not_started(dive: Dive, by: Actor, now: datetime) -> Refusal:
    """The clock is not running. The start code is for the divers: nobody ashore can know that they went in."""
    words = say("The clock is not running yet. Going in? Text IN {code}. Not diving? Text NOGO.", code=dive.start_code)
    if by.role in (Role.CONTACT, Role.ADMIN):
        words = say(
            "There is no alarm: nobody has said that they went in. Know of trouble? Text SOS {ref}.",
            ref=dive.reference,
        )
    return Refusal("not_started", words, now)


def in_the_water(dive: Dive, now: datetime) -> Refusal:
    """NOGO in mid-dive is no finish."""
    words = say(
        "Clock running since {time}; it goes on. All out? Text {finish}",
        time=_time(dive, dive.started_at, now),
        finish=finish_text(dive),
    )
    return Refusal("in_the_water", words, now)


def not_of_this_dive(dive: Dive, now: datetime) -> Refusal:
    """A phone that the dive does not know answers an alarm."""
    words = say(
        "This phone is not of dive {ref}. Nothing changed. In danger call {rescue}",
        ref=dive.reference,
        rescue=dive.plan.site.rescue_call,
    )
    return Refusal("not_of_this_dive", words, now)


def finish_needs_code(dive: Dive, now: datetime) -> Refusal:
    """This finish carries no proof."""
    words = say("{clock} To finish, text OUT and your finish code.", clock=_clock(dive))
    return Refusal("finish_needs_code", words, now)


def finish_needs_count(dive: Dive, now: datetime) -> Refusal:
    """This club wants heads counted."""
    words = say(
        "{clock} Count heads, then text OUT and the number, like OUT {all}.", clock=_clock(dive), all=dive.head_count
    )
    return Refusal("finish_needs_count", words, now)


def safe_needs_count(dive: Dive, now: datetime) -> Refusal:
    """SAFE without a number."""
    words = say("How many are safe? If all {all} are, text SAFE {all} {ref}.", all=dive.head_count, ref=dive.reference)
    return Refusal("safe_needs_count", words, now)


def contact_says_out(dive: Dive, now: datetime) -> Refusal:
    """A contact sends the diver's word."""
    words = say(
        "{clock} If all {all} are safe, text SAFE {all} {ref}.",
        clock=_clock(dive),
        all=dive.head_count,
        ref=dive.reference,
    )
    return Refusal("contact_says_out", words, now)


def more_than_the_party(dive: Dive, counted: int, now: datetime) -> Refusal:
    """More out than went in is not understood, so it stops nothing."""
    went_in = say("{out} out, but {all} went in.", out=counted, all=dive.head_count)
    planned = say("{out} out, but {all} are in the plan.", out=counted, all=dive.head_count)
    words = say(
        "{fault} {clock} All out? Text {finish}",
        fault=planned if dive.started_at is None else went_in,
        clock=_clock(dive),
        finish=finish_text(dive),
    )
    return Refusal("more_than_the_party", words, now)


def of_another_party(dive: Dive, command: Finish | ReportSafe, now: datetime) -> Refusal:
    """Out of more or fewer than we know of: whoever is asked says how many there are, and nothing is closed."""
    out, of, all_in = command.count or 0, command.of or 0, dive.head_count
    went_in = say("{out} of {of}, but {all} went in.", out=out, of=of, all=all_in)
    planned = say("{out} of {of}, but {all} are in the plan.", out=out, of=of, all=all_in)
    fault = planned if dive.started_at is None else went_in
    if isinstance(command, ReportSafe) and command.by.role is not Role.DIVER:
        words = say(
            "{fault} {clock} Missing? SOS {ref}. All safe? Text SAFE {all} {ref}",
            fault=fault,
            clock=_clock(dive),
            ref=dive.reference,
            all=all_in,
        )
    elif dive.started_at is not None and all_in < of <= PARTY_MAX:
        words = say(
            "{fault} {clock} {of} in? Text IN P{of}. Missing? SOS. All out? Text {finish}",
            fault=fault,
            clock=_clock(dive),
            of=of,
            finish=_counted(dive),
        )
    else:
        words = say("{fault} {clock} All out? Text {finish}", fault=fault, clock=_clock(dive), finish=_counted(dive))
    return Refusal("of_another_party", words, now)


def _counted(dive: Dive) -> str:
    """The finish with its head count, whether or not the club asks for one: how many there are is in doubt."""
    words = finish_text(dive)
    return words if words.endswith(f" {dive.head_count}") else f"{words} {dive.head_count}"


def only_the_party_is_late(dive: Dive, now: datetime) -> Refusal:
    """Somebody ashore cannot give the divers more time."""
    if not dive.live:
        return Refusal("only_the_party", say("Nothing changed. {clock}", clock=_clock(dive)), now)
    stays = say("Alarm time stays {time}.", time=_time(dive, dive.raise_by_at, now))
    alarm = say("The alarm is up and stays.") if dive.alarmed else stays
    return Refusal("only_the_party", say("Only the divers can move due out. {alarm}", alarm=alarm), now)


def past_the_cap(dive: Dive, latest: datetime, now: datetime) -> Refusal:
    """More than the club allows; says what would still do."""
    last = Moment(latest, dive.plan.site.zone, now)
    left = minutes(latest - dive.due_out_at) if dive.due_out_at and latest > now else 0
    could = say("The latest is {time}: text LATE {minutes}.", time=last, minutes=left)
    words = say(
        "Too late for this dive. {latest} Due out stays {due}.",
        latest=could if left > 0 else say("{time} is the latest.", time=last),
        due=_time(dive, dive.due_out_at, now),
    )
    return Refusal("past_the_cap", words, now)


def not_later(dive: Dive, wanted: datetime, now: datetime) -> Refusal:
    """A new time that has passed, or is no later than due out."""
    base = dive.due_out_at or now
    enough = minutes(max(now - base, timedelta(0))) + 10
    words = say(
        "{time} is not later. Due out stays {due}. More time? Text LATE {minutes}.",
        time=Moment(wanted, dive.plan.site.zone, now),
        due=_time(dive, dive.due_out_at, now),
        minutes=enough,
    )
    return Refusal("not_later", words, now)


def comes_twice(dive: Dive, possible: Sequence[datetime], now: datetime) -> Refusal:
    """A new time that comes twice, of which either could be meant: minutes say which."""
    base = dive.due_out_at or now
    first, other = possible[:2]
    zone = dive.plan.site.zone
    words = say(
        "That time comes twice. Text LATE {first} for {early}, LATE {other} for {late}. Due out stays {due}.",
        first=_minutes_up_to(first - base),
        early=Moment(first, zone, now),
        other=_minutes_up_to(other - base),
        late=Moment(other, zone, now),
        due=_time(dive, base, now),
    )
    return Refusal("comes_twice", words, now)


def _minutes_up_to(length: timedelta) -> int:
    """As many whole minutes as reach so far: a due out has its seconds, the clock at the site shows none."""
    return -minutes(-length)


def diver_cannot_acknowledge(dive: Dive, now: datetime) -> Refusal:
    """OK from the party is no finish."""
    words = say(
        "OK does not stop the clock. All out? Text {finish}. Need longer? Text LATE 20.", finish=finish_text(dive)
    )
    return Refusal("diver_ok", words, now)


def nothing_to_acknowledge(dive: Dive, now: datetime) -> Refusal:
    """A contact thanks us for the start notice."""
    words = say("Thank you. There is no alarm; you will hear when they go in.")
    if dive.raise_by_at is not None:
        words = say(
            "Thank you. There is no alarm. If you have not heard that they are out by {time}, act as the plan says.",
            time=_time(dive, dive.raise_by_at, now),
        )
    return Refusal("no_alarm", words, now)


def acknowledged_already(dive: Dive, now: datetime) -> Refusal:
    """OK twice; says what comes next."""
    words = say(
        "We have your answer. Rescue called? Text CALLED {ref}. All safe? Text SAFE {all} {ref}.",
        ref=dive.reference,
        all=dive.head_count,
    )
    return Refusal("acknowledged_already", words, now)


def not_called(dive: Dive, now: datetime) -> Refusal:
    """Nobody's word stands that rescue was called, so there is none to take back; in an alarm, what to do."""
    if not dive.alarmed:
        return Refusal("not_called", say("Nothing changed. {clock}", clock=_clock(dive)), now)
    rescue, ref = dive.plan.site.rescue_call, dive.reference
    then = say("Call {rescue}, then text CALLED {ref}.", rescue=rescue, ref=ref)
    words = say("Noted already: nobody has called rescue. {then}", then=then)
    if dive.drill:
        would = say("now call {rescue}, then text CALLED {ref}", rescue=rescue, ref=ref)
        words = say("In a real alarm you would {would}.", would=would)
    return Refusal("not_called", words, now)


def called_by_another(dive: Dive, now: datetime) -> Refusal:
    """They have not called themselves; somebody else has, or so they say, and can be wrong."""
    name, time = Name(dive.called_by.name if dive.called_by else "?"), _time(dive, dive.called_at, now)
    called, ref = say("Rescue was called {time} by {name}.", time=time, name=name), dive.reference
    words = say("{called} Not so? Text NOT CALLED {ref}", called=called, ref=ref)
    if not dive.drill:
        doubt = say("In doubt call {rescue}.", rescue=dive.plan.site.rescue_call)
        words = say("{called} {doubt} Not so? Text NOT CALLED {ref}", called=called, doubt=doubt, ref=ref)
    return Refusal("called_by_another", words, now)


def no_conditions_given(now: datetime) -> Refusal:
    """Neither current nor wind."""
    words = say("Give the current or the wind, direction and speed. Nothing changed.")
    return Refusal("no_conditions", words, now)


def not_ashore(dive: Dive, now: datetime) -> Refusal:
    """Only somebody ashore can be at the site to meet rescue."""
    words = say("Only a contact or an admin of this dive can say that. {clock}", clock=_clock(dive))
    return Refusal("not_ashore", words, now)


def on_scene_already(now: datetime) -> Refusal:
    """Said before."""
    return Refusal("on_scene_already", say("It is noted already that you are at the site."), now)


def fix_time_unusable(now: datetime) -> Refusal:
    """A time that is over a year away is a fault of a program or a clock."""
    words = say(
        "The time given with that position is over a year away. Send it again with the right time, or with none."
        " Nothing changed."
    )
    return Refusal("fix_time", words, now)


def fix_too_vague(now: datetime) -> Refusal:
    """An accuracy that no search could use."""
    words = say(
        "That position is not even good to {kilometres} km. Send a better one. Nothing changed.",
        kilometres=FAR_M // 1000,
    )
    return Refusal("fix_accuracy", words, now)


def noted_too_late(now: datetime) -> Refusal:
    """The log of a dive that is long over is left as it is."""
    return Refusal("noted_too_late", "This dive has been over for more than a day: nothing is added to it.", now)
