"""What the marks and lines of a sketch mean, in two columns under it."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from service.domain.place.sketch.shapes import PAPER_WIDTH, Dot, Line, Mark, MarkKind, Shape, Style, Text

ROW_HEIGHT = 21.0

MARK_WORDS: Mapping[MarkKind, tuple[str, str]] = {
    MarkKind.LAST: ("", "last known position"),
    MarkKind.DATUM: ("", "datum: drifted to"),
    MarkKind.FIX: ("", "other fix"),
    MarkKind.ENTRY: ("", "entry"),
    MarkKind.EXIT: ("1", "exit"),
    MarkKind.EXIT_CHOSEN: ("1", "exit of the plan"),
    MarkKind.EXIT_CLOSED: ("1", "closed at due out"),
    MarkKind.VEHICLE_ACCESS: ("V", "vehicle access"),
    MarkKind.PARKING: ("P", "parking"),
    MarkKind.MEETING: ("M", "meeting point"),
    MarkKind.SIGNAL: ("T", "phone or signal"),
    MarkKind.HAZARD: ("!", "hazard"),
    MarkKind.SITE: ("", "the site"),
}

STYLE_WORDS: Mapping[Style, str] = {
    Style.RADIUS_NOW: "first search, now",
    Style.RADIUS_LATER: "first search, later",
    Style.TRACK: "drift",
    Style.ACCURACY: "accuracy of the fix",
    Style.SHORE: "shore",
}

_SAMPLE = 20.0
_COLUMNS = 2


def key(
    kinds: Collection[MarkKind], styles: Collection[Style], left: float, top: float
) -> tuple[tuple[Shape, ...], float]:
    """The key to what is drawn, and the y at which it ends."""
    entries: list[tuple[MarkKind | Style, str]] = [
        (kind, words) for kind, (_, words) in MARK_WORDS.items() if kind in kinds
    ]
    entries += [(style, words) for style, words in STYLE_WORDS.items() if style in styles]
    rows = -(-len(entries) // _COLUMNS)
    found: list[Shape] = []
    for place, (what, words) in enumerate(entries):
        column, row = divmod(place, rows)
        x = left + column * (PAPER_WIDTH - left) / _COLUMNS
        y = top + (row + 0.5) * ROW_HEIGHT
        found += [_sample(what, x, y), Text(Dot(x + _SAMPLE + 7, y + 4.5), words)]
    return tuple(found), top + rows * ROW_HEIGHT


def _sample(what: MarkKind | Style, x: float, y: float) -> Shape:
    if isinstance(what, MarkKind):
        return Mark(what, Dot(x + _SAMPLE / 2, y), MARK_WORDS[what][0])
    return Line((Dot(x - 2, y), Dot(x + _SAMPLE + 2, y)), what)
