"""The card for a shore contact's fridge: what comes by text, what to answer, whom to call and when."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Final

from service.documents import paper_words as words
from service.documents.paper import READABLE, Paper, fitted, page
from service.documents.sheet_blocks import Block, band, beside, boxed, plain, rule, said, space, under
from service.domain.language import Phrase, render
from service.domain.phone import national_format
from service.domain.texts import examples

DIVERS: Final = 2
_LINE: Final = 28.0  # points that a broad pen needs


@dataclass(frozen=True, slots=True)
class FridgeCard:
    """What a contact is to have before their eyes. `number` is E.164; a rescue call of None is written in by hand."""

    club: str
    number: str
    rescue_call: str | None = None


def to_pdf(card: FridgeCard, paper: Paper, language: str) -> bytes:
    """The card as one page. Raises ValueError where its names are too long for one."""
    return page(paper, layout(card, paper, language), render(words.CONTACT, language), language)


def layout(card: FridgeCard, paper: Paper, language: str) -> Block:
    """The card as it will be drawn."""
    return fitted(paper, partial(_card, card, language))


def _card(card: FridgeCard, language: str, width: float, scale: float) -> Block:
    def of(phrase: Phrase) -> str:
        return render(phrase, language)

    gap = 10 * scale
    half = (width - 12) / 2
    return under(
        _head(card, of(words.CONTACT), width, scale),
        space(gap),
        beside(_blank(of(words.FOR), half), _blank(of(words.PHONE), half), gap=12),
        space(gap),
        _numbered(1, of(words.ONE), width, scale),
        space(gap),
        _numbered(2, of(words.TWO), width, scale, told=True),
        space(gap),
        _numbered(3, of(words.THREE), width, scale),
        space(4 * scale),
        _answers(language, width, scale),
        space(gap),
        _rescue(card, of(words.RESCUE), width, scale),
        space(gap),
        beside(_blank(of(words.RAISE_BY), half), _blank(of(words.SITE), half), gap=12),
        space(gap),
        said(f"{of(words.TEXTS_FROM)}: {national_format(card.number)}", width, 17 * scale, floor=10, lines=2),
        plain(of(words.REAL), width, 13 * scale),
        space(gap * 0.6),
        rule(width),
        space(3),
        plain(of(words.CAUTION), width, 12 * scale),
    )


def _head(card: FridgeCard, title: str, width: float, scale: float) -> Block:
    return band(
        lambda room: under(
            said(title, room, 40 * scale, floor=READABLE, inverse=True, lines=2, told=True),
            said(card.club, room, 16 * scale, floor=9, inverse=True, lines=2),
        ),
        width,
        pad=8 * scale,
    )


def _numbered(number: int, sentence: str, width: float, scale: float, *, told: bool = False) -> Block:
    size = READABLE if told else 17 * scale
    hang = 30.0
    return beside(
        said(f"{number}.", hang, size, floor=9),
        said(sentence, width - hang - 6, size, floor=READABLE if told else 9, lines=9, told=told),
        gap=6,
    )


def _answers(language: str, width: float, scale: float) -> Block:
    """The three answers, each with what it means."""
    rows = (
        (examples.OK, words.I_ACT),
        (examples.CALLED, words.I_CALLED),
        (examples.safe(DIVERS), words.safe_means(DIVERS)),
    )
    left = 0.52 * width

    def all_of(room: float) -> Block:
        told = [
            beside(
                said(text, left, 34, floor=READABLE, told=True),
                said(render(means, language), room - left - 10, 16 * scale, floor=9, lines=2),
                gap=10,
                middle=True,
            )
            for text, means in rows
        ]
        return under(*told, plain(render(words.reference_means(), language), room, 12 * scale), gap=3)

    return boxed(all_of, width, pad=8 * scale)


def _rescue(card: FridgeCard, label: str, width: float, scale: float) -> Block:
    if card.rescue_call is None:
        return boxed(lambda room: under(said(f"{label}:", room, READABLE, told=True), space(_LINE)), width, line=3)
    call = card.rescue_call
    return band(
        lambda room: under(
            said(f"{label}:", room, READABLE, floor=READABLE, inverse=True, told=True),
            said(call, room, 38 * scale, floor=READABLE, lines=2, inverse=True, told=True),
        ),
        width,
        pad=7 * scale,
    )


def _blank(label: str, width: float) -> Block:
    return under(plain(f"{label}:", width, 12), space(_LINE), rule(width, line=0.8))
