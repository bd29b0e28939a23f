"""One printed page: its paper, how far its words must carry, and making all of it fit."""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import StrEnum
from io import BytesIO
from typing import Final

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from service.documents.pdf_fonts import load, printable
from service.documents.sheet_blocks import CAPITAL, Block, draw

MEDIA_TYPE: Final = "application/pdf"
MARGIN: Final = 11 * mm  # what the printers that people have leave white

READ_FROM_MM: Final = 2000.0
"""A diver with a bag in each hand stands so far from a sign."""

_FAR, _FAR_IN_BAD_LIGHT = 300, 150


def _carries(ratio: float) -> float:
    """The size of type, in points, whose capitals are that part of the distance high; rounded up to half a point."""
    size = READ_FROM_MM / ratio * float(mm) / CAPITAL
    return math.ceil(size * 2) / 2


READABLE: Final = _carries(_FAR)
"""Type of which a capital is 1/300 of the distance: the least for what must be read from there (ANSI Z535.2, 9.2.3)."""

STRIKING: Final = _carries(_FAR_IN_BAD_LIGHT)
"""1/150, as the same clause asks of what must catch the eye, and as its table has it for bad light."""


class Paper(StrEnum):
    """The sizes that people have."""

    A4 = "a4"
    LETTER = "letter"

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in points, upright."""
        width, height = A4 if self is Paper.A4 else LETTER
        return float(width), float(height)

    @property
    def room(self) -> tuple[float, float]:
        """Width and height within the margins."""
        width, height = self.size
        return width - 2 * MARGIN, height - 2 * MARGIN


_SCALES: Final = tuple(1 - step / 20 for step in range(13))
"""By how much everything but what must carry gives way, until a page holds it."""


def fitted(paper: Paper, make: Callable[[float, float], Block]) -> Block:
    """What `make` gives for the page's width and the largest scale at which it is no higher than the page.

    Raises ValueError where even the smallest does not fit: a sheet with something cut off must not be printed.
    """
    load()
    width, height = paper.room
    for scale in _SCALES:
        block = make(width, scale)
        if block.height <= height:
            return block
    raise ValueError("the names are too long for this page")


def page(paper: Paper, block: Block, title: str, language: str) -> bytes:
    """The one page as a PDF; the same bytes for the same block."""
    buffer = BytesIO()
    canvas = Canvas(buffer, pagesize=paper.size, invariant=1, lang=language)
    canvas.setTitle(printable(title))
    draw(canvas, block, paper.size[1], MARGIN, MARGIN)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()
