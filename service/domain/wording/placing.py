"""What is said about places: fixes, conditions, who is on the spot, and the position when somebody asks for it."""

from __future__ import annotations

from datetime import datetime

from service.domain.dive import events as ev
from service.domain.dive.state import Dive, Phase
from service.domain.encoding import Part
from service.domain.place.fix import Doubt, Fix, Source
from service.domain.place.position import Position, decimal
from service.domain.place.reading import likely_swapped
from service.domain.place.writing import degrees_minutes_gsm, national_grid, plus_code
from service.domain.wording.drafts import (
    ABOUT_A_POSITION,
    Draft,
    MessageKind,
    compose,
    reply,
    to_contacts,
    to_each,
)
from service.domain.wording.phrases import (
    call_rescue,
    from_site,
    if_real,
    keep,
    may_go,
    name_of,
    time_of,
    to_rescue,
    within,
)


def on_fix(dive: Dive, event: ev.FixReported) -> list[Draft]:
    """Noted; contacts who are alarmed hear where. With a start the answer is ARMED, not this."""
    with_start = dive.started_at == event.at
    if event.doubt is not None:
        return reply(dive, event.by, event.at, *_doubted(dive, event), segments=ABOUT_A_POSITION)
    answer = [] if with_start else reply(dive, event.by, event.at, keep(_answered(dive, event)))
    if not dive.alarmed:
        return answer
    parts = [
        keep(f"{_noted(dive, event)} From"),
        name_of(event.by.name),
        keep(f"{time_of(dive, event.fix_at, event.at)}{within(event.accuracy_m)}."),
        *from_site(dive, event.position),
        keep(to_rescue(dive, f"Tell rescue: {call_rescue(dive)}.")),
    ]
    return to_contacts(dive, MessageKind.ALERT, "fix", parts, event.at, but=event.by.key) + answer


def _noted(dive: Dive, event: ev.FixReported) -> str:
    return f"position {decimal(event.position)} noted for dive {dive.reference}."


def _answered(dive: Dive, event: ev.FixReported) -> str:
    """Somebody ashore may have meant their own place, and would move the search with it."""
    if event.source is not Source.CONTACT:
        return _noted(dive, event)
    seen = f"position {decimal(event.position)} noted as where they were last seen, dive {dive.reference}."
    return f"{seen} Your own place? Text ON SCENE {dive.reference}"


def _doubted(dive: Dive, event: ev.FixReported) -> list[Part]:
    """A slip of the pen must not send rescue elsewhere, and whoever made it can put it right."""
    why = "its time is in the future" if event.doubt is Doubt.FUTURE else f"it is far from {dive.plan.site.name}"
    kept = keep(f"position {decimal(event.position)} kept but not used: {why}.")
    entry = dive.plan.site.entry
    if event.doubt is Doubt.FAR and entry is not None and likely_swapped(event.position, entry):
        turned = Position(event.position.lon, event.position.lat)
        return [kept, keep(f"Swapped? If you mean {decimal(turned)}, text AT {decimal(turned)}")]
    return [kept, keep("Check it and send it again.")]


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
    uncalled = [] if dive.drill or dive.called_at is not None or not dive.alarmed else [keep(NOBODY_CALLED)]
    answer = reply(dive, event.by, event.at, keep("noted, you are at the site. Stay out of the water."), *_meet(dive))
    return answer + to_each(dive, others, MessageKind.OTHER, "on_scene", [*parts, *uncalled], event.at)


NOBODY_CALLED = "Nobody has called rescue yet."


def _meet(dive: Dive) -> list[Part]:
    """What to do about rescue there; nobody must take it for called because somebody is to meet it."""
    if dive.called_at is None and dive.alarmed:
        return [keep(to_rescue(dive, f"{NOBODY_CALLED} In doubt call {call_rescue(dive)}."))]
    return [keep(if_real(dive, "Tell rescue where to meet you.", "now tell rescue where to meet you"))]


def where_they_are(dive: Dive, now: datetime) -> str:
    """The last known position in three forms, never cut; when and how it is known; for whoever asks with WHERE."""
    site = dive.plan.site
    over = [keep(f"It is over since {time_of(dive, dive.closed_at, now)}.")] if dive.phase is Phase.CLOSED else []
    fix = dive.last_position
    about = [keep(f"dive {dive.reference},"), name_of(f"{site.name}:")]
    if fix is not None:
        known = [keep(f"{three_forms(fix.position)}."), *_how_known(dive, fix, now), *from_site(dive, fix.position)]
    elif site.entry is not None:
        known = [keep(f"{three_forms(site.entry)}."), keep("That is the site; nobody has said that they went in.")]
    else:
        known = [keep("no position is known."), *([may_go(1, f"Access: {site.access}.")] if site.access else [])]
    return compose(dive, MessageKind.REPLY, [*about, *over, *known], segments=ABOUT_A_POSITION)


def three_forms(position: Position) -> str:
    """Decimal degrees; degrees and minutes; the national grid where it has a value, else a plus code."""
    grid = national_grid(position)
    third = f"plus code {plus_code(position)}" if grid is None else f"grid {grid}"
    return f"{decimal(position)} or {degrees_minutes_gsm(position)} or {third}"


def _how_known(dive: Dive, fix: Fix, now: datetime) -> list[Part]:
    at = time_of(dive, fix.at, now)
    if fix.source is Source.ENTRY:
        return [keep(f"Where they planned to go in, {at}." if dive.assumed else f"Where they went in, {at}.")]
    way = {Source.TEXT: "(by text)", Source.BROWSER: "(by the phone itself)", Source.CONTACT: "(ashore)"}
    how = [keep(way[fix.source])] if fix.source in way else []
    return [keep("From"), name_of(fix.by), *how, keep(f"{at}{within(fix.accuracy_m, 0)}.")]


def pack_words(dive: Dive) -> str:
    """What stands before the link to the pack."""
    pass_on = if_real(dive, "You may pass this link on to rescue.", "pass this link on to rescue")
    return compose(dive, MessageKind.REPLY, [keep(f"dive {dive.reference}, all that rescue asks. {pass_on}")])


def pack_too_long(dive: Dive) -> str:
    """Where the address of this service leaves no room for a link in any text."""
    words = f"the link to the pack of dive {dive.reference} is too long for a text. The page of your alert leads to it."
    return compose(dive, MessageKind.REPLY, [keep(words)])


def no_pack(dive: Dive) -> str:
    """Before the start there is nothing to hand over."""
    words = (
        f"dive {dive.reference} has not started, so there is no pack yet. Know of trouble? Text SOS {dive.reference}."
    )
    return compose(dive, MessageKind.REPLY, [keep(words)])


def pack_is_for_contacts(dive: Dive) -> str:
    """The pack holds what the party told for rescue; a phone that may be lost or forged does not get it."""
    words = f"the pack is for the contacts of dive {dive.reference}. You can text WHERE {dive.reference} or STATUS."
    return compose(dive, MessageKind.REPLY, [keep(words)])
