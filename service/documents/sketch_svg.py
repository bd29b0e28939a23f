"""The sketch as a picture: scalable vector graphics (SVG 1.1) that stands alone and may be put into a page.

Everything is black on white by presentation attributes, so that a page whose policy forbids styles inside it shows it
as meant. A stylesheet turns it dark by three classes: `sketch` (ink, by `color`), `sketch-paper` (by `fill`) and
`sketch-halo` (by `stroke`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from service.documents.svg_text import escaped, plain
from service.domain.place.sketch import Disc, Line, Mark, MarkKind, Shape, Sketch, Style, Text
from service.domain.place.sketch.shapes import MARK_RADIUS, TEXT_SIZE, Dot

_INK = "currentColor"

_STROKES: Mapping[Style, str] = {
    Style.SHORE: 'stroke-width="4" stroke-linejoin="round" stroke-linecap="round"',
    Style.TRACK: 'stroke-width="2" stroke-dasharray="7 4"',
    Style.RADIUS_NOW: 'stroke-width="2.2"',
    Style.RADIUS_LATER: 'stroke-width="1.2" stroke-dasharray="5 5"',
    Style.ACCURACY: 'stroke-width="2" stroke-dasharray="0.1 4" stroke-linecap="round"',
    Style.FRAME: 'stroke-width="1"',
    Style.SCALE: 'stroke-width="2"',
}

_PAPER = 'class="sketch-paper" fill="#fff"'
_INK_FILL = f'fill="{_INK}"'


_NO_HALO = f'stroke="none" {_INK_FILL}'

# A broad rim in the colour of the paper, so that lines under words do no harm.
_HALO = f'class="sketch-halo" stroke="#fff" stroke-width="7" stroke-linejoin="round" paint-order="stroke" {_INK_FILL}'


def to_svg(sketch: Sketch, *, title: str) -> str:
    """A whole SVG document, in characters that any encoding has; `title` is its accessible name."""
    frame = sketch.frame
    left, top, width, height = (plain(one) for one in (frame.left, frame.top, frame.width, frame.height))
    inside = "".join(_shape(shape, _HALO) for shape in sketch.inside)
    around = "".join(_shape(shape, _NO_HALO) for shape in sketch.around)
    document = (
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" role="img" class="sketch" color="#000"'
        f' viewBox="0 0 {plain(sketch.width)} {plain(sketch.height)}"'
        f' font-family="sans-serif" font-size="{plain(TEXT_SIZE)}" fill="none" stroke="{_INK}">'
        f"<title>{escaped(title)}</title><desc>{escaped(chr(10).join(sketch.alternative))}</desc>"
        f'<rect width="{plain(sketch.width)}" height="{plain(sketch.height)}" {_PAPER} stroke="none"/>'
        f'<svg x="{left}" y="{top}" width="{width}" height="{height}"'
        f' viewBox="{left} {top} {width} {height}" overflow="hidden">'
        f"{inside}</svg>{around}</svg>"
    )
    return document.encode("ascii", "xmlcharrefreplace").decode("ascii")


def _shape(shape: Shape, text: str) -> str:
    match shape:
        case Line(points, style):
            return f'<polyline points="{_points(points)}" {_STROKES[style]}/>'
        case Disc(centre, radius, style):
            return f'<circle cx="{plain(centre.x)}" cy="{plain(centre.y)}" r="{plain(radius)}" {_STROKES[style]}/>'
        case Mark(kind, at, label):
            x, y = plain(at.x), plain(at.y)
            return f'<g transform="translate({x} {y})" stroke-width="2">{_FORMS[kind](label)}</g>'
    return _words(shape, text)


def _words(text: Text, painted: str) -> str:
    x, y = plain(text.at.x), plain(text.at.y)
    turn = f' transform="rotate(-90 {x} {y})"' if text.turned else ""
    weight = ' font-weight="bold"' if text.bold else ""
    anchor = "" if text.anchor == "start" else f' text-anchor="{text.anchor}"'
    return f'<text x="{x}" y="{y}"{anchor}{weight}{turn} {painted}>{escaped(text.words)}</text>'


_ROUND = f'<circle r="{MARK_RADIUS}" %s/>'
_SQUARE = (
    f'<rect x="{-MARK_RADIUS}" y="{-MARK_RADIUS}" width="{2 * MARK_RADIUS}" height="{2 * MARK_RADIUS}" rx="2" %s/>'
)
_TRIANGLE = f'<path d="M0 {-MARK_RADIUS - 1}L{MARK_RADIUS + 1} {MARK_RADIUS - 1}H{-MARK_RADIUS - 1}Z" %s/>'
_STRUCK = f'<path d="M{-MARK_RADIUS} {MARK_RADIUS}L{MARK_RADIUS} {-MARK_RADIUS}"/>'


def _open(outline: str, letter: str) -> str:
    """A form of paper with a letter of ink."""
    return outline % _PAPER + _letter(letter, _INK_FILL)


def _full(outline: str, letter: str) -> str:
    """A form of ink with a letter of paper."""
    return outline % _INK_FILL + _letter(letter, _PAPER)


def _letter(letter: str, fill: str) -> str:
    if not letter:
        return ""
    return f'<text y="4.6" text-anchor="middle" font-weight="bold" stroke="none" {fill}>{escaped(letter)}</text>'


_FORMS: Mapping[MarkKind, Callable[[str], str]] = {
    MarkKind.ENTRY: lambda letter: _full(_TRIANGLE, letter),
    MarkKind.EXIT: lambda letter: _open(_ROUND, letter),
    MarkKind.EXIT_CHOSEN: lambda letter: _full(_ROUND, letter),
    MarkKind.EXIT_CLOSED: lambda letter: _open(_ROUND, letter) + _STRUCK,
    MarkKind.VEHICLE_ACCESS: lambda letter: _full(_SQUARE, letter),
    MarkKind.PARKING: lambda letter: _open(_SQUARE, letter),
    MarkKind.MEETING: lambda letter: _open(_SQUARE, letter),
    MarkKind.SIGNAL: lambda letter: _open(_SQUARE, letter),
    MarkKind.HAZARD: lambda letter: _open(_TRIANGLE, letter),
    MarkKind.LAST: lambda letter: _open(_ROUND, letter) + f'<circle r="3.5" {_INK_FILL}/>',
    MarkKind.FIX: lambda letter: '<path d="M-5 0H5M0 -5V5"/>' + _letter(letter, _INK_FILL),
    MarkKind.DATUM: lambda letter: '<path stroke-width="3" d="M-7 -7L7 7M-7 7L7 -7"/>' + _letter(letter, _INK_FILL),
    MarkKind.SITE: lambda letter: _full(_SQUARE, letter),
}


def _points(dots: Iterable[Dot]) -> str:
    return " ".join(f"{plain(dot.x)},{plain(dot.y)}" for dot in dots)
