"""The plan card: its upper half lies in a car window, its lower half, folded under, is for rescue.

Whoever passes a parked car reads the upper half, so it names nobody and no time before the one at which somebody is to
act. The lower half says who and whom to phone; no code is on either, since a car can be broken into.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Final

from service.documents import paper_words as words
from service.documents.paper import READABLE, STRIKING, Paper, fitted, page
from service.documents.sheet_blocks import Block, at_least, band, beside, boxed, plain, rule, said, space, under
from service.domain.dive.state import Dive
from service.domain.language import Moment, Phrase, render
from service.domain.local_time import say
from service.domain.phone import national_format

_LINE: Final = 26.0  # points that a broad pen needs


@dataclass(frozen=True, slots=True)
class PlanCard:
    """What is printed of a plan; None is a line to write on. Times are instants at the site."""

    club: str
    rescue_call: str | None = None
    site: str | None = None
    divers: str | None = None
    reference: str | None = None
    raise_by: Moment | None = None
    time_in: Moment | None = None
    due_out: Moment | None = None
    party: tuple[str, ...] = ()
    contacts: tuple[str, ...] = ()
    drill: bool = False


def card_of(dive: Dive) -> PlanCard:
    """The card of a filed plan. Its times stay open until it has started or has a time in."""
    in_at = dive.started_at or dive.plan.time_in_at
    due_at = dive.due_out_at or (None if in_at is None else in_at + dive.plan.run_time)
    zone = dive.plan.site.zone
    times = [None if at is None else _with_day(at, zone) for at in (in_at, due_at)]
    by = None if due_at is None else _with_day(due_at + dive.grace.grace, zone)
    return PlanCard(
        club=dive.club_name,
        rescue_call=dive.plan.site.rescue_call,
        site=dive.plan.site.name,
        divers=str(dive.head_count),
        reference=dive.reference,
        raise_by=by,
        time_in=times[0],
        due_out=times[1],
        party=tuple(_person(diver.name, diver.phone) for diver in dive.plan.party),
        contacts=tuple(_person(contact.name, contact.phone) for contact in dive.plan.contacts),
        drill=dive.drill,
    )


def _with_day(at: datetime, zone: str) -> Moment:
    """A sheet outlives its day: whoever passes a car tomorrow must not call rescue for a dive of today."""
    return Moment(at, zone, at - timedelta(days=2))


def to_pdf(card: PlanCard, paper: Paper, language: str) -> bytes:
    """The card as one page. Raises ValueError where its names are too long for one."""
    return page(paper, layout(card, paper, language), render(words.IN_THE_WATER, language), language)


def layout(card: PlanCard, paper: Paper, language: str) -> Block:
    """The card as it will be drawn."""
    return fitted(paper, partial(_card, card, language, paper.room[1] / 2))


def _card(card: PlanCard, language: str, half: float, width: float, scale: float) -> Block:
    """The line to fold at lies in the middle of the page, where a hand folds it."""
    return under(
        at_least(_outside(card, language, width, scale), half),
        rule(width, line=1, dashes=(5, 4)),
        space(4),
        plain(render(words.FOLD, language), width, 10),
        space(8 * scale),
        _inside(card, language, width, scale),
    )


def _outside(card: PlanCard, language: str, width: float, scale: float) -> Block:
    """What a passer-by may know: that somebody is in, when to worry, whom to call and what to say."""

    def of(phrase: Phrase) -> str:
        return render(phrase, language)

    half = (width - 12) / 2
    title = f"{of(words.EXERCISE)} {of(words.IN_THE_WATER)}" if card.drill else of(words.IN_THE_WATER)
    return under(
        band(lambda room: said(title, room, STRIKING, floor=READABLE, inverse=True, told=True), width),
        space(7 * scale),
        said(of(words.CALL_AT), width, READABLE, floor=READABLE, lines=3, told=True),
        space(3 * scale),
        boxed(lambda room: _raise_by(_worded(card.raise_by, language), room), width, line=3),
        space(5 * scale),
        beside(
            said(f"{of(words.RESCUE)}:", width * 0.3, READABLE, floor=READABLE, lines=2, told=True),
            _entry(card.rescue_call, width * 0.7 - 10, 30 * scale, told=True),
            gap=10,
        ),
        space(5 * scale),
        plain(of(words.SAY_THIS), width, 14 * scale),
        beside(
            _labelled(of(words.REFERENCE), card.reference, half, READABLE, told=True),
            _labelled(of(words.DIVERS), card.divers, half, READABLE, told=True),
            gap=12,
        ),
        _labelled(of(words.SITE), card.site, width, 20 * scale),
        _labelled(of(words.CLUB), card.club, width, 20 * scale),
    )


def _inside(card: PlanCard, language: str, width: float, scale: float) -> Block:
    def of(phrase: Phrase) -> str:
        return render(phrase, language)

    half = (width - 12) / 2
    return under(
        said(of(words.INSIDE), width, 14 * scale),
        beside(
            _labelled(of(words.TIME_IN), _worded(card.time_in, language), half, 14 * scale),
            _labelled(of(words.DUE_OUT), _worded(card.due_out, language), half, 14 * scale),
            gap=12,
        ),
        space(3 * scale),
        beside(
            _people(of(words.DIVERS), card.party, half, scale),
            _people(of(words.CONTACTS), card.contacts, half, scale),
            gap=12,
        ),
        *([] if card.party else [_labelled(of(words.NOTES), None, width, 14 * scale)]),
    )


def _worded(moment: Moment | None, language: str) -> str | None:
    return None if moment is None else say(moment.at, moment.zone, moment.now, language)


def _raise_by(at: str | None, width: float) -> Block:
    """The one time that a passer-by needs, or room for it."""
    return space(STRIKING) if at is None else said(at, width, STRIKING, floor=READABLE, lines=2, told=True)


def _entry(words_: str | None, width: float, size: float, *, told: bool = False) -> Block:
    """What is known, or a line to write on."""
    if words_ is None:
        return under(space(_LINE), rule(width, line=0.8))
    return said(words_, width, size, floor=READABLE if told else 9, lines=2, told=told)


def _labelled(label: str, entry: str | None, width: float, size: float, *, told: bool = False) -> Block:
    return under(plain(f"{label}:", width, 11), _entry(entry, width, size, told=told))


def _people(label: str, people: Sequence[str], width: float, scale: float) -> Block:
    shown = [plain(person, width, 11 * scale) for person in people] or [_entry(None, width, 0) for _ in range(3)]
    return under(plain(f"{label}:", width, 11), *shown)


def _person(name: str, phone: str | None) -> str:
    return f"{name}, {national_format(phone)}" if phone else name
