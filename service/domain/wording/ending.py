"""How it ended: whoever was told anything is told that it is over, and by whom it was closed."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.dive.events import Closed, Outcome
from service.domain.dive.state import Dive
from service.domain.encoding import Part
from service.domain.grace import Step
from service.domain.people import Recipient, Via
from service.domain.wording.drafts import (
    EVERY_ADMIN,
    Draft,
    MessageKind,
    party_told,
    reply,
    stranger_who_started,
    to_each,
)
from service.domain.wording.phrases import heads, if_real, keep, may_go, name_of, time_of


def on_closed(dive: Dive, event: Closed) -> list[Draft]:
    """The stand-down for all who were told, and the answer for the one whose text closed it."""
    answered = event.by.phone if event.by.via is Via.TEXT else None
    parts = _news(dive, event)
    people = [person for person in _told(dive, event) if answered is None or person.phone != answered]
    told = to_each(dive, people, MessageKind.STAND_DOWN, "stand_down", parts, event.at)
    return told + reply(dive, event.by, event.at, *_answer(dive, event, others=bool(told)))


def _told(dive: Dive, event: Closed) -> list[Recipient]:
    """The lead, and whoever else was told anything of this dive."""
    people = list(party_told(dive)) if _party_was_told(dive) else [dive.lead, *stranger_who_started(dive)]
    if dive.contacts_told or event.outcome is Outcome.LAPSED:
        people += dive.contacts
    return [*people, EVERY_ADMIN] if Step.HAND_UP in dive.steps else people


def _party_was_told(dive: Dive) -> bool:
    """By a step, an assumed start or an alarm; a later due out starts the steps anew, so that counts too."""
    extended = dive.due_out_at != dive.first_due_out_at
    return bool(dive.steps) or extended or dive.assumed or dive.alarm_at is not None


def _news(dive: Dive, event: Closed) -> Sequence[Part]:
    by = [keep("Said by"), name_of(event.by.name), keep(f"{time_of(dive, event.at, event.at)}.")]
    if event.outcome is Outcome.LAPSED:
        plan = [keep("the plan of"), name_of(dive.lead.name), keep("for"), name_of(dive.plan.site.name)]
        return [*plan, keep(f"has lapsed: no start was heard. No clock runs. Ref {dive.reference}.")]
    if event.outcome is Outcome.CALLED_OFF:
        return [keep("CALLED OFF, nobody is diving."), *by, *_over(dive)]
    counted = heads(event.count or dive.head_count)
    out = "OUT" if event.outcome is Outcome.SURFACED else "SAFE"
    return [keep(f"{counted} {out}. It is over."), *by, *_over(dive)]


def _over(dive: Dive) -> list[Part]:
    parts = [name_of(f"{dive.lead.name},"), name_of(f"{dive.plan.site.name}."), keep(f"Ref {dive.reference}.")]
    if dive.called_at is not None:
        over = "tell rescue that it is over"
        parts.append(keep(if_real(dive, "Rescue was called: tell them now that it is over.", f"now {over}")))
    elif dive.alarm_at is not None:
        parts.append(keep("Please stand down; tell anyone you called."))
    return parts


def _answer(dive: Dive, event: Closed, *, others: bool) -> list[Part]:
    told = "Everybody told is told now." if others else "Nobody else was told."
    tell = if_real(dive, "Tell rescue now that it is over.", "now tell rescue that it is over")
    after = [keep(tell)] if dive.called_at is not None else []
    after.append(may_go(1, told))
    if event.outcome is Outcome.CALLED_OFF:
        return [keep("called off. No clock runs."), *after]
    if event.never_started and dive.alarm_at is None:
        return [keep("closed. The clock was never started, so no alarm would have come."), *after]
    counted = heads(event.count or dive.head_count)
    return [keep(f"closed {time_of(dive, event.at, event.at)}, {counted} out. The clock is stopped."), *after]
