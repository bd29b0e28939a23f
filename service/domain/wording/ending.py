"""How it ended: whoever was told anything is told that it is over, and by whom it was closed."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.dive.events import Closed, Outcome
from service.domain.dive.state import Dive
from service.domain.encoding import Part
from service.domain.grace import Step
from service.domain.people import Role
from service.domain.wording.drafts import EVERY_ADMIN, Draft, MessageKind, draft, reply
from service.domain.wording.phrases import heads, keep, name_of, time_of


def on_closed(dive: Dive, event: Closed) -> list[Draft]:
    """The stand-down for all who were told, and the answer for the one who closed it."""
    parts = _news(dive, event)
    people = [person for person in dive.party_phones if person.phone != event.by.phone]
    people = people if _party_was_told(dive) else [p for p in people if p.key == dive.lead.key]
    if dive.contacts_told or event.outcome is Outcome.LAPSED:
        people += [contact for contact in dive.contacts if contact.phone != event.by.phone]
    told = [draft(dive, person, MessageKind.STAND_DOWN, "stand_down", parts, event.at) for person in people]
    if Step.HAND_UP in dive.steps:
        told.append(draft(dive, EVERY_ADMIN, MessageKind.STAND_DOWN, "stand_down", parts, event.at))
    return told + reply(dive, event.by, event.at, keep(_answer(dive, event)))


def _party_was_told(dive: Dive) -> bool:
    return bool(dive.steps) or dive.assumed or dive.alarm_at is not None


def _news(dive: Dive, event: Closed) -> Sequence[Part]:
    at, who = time_of(dive, event.at, event.at), event.by.name
    if event.outcome is Outcome.LAPSED:
        head = f"the plan of {dive.lead.name} for {dive.plan.site.name} has lapsed: no start was heard. No clock runs."
        return [name_of(head), keep(f"Ref {dive.reference}.")]
    if event.outcome is Outcome.CALLED_OFF:
        return [keep("CALLED OFF, nobody is diving."), name_of(f"Said by {who} {at}."), *_over(dive)]
    counted = heads(event.count or dive.head_count)
    out = "OUT" if event.outcome is Outcome.SURFACED else "SAFE"
    return [keep(f"{counted} {out}. It is over."), name_of(f"Said by {who} {at}."), *_over(dive)]


def _over(dive: Dive) -> list[Part]:
    parts = [name_of(f"{dive.lead.name}, {dive.plan.site.name}."), keep(f"Ref {dive.reference}.")]
    if dive.called_at is not None:
        parts.append(keep("Rescue was called: tell them now that it is over."))
    elif dive.alarm_at is not None:
        parts.append(keep("Please stand down; tell anyone you called."))
    return parts


def _answer(dive: Dive, event: Closed) -> str:
    told = "Everybody told is told now." if dive.contacts_told else "Nobody else was told."
    rescue = " Tell rescue now that it is over." if dive.called_at is not None else ""
    if event.outcome is Outcome.CALLED_OFF:
        return f"called off. No clock runs. {told}{rescue}"
    if event.never_started and event.by.role is Role.DIVER:
        return f"closed. Your clock was never started, so no alarm would have come. {told}{rescue}"
    counted = heads(event.count or dive.head_count)
    return f"closed {time_of(dive, event.at, event.at)}, {counted} out. The clock is stopped. {told}{rescue}"
