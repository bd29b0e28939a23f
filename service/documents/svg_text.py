"""Words and numbers as every drawing of ours writes them into SVG."""

from __future__ import annotations

from xml.sax.saxutils import escape

from service.documents.xml_text import legal


def written(words: str, x: float, y: float, *, anchor: str = "start", bold: bool = False) -> str:
    """A text at that place of the paper, in the colour of the page."""
    weight = ' font-weight="bold"' if bold else ""
    at = f'x="{plain(x)}" y="{plain(y)}" text-anchor="{anchor}"'
    return f'<text {at}{weight} stroke="none" fill="currentColor">{escaped(words)}</text>'


def plain(number: float) -> str:
    """A number of the paper to a tenth of a unit, as short as it goes."""
    return f"{number:.1f}".removesuffix(".0")


def escaped(words: str) -> str:
    """Words that stand between tags, whatever somebody typed."""
    return escape(legal(words))
