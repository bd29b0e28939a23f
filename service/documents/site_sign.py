"""The sign at a site: what to text, to which number, what no answer means, and whom to call for rescue."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Final

import segno

from service.documents import paper_words as words
from service.documents.paper import READABLE, STRIKING, Paper, fitted, page
from service.documents.sheet_blocks import Block, band, beside, boxed, plain, rule, said, space, squares, under
from service.documents.sms_uri import sms
from service.domain.language import Words, render
from service.domain.phone import national_format
from service.domain.place.position import Position, decimal
from service.domain.place.writing import degrees_minutes
from service.domain.texts import examples

MINUTES: Final = 50
DIVERS: Final = 2
LATE_MIN: Final = 20
_SQUARE: Final = 128.0  # points, 45 mm: a phone reads it from an arm's length away
_LEVEL: Final = "q"  # a quarter of it may be lost to salt and scratches


@dataclass(frozen=True, slots=True)
class Sign:
    """What a sign says of its site. `number` is E.164."""

    club: str
    site: str
    code: str
    number: str
    rescue_call: str
    position: Position

    @property
    def start(self) -> str:
        """The text that starts a dive here."""
        return examples.going_in(self.code, MINUTES, DIVERS)

    @property
    def address(self) -> str:
        """What the printed square opens."""
        return sms(self.number, self.start)


def to_pdf(sign: Sign, paper: Paper, language: str) -> bytes:
    """The sign as one page. Raises ValueError where its names are too long for one."""
    return page(paper, layout(sign, paper, language), f"{sign.code}, {sign.site}", language)


def layout(sign: Sign, paper: Paper, language: str) -> Block:
    """The sign as it will be drawn."""
    return fitted(paper, partial(_sign, sign, language))


def _sign(sign: Sign, language: str, width: float, scale: float) -> Block:
    def of(phrase: Words) -> str:
        return render(phrase, language)

    gap = 9 * scale
    return under(
        _head(sign, width, scale),
        space(gap),
        under(
            said(f"{of(words.GOING_IN)}:", width, READABLE, floor=READABLE, lines=2, told=True),
            said(sign.start, width, STRIKING, floor=READABLE, told=True),
            plain(of(words.start_means(MINUTES, DIVERS)), width, 13 * scale),
        ),
        space(gap),
        said(f"{of(words.TEXT_TO)}:", width, READABLE, floor=READABLE, told=True),
        said(national_format(sign.number), width, STRIKING, floor=READABLE, told=True),
        space(gap),
        boxed(
            lambda room: said(of(words.NOT_ARMED), room, READABLE, floor=READABLE, lines=9, told=True),
            width,
            pad=7 * scale,
            line=3,
        ),
        space(gap),
        _others(sign, language, width, scale),
        space(gap),
        _rescue(sign, of(words.RESCUE), width, scale),
        space(gap),
        _where(sign, of(words.PLACE), width, scale),
        space(gap * 0.6),
        rule(width),
        space(3),
        plain(of(words.CAUTION), width, 12 * scale),
    )


def _head(sign: Sign, width: float, scale: float) -> Block:
    """The code as large as the page is wide, and whose sign it is."""
    return band(
        lambda room: under(
            said(sign.code, room, 78 * scale, floor=READABLE, inverse=True, told=True),
            said(f"{sign.site}. {sign.club}", room, 19 * scale, floor=10, lines=2, inverse=True),
        ),
        width,
        pad=8 * scale,
    )


def _others(sign: Sign, language: str, width: float, scale: float) -> Block:
    """The other texts, and the square that opens the first one."""
    gap = 12.0
    room = width - _SQUARE - gap
    half = (room - gap) / 2
    rows = (
        (words.COMING_OUT, examples.coming_out(DIVERS)),
        (words.MORE_TIME, examples.more_time(LATE_MIN)),
        (words.IN_DANGER, examples.SOS),
    )
    told = [
        beside(
            said(f"{render(label, language)}:", half, 19 * scale, floor=9, lines=2),
            said(text, half, 40, floor=READABLE, told=True),
            gap=gap,
            middle=True,
        )
        for label, text in rows
    ]
    square = under(_square(sign.address), said(render(words.SCAN, language), _SQUARE, 10, floor=7, lines=2))
    return beside(under(*told, gap=5 * scale), square, gap=gap)


@lru_cache(maxsize=16)
def _square(address: str) -> Block:
    matrix = segno.make(address, error=_LEVEL, micro=False).matrix
    return squares([[bool(dark) for dark in row] for row in matrix], _SQUARE)


def _rescue(sign: Sign, label: str, width: float, scale: float) -> Block:
    return band(
        lambda room: under(
            said(f"{label}:", room, READABLE, floor=READABLE, inverse=True, told=True),
            said(sign.rescue_call, room, 40 * scale, floor=READABLE, lines=2, inverse=True, told=True),
        ),
        width,
        pad=7 * scale,
    )


def _where(sign: Sign, label: str, width: float, scale: float) -> Block:
    """The position in the form of a map on a phone, and in that of a chart and a radio."""
    half = (width - 10) / 2
    return under(
        plain(f"{label}:", width, 12 * scale),
        beside(
            said(decimal(sign.position), half, 21 * scale, floor=10),
            said(degrees_minutes(sign.position), half, 21 * scale, floor=10),
            gap=10,
        ),
    )
