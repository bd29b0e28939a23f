"""What a sketch is made of. Coordinates are of the paper: x to the right, y down, one unit a pixel at 360 wide."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

PAPER_WIDTH = 360.0

TEXT_SIZE = 12.5
"""Of every label: on a phone it must still be read when the sketch is a little narrower than its 360 units."""

MARK_RADIUS = 8.5


@dataclass(frozen=True, slots=True)
class Dot:
    """A place on the paper."""

    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle on the paper."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        """From left to right."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """From top to bottom."""
        return self.bottom - self.top

    def meets(self, other: Box) -> bool:
        """Whether the two share more than an edge."""
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )

    def holds(self, other: Box) -> bool:
        """Whether the other lies wholly inside."""
        return (
            self.left <= other.left
            and other.right <= self.right
            and self.top <= other.top
            and other.bottom <= self.bottom
        )


class Style(StrEnum):
    """How a line or a circle is drawn; each differs from the others without colour."""

    SHORE = "shore"  # thick
    TRACK = "track"  # dashed, with an arrowhead at its end
    RADIUS_NOW = "radius_now"  # firm
    RADIUS_LATER = "radius_later"  # thin and dashed
    ACCURACY = "accuracy"  # dotted
    FRAME = "frame"  # hairline
    SCALE = "scale"  # firm


class MarkKind(StrEnum):
    """What a mark stands for; each has a form of its own."""

    ENTRY = "entry"  # full triangle
    EXIT = "exit"  # ring around a number
    EXIT_CHOSEN = "exit_chosen"  # the same, full: the plan names it
    EXIT_CLOSED = "exit_closed"  # the same, struck through
    VEHICLE_ACCESS = "vehicle_access"  # square around a letter, as are the next three
    PARKING = "parking"
    MEETING = "meeting"
    SIGNAL = "signal"
    HAZARD = "hazard"  # triangle around an exclamation mark
    LAST = "last"  # dot in a ring
    FIX = "fix"  # small upright cross
    DATUM = "datum"  # slanting cross
    SITE = "site"  # full square: everything of the site, where it is too small to be told apart


@dataclass(frozen=True, slots=True)
class Line:
    """A line through two or more places."""

    points: tuple[Dot, ...]
    style: Style


@dataclass(frozen=True, slots=True)
class Disc:
    """A circle, not filled."""

    centre: Dot
    radius: float
    style: Style


@dataclass(frozen=True, slots=True)
class Mark:
    """A sign at a place. `label` is the letter or the number inside it, or empty."""

    kind: MarkKind
    at: Dot
    label: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    """Words at a place: `at` is on the base line, at its start, middle or end by `anchor`; turned reads upwards."""

    at: Dot
    words: str
    anchor: str = "start"
    turned: bool = False
    bold: bool = False


Shape = Line | Disc | Mark | Text


@dataclass(frozen=True, slots=True)
class Sketch:
    """A sheet of `width` by `height` units. What is `inside` is clipped to the frame; `around` lies anywhere.

    Shapes are drawn in their order. `alternative` says the same in lines of words.
    """

    width: float
    height: float
    frame: Box
    inside: tuple[Shape, ...]
    around: tuple[Shape, ...]
    alternative: tuple[str, ...]

    @property
    def shapes(self) -> tuple[Shape, ...]:
        """Everything on the sheet."""
        return self.inside + self.around
