"""The sketch as a picture: scalable vector graphics (SVG 1.1) that stands alone and may be put into a page."""

from __future__ import annotations

from xml.sax.saxutils import escape

from service.domain.place.sketch import Line, Shape, Sketch


def to_svg(sketch: Sketch, *, title: str) -> str:
    """A whole SVG document. It has no style of its own but presentation attributes, so that strict pages show it."""
    body = "".join(_shape(shape) for shape in sketch.shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" class="sketch" color="#000"'
        f' viewBox="0 0 {sketch.width:g} {sketch.height:g}"><title>{escape(title)}</title>'
        f"<desc>{escape(' '.join(sketch.alternative))}</desc>{body}</svg>"
    )


def _shape(shape: Shape) -> str:
    if isinstance(shape, Line):
        points = " ".join(f"{dot.x:.1f},{dot.y:.1f}" for dot in shape.points)
        return f'<polyline points="{points}" fill="none" stroke="currentColor"/>'
    return ""
