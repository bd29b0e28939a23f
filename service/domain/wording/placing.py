"""What is said about places: fixes, conditions, who is on the spot, and the position when somebody asks for it."""

from __future__ import annotations

from datetime import datetime

from service.domain.dive import events as ev
from service.domain.dive.state import Dive, Phase
from service.domain.language import Length, Name, Phrase, Words, say
from service.domain.people import ENGLISH
from service.domain.place.fix import Doubt, Fix, Source
from service.domain.place.position import EXACT_M, Position, decimal
from service.domain.place.reading import likely_swapped
from service.domain.place.writing import degrees_minutes_gsm, national_grid, plus_code
from service.domain.wording.drafts import (
    ABOUT_A_POSITION,
    UNCALLED,
    Draft,
    MessageKind,
    compose,
    reply,
    to_contacts,
    to_each,
)
from service.domain.wording.parts import Part, keep, may_go
from service.domain.wording.phrases import (
    call_rescue,
    from_site,
    if_real,
    nobody_called,
    rounded_up,
    time_of,
    to_rescue,
    within,
)


def on_fix(dive: Dive, event: ev.FixReported) -> list[Draft]:
    """Noted; contacts who are alarmed hear where. With a start the answer is ARMED, not this."""
    with_start = dive.started_at == event.at
    if event.doubt is not None:
        return reply(dive, event.by, event.at, *_doubted(dive, event), segments=ABOUT_A_POSITION)
    answer = [] if with_start else reply(dive, event.by, event.at, *_answered(dive, event))
    if not dive.alarmed:
        return answer
    said = say(
        "From {name} {time}{within}.",
        name=Name(event.by.name),
        time=time_of(dive, event.fix_at, event.at),
        within=within(event.accuracy_m),
    )
    parts = [
        keep(_noted(dive, event)),
        keep(said),
        *from_site(dive, event.position),
        keep(to_rescue(dive, say("Tell rescue: {rescue}.", rescue=call_rescue(dive)))),
    ]
    return to_contacts(dive, MessageKind.ALERT, "fix", parts, event.at, but=event.by.key) + answer


def _noted(dive: Dive, event: ev.FixReported) -> Phrase:
    return say("position {position} noted for dive {ref}.", position=decimal(event.position), ref=dive.reference)


def _answered(dive: Dive, event: ev.FixReported) -> list[Part]:
    """Somebody ashore may have meant their own place, and would move the search with it."""
    if event.source is not Source.CONTACT:
        return [keep(_noted(dive, event)), *_may_be_off(event)]
    seen = say(
        "position {position} noted as where they were last seen, dive {ref}.",
        position=decimal(event.position),
        ref=dive.reference,
    )
    return [keep(seen), keep(say("Your own place? Text ON SCENE {ref}", ref=dive.reference))]


def _may_be_off(event: ev.FixReported) -> list[Part]:
    """What was rounded can be given again, while somebody has it before their eyes."""
    if event.accuracy_m is None or event.accuracy_m <= EXACT_M:
        return []
    off = Length(rounded_up(event.accuracy_m))
    return [may_go(1, say("It may be {length} off: send more figures if you can.", length=off))]


def _doubted(dive: Dive, event: ev.FixReported) -> list[Part]:
    """A slip of the pen must not send rescue elsewhere, and whoever made it can put it right."""
    given, site = decimal(event.position), dive.plan.site
    far = say("position {position} kept but not used: it is far from {site}.", position=given, site=Name(site.name))
    future = say("position {position} kept but not used: its time is in the future.", position=given)
    kept = keep(future if event.doubt is Doubt.FUTURE else far)
    if event.doubt is Doubt.FAR and site.entry is not None and likely_swapped(event.position, site.entry):
        turned = Position(event.position.lon, event.position.lat)
        return [kept, keep(say("Swapped? If you mean {position}, text AT {position}", position=decimal(turned)))]
    return [kept, keep(say("Check it and send it again."))]


def on_conditions(dive: Dive, event: ev.ConditionsReported) -> list[Draft]:
    """Whoever said it hears that it is noted; the pack shows it."""
    words = say("current and wind noted for dive {ref}. The pack for rescue shows them.", ref=dive.reference)
    return reply(dive, event.by, event.at, keep(words))


def on_scene(dive: Dive, event: ev.OnScene) -> list[Draft]:
    """The other alerted contacts hear that somebody is there."""
    there = say(
        "{name} is at the site for dive {ref} since {time}.",
        name=Name(event.by.name),
        ref=dive.reference,
        time=time_of(dive, event.at, event.at),
    )
    others = [c for c in dive.contacts if c.key in dive.alerted_keys() and c.key != event.by.key]
    uncalled = nobody_called(dive)
    answer_name, name = (f"{UNCALLED}_reply", f"{UNCALLED}_on_scene") if uncalled else ("reply", "on_scene")
    answer = reply(dive, event.by, event.at, *_on_the_spot(dive), name=answer_name)
    return answer + to_each(dive, others, MessageKind.OTHER, name, [keep(there), *uncalled], event.at)


def _on_the_spot(dive: Dive) -> list[Part]:
    """What to do about rescue there; nobody must take it for called because somebody is to meet it."""
    noted, dry = say("noted, you are at the site."), keep(say("Stay out of the water."))
    if dive.called_at is not None or not dive.alarmed:
        meet = if_real(dive, say("Tell rescue where to meet you."), say("now tell rescue where to meet you"))
        return [keep(noted), dry, keep(meet)]
    call = to_rescue(dive, say("In doubt call {rescue}.", rescue=call_rescue(dive)))
    return [may_go(1, noted), dry, *nobody_called(dive), keep(call)]


def where_they_are(dive: Dive, now: datetime, language: str = ENGLISH) -> str:
    """The last known position in three forms, never cut; when and how it is known; for whoever asks with WHERE."""
    site = dive.plan.site
    closed_at = time_of(dive, dive.closed_at, now)
    over = [keep(say("It is over since {time}.", time=closed_at))] if dive.phase is Phase.CLOSED else []
    fix = dive.last_position
    about = [keep(say("dive {ref}, {site}:", ref=dive.reference, site=Name(site.name)))]
    if fix is not None:
        known = [keep(three_forms(fix.position)), _how_known(dive, fix, now), *from_site(dive, fix.position)]
    elif site.entry is not None:
        nobody = say("That is the site; nobody has said that they went in.")
        known = [keep(three_forms(site.entry)), keep(nobody)]
    else:
        access = [may_go(1, say("Access: {access}.", access=site.access.rstrip(".")))] if site.access else []
        known = [keep(say("no position is known.")), *access]
    return compose(dive, MessageKind.REPLY, [*about, *over, *known], language, segments=ABOUT_A_POSITION)


def three_forms(position: Position) -> Phrase:
    """Decimal degrees; degrees and minutes; the national grid where it has a value, else a plus code."""
    grid = national_grid(position)
    degrees, minutes = decimal(position), degrees_minutes_gsm(position)
    if grid is None:
        return say(
            "{degrees} or {minutes} or plus code {code}.", degrees=degrees, minutes=minutes, code=plus_code(position)
        )
    return say("{degrees} or {minutes} or grid {grid}.", degrees=degrees, minutes=minutes, grid=grid)


def _how_known(dive: Dive, fix: Fix, now: datetime) -> Part:
    at = time_of(dive, fix.at, now)
    if fix.source is Source.ENTRY:
        went_in, planned = (
            say("Where they went in, {time}.", time=at),
            say("Where they planned to go in, {time}.", time=at),
        )
        return keep(planned if dive.assumed else went_in)
    ways = {
        Source.TEXT: say(" (by text)"),
        Source.BROWSER: say(" (by the phone itself)"),
        Source.CONTACT: say(" (ashore)"),
    }
    way: Words = ways.get(fix.source, "")
    near = within(fix.accuracy_m, 0)
    return keep(say("From {name}{way} {time}{within}.", name=Name(fix.by), way=way, time=at, within=near))


def pack_words(dive: Dive, language: str = ENGLISH) -> str:
    """What stands before the link to the pack."""
    about = say("dive {ref}, all that rescue asks.", ref=dive.reference)
    pass_on = if_real(dive, say("You may pass this link on to rescue."), say("pass this link on to rescue"))
    return compose(dive, MessageKind.REPLY, [keep(about), keep(pass_on)], language)


def pack_too_long(dive: Dive, language: str = ENGLISH) -> str:
    """Where the address of this service leaves no room for a link in any text."""
    words = say(
        "the link to the pack of dive {ref} is too long for a text. The page of your alert leads to it.",
        ref=dive.reference,
    )
    return compose(dive, MessageKind.REPLY, [keep(words)], language)


def no_pack(dive: Dive, language: str = ENGLISH) -> str:
    """Before the start there is nothing to hand over."""
    words = say(
        "dive {ref} has not started, so there is no pack yet. Know of trouble? Text SOS {ref}.", ref=dive.reference
    )
    return compose(dive, MessageKind.REPLY, [keep(words)], language)


def pack_is_for_contacts(dive: Dive, language: str = ENGLISH) -> str:
    """The pack holds what the party told for rescue; a phone that may be lost or forged does not get it."""
    words = say("the pack is for the contacts of dive {ref}. You can text WHERE {ref} or STATUS.", ref=dive.reference)
    return compose(dive, MessageKind.REPLY, [keep(words)], language)
