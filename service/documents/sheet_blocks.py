"""Blocks of a printed sheet: words that are made to fit their room, rules, boxes and squares, put under each other.

A block is a value: how wide and high it is, and what is drawn where. Nothing is drawn before the whole sheet is known
to fit, and a test can ask any block whether two of its parts overlap. Lengths are points; y runs downwards.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from reportlab.lib.colors import black, white
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from service.documents.pdf_fonts import BOLD, REGULAR, printable

ASCENT: Final = 0.78  # of the face, in parts of its size: above the base line
LEADING: Final = 1.16
CAPITAL: Final = 0.729  # height of a capital letter, in parts of the size
SHRINK: Final = 0.5  # points by which type gets smaller until it fits


@dataclass(frozen=True, slots=True)
class Said:
    """A line of words. `y` is its base line. `told`: it must be readable from afar."""

    x: float
    y: float
    words: str
    font: str
    size: float
    white: bool = False
    told: bool = False

    @property
    def width(self) -> float:
        """How wide it is set."""
        return _width(self.words, self.font) * self.size


@dataclass(frozen=True, slots=True)
class Area:
    """A rectangle: filled with black, or a frame of a line so thick; `dashes` on and off."""

    x: float
    y: float
    width: float
    height: float
    line: float | None = None
    dashes: tuple[float, ...] = ()


Part = Said | Area


@dataclass(frozen=True, slots=True)
class Block:
    """What takes a room of so much. `within` are parts and blocks, each with where it lies from the upper left corner.

    Nothing is moved before it is drawn: a sheet is laid out several times until it fits, and drawn once.
    """

    width: float
    height: float
    within: tuple[tuple[float, float, Part | Block], ...] = ()

    def parts(self, x: float = 0, y: float = 0) -> Iterator[Part]:
        """All parts, where they are when the corner lies there."""
        for right, down, one in self.within:
            if isinstance(one, Block):
                yield from one.parts(x + right, y + down)
            else:
                yield replace(one, x=one.x + x + right, y=one.y + y + down)


def said(
    words: str,
    width: float,
    size: float,
    *,
    floor: float = 8.0,
    lines: int = 1,
    font: str = BOLD,
    inverse: bool = False,
    told: bool = False,
) -> Block:
    """Words at `size`, smaller where they would not fit in so many lines, but never below `floor`.

    At the floor they take as many lines as they need; nothing is left out, and a word wider than the room is parted.
    """
    text, size = printable(words), max(size, floor)
    while size > floor and not _fits(text, font, size, width, lines):
        size = max(floor, size - SHRINK)
    rows = _wrapped(text, font, size, width)
    leading = size * LEADING
    parts = []
    for number, row in enumerate(rows):
        parts.append((0, 0, Said(0, number * leading + size * ASCENT, row, font, size, white=inverse, told=told)))
    return Block(width, len(rows) * leading, tuple(parts))


def plain(words: str, width: float, size: float, *, floor: float = 8.0, told: bool = False) -> Block:
    """A paragraph in the regular face, in as many lines as it needs."""
    return said(words, width, size, floor=min(floor, size), lines=40, font=REGULAR, told=told)


def under(*blocks: Block, gap: float = 0.0) -> Block:
    """Blocks under each other."""
    y, parts = 0.0, []
    for number, block in enumerate(blocks):
        y += gap if number else 0.0
        parts.append((0.0, y, block))
        y += block.height
    return Block(max((block.width for block in blocks), default=0.0), y, tuple(parts))


def beside(*blocks: Block, gap: float, middle: bool = False) -> Block:
    """Blocks beside each other, their upper edges in one line, or their middles."""
    height = max((block.height for block in blocks), default=0.0)
    x, parts = 0.0, []
    for block in blocks:
        parts.append((x, (height - block.height) / 2 if middle else 0.0, block))
        x += block.width + gap
    return Block(max(0.0, x - gap), height, tuple(parts))


def at_least(block: Block, height: float) -> Block:
    """The block, with nothing below it until it is so high."""
    return replace(block, height=max(block.height, height))


def boxed(make: Callable[[float], Block], width: float, *, pad: float = 6.0, line: float = 2.0) -> Block:
    """What `make` gives for the width that is left, within a frame."""
    inner = make(width - 2 * pad)
    height = inner.height + 2 * pad
    return Block(width, height, ((0, 0, Area(0, 0, width, height, line)), (pad, pad, inner)))


def band(make: Callable[[float], Block], width: float, *, pad: float = 6.0) -> Block:
    """What `make` gives, which is to be white, on black."""
    inner = make(width - 2 * pad)
    height = inner.height + 2 * pad
    return Block(width, height, ((0, 0, Area(0, 0, width, height)), (pad, pad, inner)))


def squares(matrix: Sequence[Sequence[bool]], side: float, quiet: int = 4) -> Block:
    """The dark squares of a two-dimensional code, with a white border of so many squares on each side.

    Squares beside each other are one rectangle, so that no printer leaves a hair of white between them.
    """
    unit = side / (len(matrix) + 2 * quiet)
    parts = []
    for down, row in enumerate(matrix):
        across = 0
        while across < len(row):
            run = 0
            while across + run < len(row) and row[across + run]:
                run += 1
            if run:
                parts.append((0, 0, Area((quiet + across) * unit, (quiet + down) * unit, run * unit, unit)))
            across += run or 1
    return Block(side, side, tuple(parts))


def rule(width: float, *, line: float = 1.0, dashes: tuple[float, ...] = ()) -> Block:
    """A line across."""
    return Block(width, line, ((0, 0, Area(0, 0, width, 0, line, dashes)),))


def space(height: float) -> Block:
    """Nothing, so high."""
    return Block(0, height)


def draw(canvas: Canvas, block: Block, page_height: float, x: float, y: float) -> None:
    """Put a block on a page, its corner so far from the page's upper left one."""
    for part in block.parts(x, y):
        if isinstance(part, Said):
            canvas.setFillColor(white if part.white else black)
            canvas.setFont(part.font, part.size)
            canvas.drawString(part.x, page_height - part.y, part.words)
            continue
        canvas.setFillColor(black)
        canvas.setStrokeColor(black)
        if part.line is None:
            canvas.rect(part.x, page_height - part.y - part.height, part.width, part.height, stroke=0, fill=1)
            continue
        canvas.setLineWidth(part.line)
        canvas.setDash(*([list(part.dashes)] if part.dashes else []))
        canvas.rect(part.x, page_height - part.y - part.height, part.width, part.height, stroke=1, fill=0)


@lru_cache(maxsize=10_000)
def _width(words: str, font: str) -> float:
    """The width of words, in parts of the size of type."""
    return float(stringWidth(words, font, 1))


def _fits(text: str, font: str, size: float, width: float, lines: int) -> bool:
    widest = max((_width(word, font) for word in text.split()), default=0.0)
    return widest * size <= width and len(_wrapped(text, font, size, width)) <= lines


def _wrapped(text: str, font: str, size: float, width: float) -> list[str]:
    """The words in rows; one that is wider than a row is parted."""
    rows, most = [""], width / size
    for word in text.split():
        longer = f"{rows[-1]} {word}".strip()
        if _width(longer, font) <= most:
            rows[-1] = longer
            continue
        if rows[-1]:
            rows.append("")
        if _width(word, font) <= most:
            rows[-1] = word
            continue
        for letter in word:
            if rows[-1] and _width(rows[-1] + letter, font) > most:
                rows.append("")
            rows[-1] += letter
    return rows
