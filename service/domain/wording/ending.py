"""How it ended: whoever was told anything is told that it is over, and by whom it was closed."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.dive.events import REAL_ALARM, Closed, Outcome
from service.domain.dive.state import Dive
from service.domain.grace import Step
from service.domain.language import Name, Phrase, say
from service.domain.people import Recipient, Via
from service.domain.wording.drafts import (
    AN_ADMIN,
    EVERY_ADMIN,
    Draft,
    MessageKind,
    acting_admins,
    an_admin,
    reply,
    strangers,
    to_each,
)
from service.domain.wording.parts import Part, keep, may_go
from service.domain.wording.phrases import heads, if_real, ref, time_of


def on_closed(dive: Dive, event: Closed) -> list[Draft]:
    """The stand-down for all who were told, and the answer for the one whose text closed it."""
    answered = event.by.phone if event.by.via is Via.TEXT else None
    parts = _news(dive, event)
    people = [person for person in _told(dive, event) if answered is None or person.phone != answered]
    if dive.of_one_phone:
        people = list(dive.contacts)  # the answer alone would leave the last leg of the exercise untried
    told = to_each(dive, people, MessageKind.STAND_DOWN, "stand_down", parts, event.at)
    return told + reply(dive, event.by, event.at, *_answer(dive, event, others=bool(told)))


def _told(dive: Dive, event: Closed) -> list[Recipient]:
    """The lead, and whoever else was told anything of this dive."""
    party = dive.party_phones if _party_was_told(dive) else (dive.lead,)
    people = [*party, *strangers(dive)]
    if dive.contacts_told or event.outcome is Outcome.LAPSED:
        people += dive.contacts
    return [*people, *_admins_told(dive, event)]


def _admins_told(dive: Dive, event: Closed) -> list[Recipient]:
    """All of them once it was handed up; before, those who took part in the alarm, but for who closes it."""
    if Step.HAND_UP in dive.steps:
        return [EVERY_ADMIN]
    raised = [one for one in (dive.raised_by, *(raising.by for raising in dive.raisings)) if one is not None]
    keys = [*acting_admins(dive), *(one.own_key for one in raised if one.own_key.startswith(AN_ADMIN))]
    return [an_admin(key) for key in dict.fromkeys(keys) if key != event.by.key]


def _party_was_told(dive: Dive) -> bool:
    """By a step, an assumed start or an alarm; who asked for a later due out was answered with one."""
    asked = dive.extensions_asked > 0
    return bool(dive.steps) or asked or dive.assumed or dive.alarm_at is not None


def _news(dive: Dive, event: Closed) -> Sequence[Part]:
    if event.outcome is Outcome.LAPSED:
        plan = say(
            "the plan of {name} for {site} has lapsed: no start was heard. No clock runs.",
            name=Name(dive.lead.name),
            site=Name(dive.plan.site.name),
        )
        return [keep(plan), ref(dive)]
    by = keep(say("Said by {name} {time}.", name=Name(event.by.name), time=time_of(dive, event.at, event.at)))
    if event.outcome is Outcome.CALLED_OFF:
        return [keep(_called_off(dive, event)), by, *_over(dive)]
    counted = heads(event.count or dive.head_count)
    if event.outcome is Outcome.SURFACED:
        return [keep(say("{heads} OUT. It is over.", heads=counted)), by, *_over(dive)]
    return [keep(say("{heads} SAFE. It is over.", heads=counted)), by, *_over(dive)]


def _called_off(dive: Dive, event: Closed) -> Phrase:
    """In an exercise nobody was ever diving; whoever was in it hears why it ends, which may concern them next."""
    if not dive.drill:
        return say("CALLED OFF, nobody is diving.")
    if event.reason == REAL_ALARM:
        return say("the exercise is over because of a real alarm.")
    return say("the exercise is over.")


def _over(dive: Dive) -> list[Part]:
    parts = [keep(say("{name}, {site}.", name=Name(dive.lead.name), site=Name(dive.plan.site.name))), ref(dive)]
    if dive.called_at is not None:
        real = say("Rescue was called: tell them now that it is over.")
        parts.append(keep(if_real(dive, real, say("now tell rescue that it is over"))))
    elif called_in_doubt(dive):
        real = say("Please stand down. Who called rescue: tell them now that it is over.")
        parts.append(keep(if_real(dive, real, say("now tell rescue that it is over"))))
    elif dive.alarm_at is not None:
        parts.append(keep(say("Please stand down; tell anyone you called.")))
    return parts


def called_in_doubt(dive: Dive) -> bool:
    """Whether somebody's word that rescue was called fell by another's: rescue may be on its way all the same."""
    return dive.called_at is None and any(one.by.own_key != one.call.by.own_key for one in dive.taken_back)


def _answer(dive: Dive, event: Closed, *, others: bool) -> list[Part]:
    """Which dive it was: whoever meant another one must see it, while the clock of that goes on."""
    whose = may_go(1, say("of {name}", name=Name(dive.lead.name)))
    return [keep(say("dive {ref}", ref=dive.reference)), whose, *_how_it_ended(dive, event, others=others)]


def _how_it_ended(dive: Dive, event: Closed, *, others: bool) -> list[Part]:
    told = say("Everybody told is told now.") if others else say("Nobody else was told.")
    tell = if_real(dive, say("Tell rescue now that it is over."), say("now tell rescue that it is over"))
    after = [keep(tell)] if dive.called_at is not None else []
    if called_in_doubt(dive) and not dive.drill:
        after.append(keep(say("Called rescue? Tell them now.")))
    after.append(may_go(2, told))
    if event.outcome is Outcome.CALLED_OFF:
        return [keep(say("called off. Its clock does not run.")), *after]
    if event.never_started and dive.alarm_at is None:
        return [keep(say("closed. The clock was never started, so no alarm would have come.")), *after]
    counted, at = heads(event.count or dive.head_count), time_of(dive, event.at, event.at)
    return [keep(say("closed {time}, {heads} out. The clock is stopped.", time=at, heads=counted)), *after]
