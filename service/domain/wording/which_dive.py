"""The question which dive is meant: what to text for each of them, and what tells them apart.

References alone mean nothing to cold hands: each comes with its site, who leads it and when it is due out, as far as
two segments hold that of all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final, NamedTuple

from service.domain.dive.state import Dive, Phase
from service.domain.encoding import takes
from service.domain.language import Name, Phrase, Words, say
from service.domain.people import ENGLISH
from service.domain.wording.drafts import SERVICE_NAME
from service.domain.wording.general import plain
from service.domain.wording.parts import as_text, keep
from service.domain.wording.phrases import time_of

LISTED_MAX: Final = 4  # references in one question
SEGMENTS: Final = 2


class Choice(NamedTuple):
    """One of the dives: the text that means it, and what tells it from the others."""

    text: str
    site: str = ""
    code: str = ""
    """Of the site, where it has one: shorter than its name."""
    lead: str = ""
    """Empty for whoever leads it themselves."""
    state: Phrase | None = None


def how_it_stands(dive: Dive, now: datetime) -> Phrase:
    """The one time by which people know a dive from another."""
    if dive.phase is Phase.CLOSED:
        return say("over {time}", time=time_of(dive, dive.closed_at, now))
    if dive.phase is not Phase.FILED:
        return say("due {time}", time=time_of(dive, dive.due_out_at, now))
    if dive.plan.time_in_at is None:
        return say("not started")
    return say("planned {time}", time=time_of(dive, dive.plan.time_in_at, now))


def which_dive(club_name: str, choices: Sequence[Choice], language: str = ENGLISH) -> str:
    """Several dives could be meant: the texts that say which, each with a reference and what it stands for."""
    listed = choices[:LISTED_MAX]
    ways = [(naming, club_name, 1) for naming in (_by_name, _by_first_name, _by_code)]
    ways += [
        (naming, sender, SEGMENTS)
        for naming in (_by_name, _by_first_name, _by_code, _by_time)
        for sender in (club_name, SERVICE_NAME)
    ]
    for naming, sender, most in ways:
        text = as_text([keep(f"{sender}:"), keep(_asked([naming(one) for one in listed]))], language)
        if takes(text, 0) <= most:
            return text
    return plain(club_name, _asked([one.text for one in listed]), language)


def _asked(texts: Sequence[Words]) -> Phrase:
    first, *more = texts
    examples: Words = first
    for other in more:
        examples = say("{one} or {other}", one=examples, other=other)
    return say("which dive? Nothing changed. Text {examples}.", examples=examples)


def _by_name(one: Choice) -> Words:
    return _with(one, [one.site, one.lead])


def _by_first_name(one: Choice) -> Words:
    return _with(one, [one.site, one.lead.partition(" ")[0]])


def _by_code(one: Choice) -> Words:
    return _with(one, [one.code or one.site, one.lead.partition(" ")[0]])


def _by_time(one: Choice) -> Words:
    return _with(one, [] if one.state else [one.code or one.site])


def _with(one: Choice, names: Sequence[str]) -> Words:
    """The text with these names and how it stands in brackets behind it."""
    named = ", ".join(name for name in names if name)
    if one.state is None:
        return say("{text} ({what})", text=one.text, what=Name(named)) if named else one.text
    if not named:
        return say("{text} ({what})", text=one.text, what=one.state)
    return say("{text} ({what}, {state})", text=one.text, what=Name(named), state=one.state)
