"""How large type must be to be read from where people stand, against a published rule.

Source: ANSI Z535.2, clause 9.2.3 and its table of letter heights, as quoted in a sign maker's public catalogue
(catalogs.bradyid.com/guide/safety-facility-equipment-identification-catalog/25.php): for words of a message a letter is
at least 1/300 of the safe viewing distance high, for the signal word 1/150; the table gives 0.32 inch for 8 feet in
favourable reading conditions, 0.66 inch in unfavourable ones.
"""

from __future__ import annotations

from io import BytesIO

import pypdfium2
import pytest
from reportlab.lib.units import inch, mm
from reportlab.pdfgen.canvas import Canvas

from service.documents.paper import READ_FROM_MM, READABLE, STRIKING
from service.documents.pdf_fonts import BOLD, load

FOOT_MM = 304.8
DOTS = 8  # pixels to a point


def capital_height(size: float) -> float:
    """How high a capital of that size is printed, in millimetres: measured on the page."""
    load()
    buffer = BytesIO()
    canvas = Canvas(buffer, pagesize=(200, 200))
    canvas.setFont(BOLD, size)
    canvas.drawString(50, 50, "H")
    canvas.save()
    with pypdfium2.PdfDocument(buffer.getvalue()) as opened:
        image = opened[0].render(scale=DOTS, grayscale=True).to_pil()
    left, top, right, bottom = image.point(lambda shade: 255 if shade < 128 else 0).getbbox()
    assert right > left
    return (bottom - top) / DOTS / mm


@pytest.mark.parametrize(
    ("size", "ratio", "inches_at_8_feet"),
    [(READABLE, 300, 0.32), (STRIKING, 150, 0.64)],
    ids=["message", "signal word"],
)
def test_a_capital_is_as_high_as_the_rule_asks_for_two_metres(size: float, ratio: int, inches_at_8_feet: float) -> None:
    """By the ratio, and by the row of the table for eight feet brought down to two metres."""
    height_mm = capital_height(size)

    assert READ_FROM_MM == 2000
    assert height_mm >= READ_FROM_MM / ratio - 0.05
    assert height_mm >= inches_at_8_feet * (inch / mm) * READ_FROM_MM / (8 * FOOT_MM) - 0.05
    assert height_mm <= READ_FROM_MM / ratio * 1.03


def test_what_strikes_the_eye_is_what_the_table_asks_for_in_bad_light() -> None:
    """0.66 inch for 8 feet is 1/145: ours is within three per cent of it."""
    assert capital_height(STRIKING) == pytest.approx(0.66 * (inch / mm) * READ_FROM_MM / (8 * FOOT_MM), rel=0.035)
