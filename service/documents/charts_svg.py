"""Charts as pictures: columns over time, bars that are made of parts, and spreads of lengths.

Scalable vector graphics (SVG 1.1) by attributes and classes alone, since the policy of our pages forbids styles within.
What is what is told by filling and by words, never by colour alone. A stylesheet turns them dark by the classes `chart`
(ink, by `color`) and `chart-paper` (by `fill`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from service.documents.svg_text import escaped, plain, written

WIDTH: Final = 360
_TEXT_SIZE: Final = 12
_BASE_Y, _TOP_Y = 150, 24
_LEFT_X: Final = 30
_ROW_HEIGHT: Final = 40
_RANGE_HEIGHT: Final = 54
_BAR_HEIGHT: Final = 14
_TICKS: Final = (1, 2, 5)


class Fill(StrEnum):
    """What tells one part from another."""

    FULL = "full"
    HATCHED = "hatched"
    DOTTED = "dotted"
    EMPTY = "empty"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a chart over time: its name, its whole, the part of it that is full, and a mark with a number."""

    name: str
    whole: int
    part: int
    marked: int


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar made of parts, from left to right."""

    name: str
    parts: tuple[tuple[Fill, int], ...]


@dataclass(frozen=True, slots=True)
class Range:
    """One spread: the middle, where nine in ten are below, and the longest, and how each is said."""

    name: str
    middle: float
    ninetieth: float
    longest: float
    words: str


def columns(given: Sequence[Column], *, title: str, description: str) -> str:
    """Columns over time. An empty frame where there is none."""
    most = max((one.whole for one in given), default=0)
    top = _round_up(most)
    step = (WIDTH - _LEFT_X - 6) / max(len(given), 1)
    drawn = [
        f'<path d="M{_LEFT_X} {_TOP_Y - 8}V{_BASE_Y}H{WIDTH - 4}"/>',
        written(str(top), _LEFT_X - 5, _TOP_Y + 4, anchor="end"),
        f'<path d="M{_LEFT_X - 4} {_TOP_Y}H{WIDTH - 4}" stroke-width="1" stroke-dasharray="1 5"/>',
        written("0", _LEFT_X - 5, _BASE_Y + 4, anchor="end"),
    ]
    for place, one in enumerate(given):
        drawn += _column(one, _LEFT_X + step * (place + 0.5), min(step * 0.7, 26.0), top)
    drawn += _names_below(given, step)
    return _svg(_BASE_Y + 24, "columns", drawn, title, description)


def _column(one: Column, x: float, width: float, top: int) -> Iterator[str]:
    for count, fill in ((one.whole, Fill.EMPTY), (one.part, Fill.FULL)):
        height = (_BASE_Y - _TOP_Y) * count / top
        if count:
            yield _box(x - width / 2, _BASE_Y - height, width, height, fill, "columns")
    if one.marked:
        y = _BASE_Y - (_BASE_Y - _TOP_Y) * one.whole / top - 5
        yield f'<path d="M{plain(x)} {plain(y - 9)}l4.5 8h-9z" fill="currentColor" stroke="none"/>'
        if one.marked > 1:
            yield written(str(one.marked), x, y - 11, anchor="middle")


def _names_below(given: Sequence[Column], step: float) -> Iterator[str]:
    """As many names as have room."""
    every = max(1, -(-len(given) // 5))
    for place in range(0, len(given), every):
        yield written(given[place].name, _LEFT_X + step * place, _BASE_Y + 17)


def bars(given: Sequence[Bar], name: str, *, title: str, description: str) -> str:
    """Bars under each other, all to one scale. `name` keeps its fillings apart from those of other charts of a page."""
    most = max((sum(count for _, count in one.parts) for one in given), default=0) or 1
    drawn: list[str] = []
    for place, one in enumerate(given):
        y, x = _ROW_HEIGHT * place + 16, 0.0
        total = sum(count for _, count in one.parts)
        drawn.append(written(one.name, 0, y))
        drawn.append(written(str(total), WIDTH, y, anchor="end", bold=True))
        for fill, count in one.parts:
            width = (WIDTH - 2) * count / most
            if count:
                drawn.append(_box(x + 1, y + 5, max(width, 1.5), _BAR_HEIGHT, fill, name))
            x += width
    return _svg(_ROW_HEIGHT * max(len(given), 1), name, drawn, title, description)


def ranges(given: Sequence[Range], *, title: str, description: str) -> str:
    """Spreads to one scale: a circle for the middle, a bar that holds nine in ten, a line to the longest."""
    most = max((one.longest for one in given), default=0.0) or 1.0
    drawn: list[str] = []
    for place, one in enumerate(given):
        y = _RANGE_HEIGHT * place + 14
        middle, ninetieth, longest = (4 + (WIDTH - 12) * at / most for at in (one.middle, one.ninetieth, one.longest))
        line = y + 16 + 8
        drawn += [
            written(f"{one.name}: {one.words}", 0, y),
            f'<path d="M4 {line}H{plain(longest)}" stroke-width="1.5"/>',
            f'<path d="M4 {line}H{plain(ninetieth)}" stroke-width="6"/>',
            f'<path d="M{plain(longest)} {line - 7}v14"/>',
            f'<circle cx="{plain(middle)}" cy="{line}" r="6.5" {_PAPER}/>',
        ]
    return _svg(_RANGE_HEIGHT * max(len(given), 1), "ranges", drawn, title, description)


def key(fill: Fill, name: str) -> str:
    """A filling alone, for what explains the chart of that name, which must be on the same page."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="chart-key" viewBox="0 0 22 16" color="#000" fill="none"'
        f' stroke="currentColor" stroke-width="1.5" aria-hidden="true">{_box(1, 1, 20, 14, fill, name)}</svg>'
    )


_PAPER: Final = 'class="chart-paper" fill="#fff"'


def _box(x: float, y: float, width: float, height: float, fill: Fill, name: str) -> str:
    where = f'x="{plain(x)}" y="{plain(y)}" width="{plain(width)}" height="{plain(height)}"'
    paper = f"<rect {where} {_PAPER}/>"
    if fill is Fill.EMPTY:
        return paper
    paint = "currentColor" if fill is Fill.FULL else f"url(#{name}-{fill})"
    return f'{paper}<rect {where} fill="{paint}"/>'


def _fillings(name: str) -> str:
    return (
        f'<defs><pattern id="{name}-hatched" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<path d="M-1 7L7 -1" stroke="currentColor" stroke-width="1.5"/></pattern>'
        f'<pattern id="{name}-dotted" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<circle cx="3" cy="3" r="1.2" fill="currentColor" stroke="none"/></pattern></defs>'
    )


def _svg(height: float, name: str, drawn: Sequence[str], title: str, description: str) -> str:
    document = (
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" role="img" class="chart" color="#000"'
        f' viewBox="0 0 {WIDTH} {plain(height)}" font-family="sans-serif" font-size="{_TEXT_SIZE}" fill="none"'
        f' stroke="currentColor" stroke-width="1.5">'
        f"<title>{escaped(title)}</title><desc>{escaped(description)}</desc>{_fillings(name)}{''.join(drawn)}</svg>"
    )
    return document.encode("ascii", "xmlcharrefreplace").decode("ascii")


def _round_up(most: int) -> int:
    """The next of 1, 2, 5, 10, 20, 50 ..."""
    tens = 1
    while True:
        for tick in _TICKS:
            if tick * tens >= most:
                return tick * tens
        tens *= 10
