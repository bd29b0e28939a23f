"""What is said in a voice call: once, since the call itself says it again; then a key is asked for.

Short and plain: at most about 40 s for one saying. Counted are 150 words a minute, which is common practice for speech
that must be followed by ear (no source), and each digit is a word. Numbers and positions are said digit by digit, in
groups with a pause between them, since somebody writes them down. No links: nobody can press them.
"""

from __future__ import annotations

import re
from datetime import datetime

from service.domain.dive import events as ev
from service.domain.dive.state import Dive
from service.domain.language import Moment, Name, Phrase, Words, count, render, say
from service.domain.people import Recipient
from service.domain.phone import dialled_from
from service.domain.place.position import Position
from service.domain.wording.phrases import elsewhere

WORDS_PER_MIN = 150
SECONDS_MAX = 40
PLACES = 5
QUOTE_MAX = 40  # characters of somebody's own words; the texts have more of them
_DIGITS = re.compile(r"\d+")


def seconds_of(words: str) -> float:
    """How long it takes to say it once, digits one by one."""
    return len(_DIGITS.sub(lambda digits: " ".join(digits[0]), words).split()) * 60 / WORDS_PER_MIN


def alarm(dive: Dive, person: Recipient, now: datetime, *, rescue_now: bool) -> str:
    """The alarm: what, who and how many, where, since when, what to do, whom to call, which key.

    Where that takes too long, the club's name gives way, then the words of whoever raised it: the texts have them.
    """
    facts: list[Words] = [
        *([say("Rescue was not called after all.")] if dive.not_called_after_all else []),
        *_out_so_far(dive),
        *_since(dive, now),
        *_act(dive, person, rescue_now=rescue_now),
        *_where(dive),
        say("Press 1 to say that you have it."),
    ]
    ours = [*_exercise(dive), say("This is Linetender.")]
    shorter = (
        [*_opening(dive), _cry(dive), *_said(dive), *facts],
        [*ours, _cry(dive), *_said(dive), *facts],
    )
    said = (_spoken(phrases, person) for phrases in shorter)
    shortest = _spoken([*ours, _cry(dive), *facts], person)
    return next((words for words in said if seconds_of(words) <= SECONDS_MAX), shortest)


def start_notice(dive: Dive, person: Recipient, now: datetime) -> str:
    """The plan to keep: until when to wait, and what to do then."""
    went_in = _time(dive, dive.started_at, now)
    who, site = _who(dive), Name(dive.plan.site.name)
    began = (
        say("{who}, planned to go in at {time}, at {site}.", who=who, time=went_in, site=site)
        if dive.assumed
        else say("{who}, went in at {time}, at {site}.", who=who, time=went_in, site=site)
    )
    return _spoken(
        [*_opening(dive), say("Please write this down."), began, *_raise_by(dive, person, now), _heard_it()],
        person,
    )


def late_notice(dive: Dive, person: Recipient, event: ev.Started) -> str:
    """The plan for those who are not alerted yet, where the first of them already is."""
    site, due = Name(dive.plan.site.name), _time(dive, dive.due_out_at, event.at)
    first = ", ".join(contact.name for contact in dive.contacts if contact.key in event.spared)
    phrases: list[Words] = [
        *_opening(dive),
        say("{who}, planned to dive at {site}. They were due out at {due}.", who=_who(dive), site=site, due=due),
        say("Nobody has said that they are out. {names} hears it first.", names=Name(first)),
        say("If you are next:"),
        *_call_them(dive, person),
        _rescue_then(dive),
        _heard_it(),
    ]
    return _spoken(phrases, person)


def later(dive: Dive, person: Recipient, due_out_at: datetime, now: datetime) -> str:
    """A new raise-by time."""
    new_due, raise_by = _time(dive, due_out_at, now), _time(dive, due_out_at + dive.grace.grace, now)
    phrases: list[Words] = [
        *_opening(dive),
        say("New time for {who}: due out at {due}.", who=_who(dive), due=new_due),
        *elsewhere(dive),
        say("Wait until {time}. If you have not heard by then that all are out:", time=raise_by),
        *_call_them(dive, person),
        _rescue_then(dive),
        _heard_it(),
    ]
    return _spoken(phrases, person)


def stand_down(dive: Dive, person: Recipient, event: ev.Closed) -> str:
    """It is over, and whose word that is."""
    phrases: list[Words] = [*_opening(dive), *_how_it_ended(dive, event)]
    if event.outcome is not ev.Outcome.LAPSED:
        at = _time(dive, event.at, event.at)
        phrases.append(say("Said by {name} at {time}.", name=Name(event.by.name), time=at))
    if dive.called_at is not None:
        over = say("Tell rescue now that it is over.")
        phrases.append(say("In a real alarm you would now tell rescue that it is over.") if dive.drill else over)
    elif dive.alarm_at is not None:
        phrases.append(say("Please stand down, and tell anyone you called."))
    return _spoken([*phrases, _heard_it()], person)


def _how_it_ended(dive: Dive, event: ev.Closed) -> list[Words]:
    name, site = Name(dive.lead.name), Name(dive.plan.site.name)
    if event.outcome is ev.Outcome.LAPSED:
        return [say("The plan of {name} for {site} has lapsed. Nobody is known to have gone in.", name=name, site=site)]
    if event.outcome is ev.Outcome.CALLED_OFF and dive.drill:
        real = event.reason == ev.REAL_ALARM
        over = say("the exercise is over because of a real alarm.") if real else say("the exercise is over.")
        return [over]
    if event.outcome is ev.Outcome.CALLED_OFF:
        return [say("The dive of {name} at {site} was called off. Nobody is diving.", name=name, site=site)]
    over = say("It is over for {name} at {site}.", name=name, site=site)
    return [over, count("{count} diver is safe.", "{count} divers are safe.", event.count or dive.head_count)]


def has_it(dive: Dive, person: Recipient) -> str:
    """The answer to the key that takes an alarm: what to do next."""
    if dive.called_at is not None:
        return _spoken([say("Thank you. Rescue has been called. Keep your phone free.")], person)
    return _spoken([say("Thank you. You have it."), *_act(dive, person, rescue_now=False)], person)


def heard_it(language: str) -> str:
    """The answer to the key in a call that asks for nothing."""
    return render(say("Thank you. Goodbye."), language)


def over_already(language: str) -> str:
    """The answer to the key where there is nothing left to take."""
    return render(say("Thank you. This alarm is over, there is nothing to do. Goodbye."), language)


def not_known(language: str) -> str:
    """The answer to a key in a call that we do not know, or whose dive cannot be read: what they heard still holds."""
    return render(say("Thank you. Please act on what you have heard. Goodbye."), language)


def wrong_key(language: str) -> str:
    """The answer to any other key."""
    return render(say("That key has no meaning here. Please press 1."), language)


def as_said(text: str) -> str:
    """A text of ours read out: its numbers slowly, and a key at the end; for where nothing but the text is known."""
    return " ".join((slowly(text), render(_heard_it())))


def slowly(text: str) -> str:
    """Numbers digit by digit, with a pause between two groups: "07700 900999" is "0 7 7 0 0, 9 0 0 9 9 9"."""
    grouped = re.sub(r"(?<=\d)[\s()/-]+(?=\d)", ", ", text)
    return " ".join(_DIGITS.sub(lambda digits: " ".join(digits[0]), grouped.replace("+", " + ")).split())


def _spoken(phrases: list[Words], person: Recipient) -> str:
    """All of it in the person's language; whatever blanks and line breaks a name brings along are one blank."""
    return " ".join(" ".join(render(words, person.language) for words in phrases).split())


def _opening(dive: Dive) -> list[Words]:
    return [*_exercise(dive), say("This is Linetender, for {club}.", club=Name(dive.club_name))]


def _exercise(dive: Dive) -> list[Words]:
    return [say("Exercise. This is a drill, nobody is in danger.")] if dive.drill else []


def _heard_it() -> Phrase:
    return say("Press 1 to say that you have heard this.")


def _time(dive: Dive, at: datetime | None, now: datetime) -> Moment | str:
    return "?" if at is None else Moment(at, dive.plan.site.zone, now, aloud=True)


def _who(dive: Dive) -> Phrase:
    name = Name(dive.lead.name)
    return count("{name}, {count} diver", "{name} and others, {count} divers in all", dive.head_count, name=name)


def _cry(dive: Dive) -> Phrase:
    who, site = _who(dive), Name(dive.plan.site.name)
    if dive.raised_by is None:
        return say("Overdue from a dive: {who}, at {site}.", who=who, site=site)
    if dive.raised_by.key == dive.lead.key:
        return say("Alarm from {who}, at {site}.", who=who, site=site)
    by = Name(dive.raised_by.name)
    if dive.call_from_ashore is not None:
        return say("{name} calls for help, a contact of {who}, at {site}.", name=by, who=who, site=site)
    return say("{name} has raised the alarm for {who}, at {site}.", name=by, who=who, site=site)


def _said(dive: Dive) -> list[Words]:
    """Why the alarm was raised, in the words of whoever raised it."""
    said = "" if dive.raised_by is None else " ".join((dive.raised_note or dive.raised_by.words).split())
    if not said:
        return []
    begun = said if len(said) <= QUOTE_MAX else said[:QUOTE_MAX].rpartition(" ")[0] or said[:QUOTE_MAX]
    return [say('The words were: "{words}".', words=Name(begun))]


def _out_so_far(dive: Dive) -> list[Words]:
    if dive.partly_out is None:
        return []
    return [say("{out} of {all} are said to be out.", out=dive.partly_out, all=dive.head_count)]


def _since(dive: Dive, now: datetime) -> list[Words]:
    if dive.raised_early:
        return [say("It is planned for {time}, and no start is known.", time=_time(dive, dive.plan.time_in_at, now))]
    if dive.started_at is None:
        return [say("It is not known that they went in.")]
    return [say("They were due out at {due}.", due=_time(dive, dive.due_out_at, now))]


def _act(dive: Dive, person: Recipient, *, rescue_now: bool) -> list[Words]:
    """Whom to call, rescue first when it is time; in a drill only what a real alarm would ask."""
    rescue = slowly(dive.plan.site.rescue_call)
    if dive.drill:
        would = say("In a real alarm you would now call rescue: {rescue}.", rescue=rescue)
    elif rescue_now:
        would = say("Call rescue now: {rescue}.", rescue=rescue)
    else:
        would = say("If they do not answer, call rescue: {rescue}.", rescue=rescue)
    them = _call_them(dive, person)
    return [would, *them] if rescue_now else [*them, would]


def _call_them(dive: Dive, person: Recipient) -> list[Words]:
    call = dive.call_from_ashore
    by = None if call is None else call.by
    if by is not None and by.phone is not None and by.phone != person.phone:
        return [say("Call them: {number}.", number=slowly(dialled_from(by.phone, person.phone)))]
    if dive.lead.phone is None:
        return [say("Call them.")]
    return [say("Call them: {number}.", number=slowly(dialled_from(dive.lead.phone, person.phone)))]


def _raise_by(dive: Dive, person: Recipient, now: datetime) -> list[Words]:
    due, raise_by = _time(dive, dive.due_out_at, now), _time(dive, dive.raise_by_at, now)
    return [
        *elsewhere(dive),
        say("They are due out at {due}.", due=due),
        say("If you have not heard by {time} that all are out:", time=raise_by),
        *_call_them(dive, person),
        _rescue_then(dive),
    ]


def _rescue_then(dive: Dive) -> Phrase:
    rescue = slowly(dive.plan.site.rescue_call)
    if dive.drill:
        return say("In a real alarm you would then call rescue: {rescue}.", rescue=rescue)
    return say("Then call rescue: {rescue}.", rescue=rescue)


def _where(dive: Dive) -> list[Words]:
    at = dive.plan.site.entry if dive.fix is None else dive.fix.position
    if at is None:
        return []
    return [say("The position is {latitude}; {longitude}.", latitude=_latitude(at), longitude=_longitude(at))]


def _latitude(at: Position) -> Phrase:
    angle = _angle(at.lat)
    return say("{angle} south", angle=angle) if at.lat < 0 else say("{angle} north", angle=angle)


def _longitude(at: Position) -> Phrase:
    angle = _angle(at.lon)
    return say("{angle} west", angle=angle) if at.lon < 0 else say("{angle} east", angle=angle)


def _angle(degrees: float) -> Phrase:
    """Decimal degrees with five places, as our texts have them: "4 7 point 1 2 3, 4 5"."""
    whole, places = f"{abs(degrees):.{PLACES}f}".split(".")
    return say(
        "{whole} point {places}", whole=" ".join(whole), places=f"{' '.join(places[:3])}, {' '.join(places[3:])}"
    )
