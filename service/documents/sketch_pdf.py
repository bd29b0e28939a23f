"""The sketch as a part of a PDF page: the same shapes as in the picture, drawn with lines and curves."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from reportlab.lib.colors import black, white
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from service.documents.pdf_fonts import BOLD, REGULAR, printable
from service.domain.place.sketch import Disc, Line, Mark, MarkKind, Shape, Sketch, Style, Text
from service.domain.place.sketch.shapes import MARK_RADIUS, TEXT_SIZE, Dot

_STROKES: Mapping[Style, tuple[float, tuple[float, ...]]] = {
    Style.SHORE: (4, ()),
    Style.TRACK: (2, (7, 4)),
    Style.RADIUS_NOW: (2.2, ()),
    Style.RADIUS_LATER: (1.2, (5, 5)),
    Style.ACCURACY: (2, (0.1, 4)),
    Style.FRAME: (1, ()),
    Style.SCALE: (2, ()),
}
"""Width and dashes of each kind of line, in units of the sketch."""

_LABEL_SIZE = 11.0
_ROUND_CAP = 1
_ARROW = 9.0


class SketchDrawing(Flowable):
    """The sketch at a width in points, in black on white."""

    def __init__(self, sketch: Sketch, width: float) -> None:
        super().__init__()
        self._sketch = sketch
        self._scale = width / sketch.width
        self.width, self.height = width, sketch.height * self._scale

    def wrap(self, _available_width: float, _available_height: float) -> tuple[float, float]:
        """The room it takes, in points."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw it, what is inside clipped to the frame."""
        canvas, sketch, frame = self.canv, self._sketch, self._sketch.frame
        canvas.saveState()
        canvas.scale(self._scale, self._scale)
        canvas.setStrokeColor(black)
        canvas.setFillColor(black)
        canvas.saveState()
        clip = canvas.beginPath()
        clip.rect(frame.left, sketch.height - frame.bottom, frame.width, frame.height)
        canvas.clipPath(clip, stroke=0, fill=0)
        self._put(sketch.inside)
        canvas.restoreState()
        self._put(sketch.around)
        canvas.restoreState()

    def _put(self, shapes: tuple[Shape, ...]) -> None:
        for shape in shapes:
            self.canv.saveState()
            match shape:
                case Line(points, style):
                    self._line([self._up(dot) for dot in points], style)
                case Disc(centre, radius, style):
                    _set_stroke(self.canv, style)
                    self.canv.circle(*self._up(centre), radius, stroke=1, fill=0)
                case Mark(kind, at, label):
                    self.canv.translate(*self._up(at))
                    self.canv.setLineWidth(2)
                    _FORMS[kind](self.canv, printable(label))
                case _:
                    self._words(shape)
            self.canv.restoreState()

    def _up(self, dot: Dot) -> tuple[float, float]:
        """A place of the sketch on the page, where y goes up."""
        return dot.x, self._sketch.height - dot.y

    def _line(self, points: list[tuple[float, float]], style: Style) -> None:
        path = self.canv.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        _set_stroke(self.canv, style)
        self.canv.drawPath(path, stroke=1, fill=0)
        if style is Style.TRACK:
            self._arrow(points[-2], points[-1])

    def _arrow(self, tail: tuple[float, float], head: tuple[float, float]) -> None:
        """The way that a track goes, at its end."""
        if tail == head:
            return
        self.canv.setDash()
        self.canv.translate(*head)
        self.canv.rotate(math.degrees(math.atan2(head[1] - tail[1], head[0] - tail[0])))
        _polygon(self.canv, ((0, 0), (-_ARROW, _ARROW / 2.5), (-_ARROW, -_ARROW / 2.5)), fill=1)

    def _words(self, text: Text) -> None:
        """Words with a white rim, so that a line behind them does not make them unreadable."""
        words, font = printable(text.words), BOLD if text.bold else REGULAR
        width = stringWidth(words, font, _LABEL_SIZE)
        self.canv.translate(*self._up(text.at))
        self.canv.rotate(90 if text.turned else 0)
        start = {"start": 0.0, "middle": -width / 2, "end": -width}[text.anchor]
        for mode, colour in ((2, white), (0, black)):
            # A mode of text outlives its text, and the library does not write the usual one again.
            self.canv.saveState()
            written = self.canv.beginText(start, 0)
            written.setFont(font, _LABEL_SIZE)
            written.setTextRenderMode(mode)
            self.canv.setStrokeColor(colour)
            self.canv.setFillColor(colour)
            self.canv.setLineWidth(3)
            written.textOut(words)
            self.canv.drawText(written)
            self.canv.restoreState()


def to_drawing(sketch: Sketch, width: float) -> SketchDrawing:
    """The sketch as a part of a page, so many points wide."""
    return SketchDrawing(sketch, width)


def _set_stroke(canvas: Canvas, style: Style) -> None:
    width, dashes = _STROKES[style]
    canvas.setLineWidth(width)
    canvas.setDash(list(dashes))
    if style in (Style.SHORE, Style.ACCURACY):
        canvas.setLineCap(_ROUND_CAP)


def _polygon(canvas: Canvas, points: tuple[tuple[float, float], ...], *, fill: int, stroke: int = 1) -> None:
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    path.close()
    canvas.drawPath(path, stroke=stroke, fill=fill)


def _label(canvas: Canvas, words: str) -> None:
    canvas.setFont(BOLD, TEXT_SIZE - 1)
    canvas.drawCentredString(0, -(TEXT_SIZE - 1) * 0.36, words)


def _ring(canvas: Canvas, label: str) -> None:
    canvas.setFillColor(white)
    canvas.circle(0, 0, MARK_RADIUS, stroke=1, fill=1)
    canvas.setFillColor(black)
    _label(canvas, label)


def _full_ring(canvas: Canvas, label: str) -> None:
    canvas.circle(0, 0, MARK_RADIUS, stroke=1, fill=1)
    canvas.setFillColor(white)
    _label(canvas, label)


def _struck_ring(canvas: Canvas, label: str) -> None:
    _ring(canvas, label)
    reach = MARK_RADIUS + 2
    canvas.line(-reach, -reach, reach, reach)


def _square(canvas: Canvas, label: str) -> None:
    canvas.setFillColor(white)
    canvas.rect(-MARK_RADIUS, -MARK_RADIUS, 2 * MARK_RADIUS, 2 * MARK_RADIUS, stroke=1, fill=1)
    canvas.setFillColor(black)
    _label(canvas, label)


def _full_square(canvas: Canvas, _label: str) -> None:
    half = MARK_RADIUS * 0.7
    canvas.rect(-half, -half, 2 * half, 2 * half, stroke=1, fill=1)


def _triangle(canvas: Canvas, _label: str) -> None:
    _polygon(canvas, _corners(MARK_RADIUS), fill=1)


def _hazard(canvas: Canvas, _nothing: str) -> None:
    canvas.setFillColor(white)
    _polygon(canvas, _corners(MARK_RADIUS + 1.5), fill=1)
    canvas.line(0, 4, 0, -1.5)
    canvas.line(0, -4, 0, -4.6)


def _dot_in_ring(canvas: Canvas, _label: str) -> None:
    canvas.setFillColor(white)
    canvas.circle(0, 0, MARK_RADIUS, stroke=1, fill=1)
    canvas.setFillColor(black)
    canvas.circle(0, 0, MARK_RADIUS * 0.45, stroke=0, fill=1)


def _upright_cross(canvas: Canvas, _label: str) -> None:
    reach = MARK_RADIUS * 0.65
    canvas.line(-reach, 0, reach, 0)
    canvas.line(0, -reach, 0, reach)


def _slanting_cross(canvas: Canvas, _label: str) -> None:
    reach = MARK_RADIUS * 0.65
    canvas.line(-reach, -reach, reach, reach)
    canvas.line(-reach, reach, reach, -reach)


def _corners(radius: float) -> tuple[tuple[float, float], ...]:
    """Of an upright triangle about its middle."""
    return (0, radius), (-radius * 0.92, -radius * 0.7), (radius * 0.92, -radius * 0.7)


_FORMS: Mapping[MarkKind, Callable[[Canvas, str], None]] = {
    MarkKind.ENTRY: _triangle,
    MarkKind.EXIT: _ring,
    MarkKind.EXIT_CHOSEN: _full_ring,
    MarkKind.EXIT_CLOSED: _struck_ring,
    MarkKind.VEHICLE_ACCESS: _square,
    MarkKind.PARKING: _square,
    MarkKind.MEETING: _square,
    MarkKind.SIGNAL: _square,
    MarkKind.HAZARD: _hazard,
    MarkKind.LAST: _dot_in_ring,
    MarkKind.FIX: _upright_cross,
    MarkKind.DATUM: _slanting_cross,
    MarkKind.SITE: _full_square,
}
