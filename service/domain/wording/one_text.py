"""Answers to a start by one text, such as `IN LANTERN 50 P2`, that starts nothing or not as it says."""

from __future__ import annotations

from datetime import timedelta

from service.domain.dive.state import Dive
from service.domain.language import Name, Words, say
from service.domain.local_time import minutes
from service.domain.people import ENGLISH
from service.domain.wording.drafts import MessageKind, compose, worded
from service.domain.wording.general import plain
from service.domain.wording.parts import keep, reason_of
from service.domain.wording.phrases import out


def start_refused(club_name: str, words: Words, language: str = ENGLISH) -> str:
    """Why a start by one text was none; long reasons lose their tail at a word."""
    return worded(club_name, [keep(say("NOT STARTED, no clock runs.")), reason_of(words)], 1, language)


def start_unknown_phone(club_name: str, public_url: str, club_id: str, language: str = ENGLISH) -> str:
    """A start by one text needs a phone with usual contacts."""
    words = say(
        "NOT STARTED, your phone is not known here. Join once, then one text is enough: {address}",
        address=f"{public_url}/join/{club_id}",
    )
    return plain(club_name, words, language)


def start_without_contacts(club_name: str, public_url: str, language: str = ENGLISH) -> str:
    """A start by one text needs usual contacts."""
    words = say(
        "NOT STARTED, no usual contacts are kept for you. File the plan at {address}", address=f"{public_url}/plan"
    )
    return plain(club_name, words, language)


def start_incomplete(club_name: str, site: str, language: str = ENGLISH) -> str:
    """A start by one text without the minutes or the head count, which nobody may guess."""
    words = say("NOT STARTED. Say the minutes and how many too: IN {site} 50 P2", site=Name(site))
    return plain(club_name, words, language)


def start_not_whole(club_name: str, site: str, language: str = ENGLISH) -> str:
    """A start by one text, or what is nearly one, from somebody without a plan; `site` is the code of one."""
    words = say("NOT STARTED, no clock runs. Say site, minutes and how many: IN {site} 50 P2", site=Name(site))
    return plain(club_name, words, language)


def start_unknown_site(club_name: str, site: str, known: str, *, near: bool, language: str = ENGLISH) -> str:
    """A start by one text at a site that is none; `known`: those that sound like it, or else all of them."""
    guess = say("Do you mean {names}?", names=Name(known)) if near else say("Sites: {names}.", names=Name(known))
    parts = [keep(say("NOT STARTED, no site {site} here.", site=Name(site))), *([keep(guess)] if known else [])]
    return worded(club_name, parts, 1, language)


def start_while_in(dive: Dive, language: str = ENGLISH) -> str:
    """A start by one text while another dive of that phone still runs."""
    words = say("NOT STARTED, dive {ref} still runs. {out}. Then text this again.", ref=dive.reference, out=out(dive))
    return compose(dive, MessageKind.REPLY, [keep(words)], language)


def start_not_longer(dive: Dive, asked: timedelta, language: str = ENGLISH) -> str:
    """A start by a plan, with a longer run time than the plan's: that one is not taken, and LATE asks for more."""
    more = min(asked - dive.plan.run_time, dive.grace.extension_cap)
    words = say(
        "dive {ref} runs by its plan: {planned} minutes, not {asked}. Need longer? Text LATE {more}.",
        ref=dive.reference,
        planned=minutes(dive.plan.run_time),
        asked=minutes(asked),
        more=minutes(more),
    )
    return compose(dive, MessageKind.REPLY, [keep(words)], language)
