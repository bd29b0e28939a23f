"""The face that the PDF is set in: one that comes with the library, so that every installation prints the same."""

from __future__ import annotations

from anyascii import anyascii
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, BOLD, SLANTED = "Vera", "Vera-Bold", "Vera-Italic"

_FILES = {REGULAR: "Vera.ttf", BOLD: "VeraBd.ttf", SLANTED: "VeraIt.ttf"}


def load() -> None:
    """Make the fonts known; once is enough, more often does no harm."""
    known = pdfmetrics.getRegisteredFontNames()
    for name, file in _FILES.items():
        if name not in known:
            pdfmetrics.registerFont(TTFont(name, file))
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=SLANTED, boldItalic=BOLD)


def printable(text: str) -> str:
    """The text in letters that the face has; others are transliterated, so that a name stays recognisable."""
    glyphs = pdfmetrics.getFont(REGULAR).face.charToGlyph
    flat = " ".join(text.split())
    return "".join(character if ord(character) in glyphs else anyascii(character) for character in flat)
