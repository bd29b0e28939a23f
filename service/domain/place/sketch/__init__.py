"""The sketch of a site as a pure scene: shapes on a sheet of paper, and the same in words."""

from service.domain.place.sketch.drawing import draw
from service.domain.place.sketch.shapes import Disc, Line, Mark, MarkKind, Shape, Sketch, Style, Text

__all__ = ["Disc", "Line", "Mark", "MarkKind", "Shape", "Sketch", "Style", "Text", "draw"]
