"""What stands around the map: its border with latitude and longitude, the scale bar, and north."""

from __future__ import annotations

import math
from collections.abc import Iterator

from service.domain.place.geodesy import normal_longitude
from service.domain.place.sketch.paper import View
from service.domain.place.sketch.shapes import TEXT_SIZE, Box, Dot, Line, Shape, Style, Text

BELOW_FRAME = 42.0
"""Height of what stands under the frame: longitudes, and the scale bar."""

LONGEST_BAR = 115.0

_TICK = 5.0
_APART_LAT, _APART_LON = 74.0, 86.0  # between two ticks: the width of 47°07.40'N or 020°32.60'W, and a gap
_END = 38.0  # a label nearer to a corner would stick out
_STEPS_OF_MINUTE = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 3000, 6000)  # in hundredths
_HUNDREDTHS = 6000  # of a minute, in a degree
_FARTHEST_LAT, _WIDEST_LON = 85.0, 20.0  # beyond, meridians are no upright lines any more


def north_box(frame: Box) -> Box:
    """The corner that the north arrow takes."""
    return Box(frame.right - 26, frame.top, frame.right, frame.top + 44)


def north_arrow(frame: Box) -> tuple[Shape, ...]:
    """An arrow up, with its letter under it."""
    x, top = frame.right - 14, frame.top + 6
    return (
        Line((Dot(x, top + 22), Dot(x, top)), Style.SCALE),
        Line((Dot(x - 5, top + 9), Dot(x, top), Dot(x + 5, top + 9)), Style.SCALE),
        Text(Dot(x, top + 35), "N", "middle", bold=True),
    )


def border(view: View) -> tuple[Shape, ...]:
    """The frame with ticks of latitude and longitude; without ticks where no square grid fits."""
    frame = view.frame
    corners = Dot(frame.left, frame.top), Dot(frame.right, frame.top), Dot(frame.right, frame.bottom)
    outline = Line((*corners, Dot(frame.left, frame.bottom), corners[0]), Style.FRAME)
    north, south = (view.position(Dot(frame.left, y)).lat for y in (frame.top, frame.bottom))
    west, east = (view.position(Dot(x, frame.bottom)).lon for x in (frame.left, frame.right))
    wide = normal_longitude(east - west)
    if max(abs(north), abs(south)) > _FARTHEST_LAT or not 0 < wide < _WIDEST_LON or not 0 < north - south < _WIDEST_LON:
        return (outline,)
    return (outline, *_latitudes(frame, south, north), *_longitudes(frame, west, wide))


def scale_bar(view: View) -> tuple[Shape, ...]:
    """A bar of a round length under the frame, with the length in words beside it."""
    metres = round_metres(LONGEST_BAR / view.scale)
    left, y = view.frame.left, view.frame.bottom + 32
    right = left + metres * view.scale
    bar = (Dot(left, y - 5), Dot(left, y), Dot(right, y), Dot(right, y - 5))
    return Line(bar, Style.SCALE), Text(Dot(right + 6, y), said_length(metres))


def round_metres(longest_m: float) -> float:
    """The greatest of 1, 2 or 5 times a power of ten that is no longer."""
    power = 10.0 ** math.floor(math.log10(longest_m))
    return next(digit * power for digit in (5, 2, 1) if digit * power <= longest_m or digit == 1)


def said_length(metres: float) -> str:
    """Metres, and kilometres from one up: "200 m", "2 km"."""
    return f"{metres:g} m" if metres < 1000 else f"{metres / 1000:g} km"  # noqa: PLR2004


def _latitudes(frame: Box, south: float, north: float) -> Iterator[Shape]:
    for hundredths, part, step in _ticks(south, north - south, frame.height, _APART_LAT):
        y = frame.bottom - part * frame.height
        yield Line((Dot(frame.left, y), Dot(frame.left + _TICK, y)), Style.FRAME)
        yield Line((Dot(frame.right - _TICK, y), Dot(frame.right, y)), Style.FRAME)
        if frame.top + _END <= y <= frame.bottom - _END:
            yield Text(Dot(frame.left - 4, y), _said_angle(hundredths, step, 2, "NS"), "middle", turned=True)


def _longitudes(frame: Box, west: float, wide: float) -> Iterator[Shape]:
    for hundredths, part, step in _ticks(west, wide, frame.width, _APART_LON):
        x = frame.left + part * frame.width
        yield Line((Dot(x, frame.top), Dot(x, frame.top + _TICK)), Style.FRAME)
        yield Line((Dot(x, frame.bottom - _TICK), Dot(x, frame.bottom)), Style.FRAME)
        if frame.left + _END <= x <= frame.right - _END:
            words = _said_angle(hundredths, step, 3, "EW")
            yield Text(Dot(x, frame.bottom + TEXT_SIZE), words, "middle")


def _ticks(least: float, span: float, length: float, apart: float) -> Iterator[tuple[int, float, int]]:
    """Round angles along an edge: hundredths of a minute, their part of the edge from 0 to 1, and the step."""
    fits = (step for step in _STEPS_OF_MINUTE if step / _HUNDREDTHS / span * length >= apart)
    step = next(fits, _STEPS_OF_MINUTE[-1] * 5)
    first, last = math.ceil(least * _HUNDREDTHS / step), math.floor((least + span) * _HUNDREDTHS / step)
    for count in range(first, last + 1):
        hundredths = count * step
        yield hundredths, (hundredths / _HUNDREDTHS - least) / span, step


def _said_angle(hundredths: int, step: int, digits: int, letters: str) -> str:
    """Degrees and decimal minutes with no more decimals than the step has: 47°07.4'N."""
    half_turn = 180 * _HUNDREDTHS
    if hundredths >= half_turn:  # east of the date line
        hundredths -= 2 * half_turn
    degrees, rest = divmod(abs(hundredths), _HUNDREDTHS)
    places = 0 if step % 100 == 0 else 1 if step % 10 == 0 else 2
    minutes = f"{rest / 100:0{3 + places if places else 2}.{places}f}"
    return f"{degrees:0{digits}d}°{minutes}'{letters[hundredths < 0]}"
