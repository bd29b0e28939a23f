"""The ladder of one dive as a drawing: time goes down the tended line, and everybody who may be told has a column.

Scalable vector graphics (SVG 1.1) by attributes and classes alone, since the policy of our pages forbids styles within.
Who is told what is a shape; colour only adds to it. A stylesheet turns it dark by the classes `ladder` (ink, by
`color`), `ladder-paper` (by `fill`) and `ladder-cry` (by `color`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Final

from service.documents.svg_text import escaped, plain, written

WIDTH: Final = 360
_TOP, _FOOT = 44, 14
_LINE_X: Final = 122
_FIRST_COLUMN_X, _LAST_COLUMN_X = 158, 340
_UNITS_PER_MINUTE: Final = 5.0
_GAP_MAX: Final = 110.0  # what is longer apart is drawn with a break in the line
_LABEL_HEIGHT: Final = 15.0
_ROOM_BETWEEN: Final = 9.0
_TEXT_SIZE: Final = 12


class Shape(StrEnum):
    """What somebody gets."""

    NOTICE = "notice"
    REMINDER = "reminder"
    REPLY = "reply"
    ALERT = "alert"
    DISTRESS = "distress"


class Stroke(StrEnum):
    """How the tended line is drawn from one moment to the next, by the phase of the dive."""

    WAITING = "waiting"
    CALM = "calm"
    UNCERTAIN = "uncertain"
    ALARMED = "alarmed"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Row:
    """One moment: minutes from the first one, its time as written, what it is called, and who gets what.

    `marks` are columns and shapes. `again`: it comes again and again. `stroke` is the line that follows.
    """

    minute: float
    time: str
    labels: tuple[str, ...]
    marks: tuple[tuple[int, Shape], ...]
    stroke: Stroke
    again: bool = False


_FORMS: Final[Mapping[Shape, str]] = {
    Shape.NOTICE: '<rect x="-6" y="-6" width="12" height="12" class="ladder-paper" fill="#fff"/>',
    Shape.REMINDER: '<circle r="6.5" class="ladder-paper" fill="#fff"/>',
    Shape.REPLY: '<circle r="3" fill="currentColor"/>',
    Shape.ALERT: '<path d="M0 -8L8 6H-8Z" fill="currentColor"/>',
    Shape.DISTRESS: '<path d="M0 -9L9 0L0 9L-9 0Z" fill="currentColor"/>',
}
_LOUD: Final = (Shape.ALERT, Shape.DISTRESS)
_STROKES: Final[Mapping[Stroke, str]] = {
    Stroke.WAITING: 'stroke-width="2" stroke-dasharray="2 4"',
    Stroke.CALM: 'stroke-width="2.5"',
    Stroke.UNCERTAIN: 'stroke-width="5" stroke-dasharray="9 4"',
    Stroke.ALARMED: 'stroke-width="9" class="ladder-cry"',
}


def to_svg(columns: Sequence[str], rows: Sequence[Row], *, title: str, description: str) -> str:
    """A whole SVG element, in characters that any encoding has. Raises ValueError where there is no row or column."""
    if not columns or not rows:
        raise ValueError("a ladder has at least one row and one column")
    heights = list(_places(rows))
    height = heights[-1] + _LABEL_HEIGHT * len(rows[-1].labels) + _FOOT
    places = _columns(len(columns))
    parts = [
        *_headings(columns, places, height),
        *_line(rows, heights, height),
        *(part for row, y in zip(rows, heights, strict=True) for part in _row(row, y, places)),
    ]
    drawing = (
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" role="img" class="ladder" color="#000"'
        f' viewBox="0 0 {WIDTH} {plain(height)}" font-family="sans-serif" font-size="{_TEXT_SIZE}" fill="none"'
        f' stroke="currentColor" stroke-width="2">'
        f"<title>{escaped(title)}</title><desc>{escaped(description)}</desc>{''.join(parts)}</svg>"
    )
    return drawing.encode("ascii", "xmlcharrefreplace").decode("ascii")


def key(shape: Shape) -> str:
    """One shape alone, for what explains the drawing."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="ladder-key" viewBox="-11 -11 22 22" color="#000" fill="none"'
        f' stroke="currentColor" stroke-width="2" aria-hidden="true">{_mark(shape)}</svg>'
    )


def _places(rows: Sequence[Row]) -> Iterator[float]:
    """Down the page in proportion to time, but never so near that labels meet, nor farther than the line can show."""
    y = float(_TOP + _LABEL_HEIGHT)
    yield y
    for before, row in pairwise(rows):
        y += max(_room(before), min(_units(before, row), _GAP_MAX))
        yield y


def _units(before: Row, row: Row) -> float:
    return (row.minute - before.minute) * _UNITS_PER_MINUTE


def _room(row: Row) -> float:
    return _LABEL_HEIGHT * (len(row.labels) + 1) + _ROOM_BETWEEN


def _columns(count: int) -> list[float]:
    if count == 1:
        return [float(_FIRST_COLUMN_X)]
    step = min(64.0, (_LAST_COLUMN_X - _FIRST_COLUMN_X) / (count - 1))
    return [_FIRST_COLUMN_X + step * place for place in range(count)]


def _headings(columns: Sequence[str], places: Sequence[float], height: float) -> Iterator[str]:
    for words, x in zip(columns, places, strict=True):
        yield written(words, x, 20, anchor="middle", bold=True)
        yield f'<path d="M{plain(x)} {_TOP - 14}V{plain(height - _FOOT)}" stroke-width="1" stroke-dasharray="1 5"/>'


def _line(rows: Sequence[Row], heights: Sequence[float], height: float) -> Iterator[str]:
    ends = [*heights[1:], height]
    for place, (row, y, end) in enumerate(zip(rows, heights, ends, strict=True)):
        if row.stroke is Stroke.ENDED:
            continue
        yield f'<path d="M{_LINE_X} {plain(y)}V{plain(end)}" {_STROKES[row.stroke]}/>'
        if place + 1 < len(rows) and _units(row, rows[place + 1]) > _GAP_MAX:
            middle = (y + end) / 2
            yield f'<rect x="{_LINE_X - 8}" y="{plain(middle - 5)}" width="16" height="10" {_BARE}/>'
            yield f'<path d="M{_LINE_X - 8} {plain(middle - 3)}l16 -5M{_LINE_X - 8} {plain(middle + 8)}l16 -5"/>'


_BARE: Final = 'class="ladder-paper" fill="#fff" stroke="none"'


def _row(row: Row, y: float, places: Sequence[float]) -> Iterator[str]:
    yield written(row.time, 0, y + 4, bold=True)
    for line, words in enumerate(row.labels):
        yield written(words, 0, y + 4 + _LABEL_HEIGHT * (line + 1))
    knot = 'class="ladder-paper" fill="#fff"'
    yield f'<circle cx="{_LINE_X}" cy="{plain(y)}" r="5.5" {knot}/>'
    for column, shape in row.marks:
        x = places[column]
        again = '<path d="M-4 15l4 4l4 -4M-4 21l4 4l4 -4" stroke-width="1.5"/>' if row.again else ""
        loud = ' class="ladder-cry"' if shape in _LOUD else ""
        yield f'<g transform="translate({plain(x)} {plain(y)})"{loud}>{_mark(shape)}{again}</g>'
    if row.marks:
        last = max(places[column] for column, _ in row.marks)
        yield f'<path d="M{_LINE_X + 6} {plain(y)}H{plain(last - 10)}" stroke-width="1"/>'


def _mark(shape: Shape) -> str:
    return _FORMS[shape]
