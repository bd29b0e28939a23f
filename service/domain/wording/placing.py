"""What is said about places: fixes, conditions, who is on the spot, and the position when somebody asks for it."""

from __future__ import annotations

from service.domain.dive import events as ev
from service.domain.dive.state import Dive
from service.domain.place.fix import Doubt
from service.domain.place.position import decimal
from service.domain.wording.drafts import Draft, MessageKind, reply, to_contacts, to_each
from service.domain.wording.phrases import call_rescue, keep, name_of, time_of


def on_fix(dive: Dive, event: ev.FixReported) -> list[Draft]:
    """Noted; contacts who are alarmed hear where. With a start the answer is ARMED, not this."""
    with_start = dive.started_at == event.at
    if event.doubt is not None:
        return reply(dive, event.by, event.at, keep(_doubted(dive, event)))
    answer = [] if with_start else reply(dive, event.by, event.at, keep(_noted(dive, event)))
    if not dive.alarmed:
        return answer
    parts = [
        keep(f"{_noted(dive, event)} From"),
        name_of(event.by.name),
        keep(f"{time_of(dive, event.fix_at, event.at)}. Tell rescue: {call_rescue(dive)}."),
    ]
    return to_contacts(dive, MessageKind.ALERT, "fix", parts, event.at, but=event.by.key) + answer


def _noted(dive: Dive, event: ev.FixReported) -> str:
    return f"position {decimal(event.position)} noted for dive {dive.reference}."


def _doubted(dive: Dive, event: ev.FixReported) -> str:
    """A slip of the pen must not send rescue elsewhere, and whoever made it can put it right."""
    why = "its time is in the future" if event.doubt is Doubt.FUTURE else f"it is far from {dive.plan.site.name}"
    return f"position {decimal(event.position)} kept but not used: {why}. Check it and send it again."


def on_conditions(dive: Dive, event: ev.ConditionsReported) -> list[Draft]:
    """Whoever said it hears that it is noted; the pack shows it."""
    words = f"current and wind noted for dive {dive.reference}. The pack for rescue shows them."
    return reply(dive, event.by, event.at, keep(words))


def on_scene(dive: Dive, event: ev.OnScene) -> list[Draft]:
    """The other alerted contacts hear that somebody is there."""
    parts = [
        name_of(event.by.name),
        keep(f"is at the site for dive {dive.reference} since {time_of(dive, event.at, event.at)}."),
    ]
    others = [c for c in dive.contacts if c.key in dive.alerted_keys() and c.key != event.by.key]
    answer = reply(dive, event.by, event.at, keep("noted, you are at the site. Tell rescue where to meet you."))
    return answer + to_each(dive, others, MessageKind.OTHER, "on_scene", parts, event.at)
