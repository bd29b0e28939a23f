"""Where the words of a mark go: the best of the free places around it, tried in a fixed order."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from service.domain.place.sketch.shapes import TEXT_SIZE, Box, Dot, Line, Style, Text

LINE_HEIGHT = 14.5

_CHARACTER, _BOLD_CHARACTER = 0.56 * TEXT_SIZE, 0.64 * TEXT_SIZE  # on the wide side of usual sans-serif faces
_GAP = 3.0
_OFF = 14.0  # a second round of places is so much farther off
_LATER_IS_WORSE = 0.4  # a place further down the list is worth hiding this many dots of a line less
_BASE = 0.35 * TEXT_SIZE  # from the middle of a line down to its base


@dataclass(frozen=True, slots=True)
class Words:
    """One line of a label."""

    words: str
    bold: bool = False

    @property
    def width(self) -> float:
        """About how wide it is on the paper."""
        return len(self.words) * (_BOLD_CHARACTER if self.bold else _CHARACTER)


@dataclass(slots=True)
class Labels:
    """The labels placed so far inside a frame. They keep clear of what is `taken`, and of `lines` where they can."""

    frame: Box
    taken: list[Box] = field(default_factory=list)
    lines: Sequence[Dot] = ()
    placed: list[Text | Line] = field(default_factory=list)

    def place(self, around: Box, label: Sequence[Words]) -> bool:
        """Put a label around a box, near it or led to by a line, else fewer of its lines; False where none fits."""
        for count in range(len(label), 0, -1):
            width, height = max(line.width for line in label[:count]), count * LINE_HEIGHT
            places = [*_places(around, width, height), *_places(_grown(around), width, height)]
            free = [
                (self._crossings(box) + order * _LATER_IS_WORSE, box, anchor)
                for order, (box, anchor) in enumerate(places)
                if self._is_free(box)
            ]
            if free:
                _, box, anchor = min(free, key=lambda place: place[0])
                self._put(box, label[:count], anchor)
                self._lead(around, box)
                return True
        return False

    def place_at(self, spots: Sequence[Dot], line: Words) -> bool:
        """Put one line over the first of some spots that is free; False where none is."""
        for spot in spots:
            half, height = line.width / 2, LINE_HEIGHT / 2
            box = Box(spot.x - half, spot.y - height, spot.x + half, spot.y + height)
            if self._is_free(box):
                self._put(box, [line], "middle")
                return True
        return False

    def _is_free(self, box: Box) -> bool:
        return self.frame.holds(box) and not any(box.meets(other) for other in self.taken)

    def _crossings(self, box: Box) -> int:
        """How much of the lines a label there would hide."""
        return sum(box.left <= dot.x <= box.right and box.top <= dot.y <= box.bottom for dot in self.lines)

    def _put(self, box: Box, label: Sequence[Words], anchor: str) -> None:
        self.taken.append(box)
        x = {"start": box.left, "middle": (box.left + box.right) / 2, "end": box.right}[anchor]
        for row, line in enumerate(label):
            y = box.top + (row + 0.5) * LINE_HEIGHT + _BASE
            self.placed.append(Text(Dot(x, y), line.words, anchor, bold=line.bold))

    def _lead(self, around: Box, box: Box) -> None:
        """Join a label that stands off its mark to it by a hairline."""
        middle = Dot((around.left + around.right) / 2, (around.top + around.bottom) / 2)
        end = Dot(_within(middle.x, box.left, box.right), _within(middle.y, box.top, box.bottom))
        start = Dot(_within(end.x, around.left, around.right), _within(end.y, around.top, around.bottom))
        if math.hypot(end.x - start.x, end.y - start.y) > 2 * _GAP:
            self.placed.append(Line((start, end), Style.FRAME))


def _within(number: float, least: float, most: float) -> float:
    return min(max(number, least), most)


def _grown(box: Box) -> Box:
    return Box(box.left - _OFF, box.top - _OFF, box.right + _OFF, box.bottom + _OFF)


def _places(around: Box, width: float, height: float) -> Iterator[tuple[Box, str]]:
    """Places around a box, the best first, each with how its lines are anchored."""
    x, y = (around.left + around.right) / 2, (around.top + around.bottom) / 2
    east, west = around.right + _GAP, around.left - _GAP - width
    above, level, below = around.top - height, y - height / 2, around.bottom
    corners = [
        *((east, level, "start"), (west, level, "end")),
        *((x - width / 2, above, "middle"), (x - width / 2, below, "middle")),
        *((around.left, above, "start"), (around.left, below, "start")),
        *((around.right - width, above, "end"), (around.right - width, below, "end")),
        *((east, y - height, "start"), (east, y, "start"), (west, y - height, "end"), (west, y, "end")),
        *((east, above, "start"), (east, below, "start"), (west, above, "end"), (west, below, "end")),
    ]
    for left, top, anchor in corners:
        yield Box(left, top, left + width, top + height), anchor
