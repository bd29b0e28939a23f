"""Parts of the sketch: the view, its edges, the scale bar, and where labels go."""

from __future__ import annotations

import math
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.geodesy import destination, distance_m
from service.domain.place.position import Position
from service.domain.place.sketch import Line, Style, Text
from service.domain.place.sketch.edges import LONGEST_BAR, border, round_metres, said_length, scale_bar
from service.domain.place.sketch.labels import LINE_HEIGHT, Labels, Words
from service.domain.place.sketch.marks import apart
from service.domain.place.sketch.paper import HIGHEST_FRAME, LOWEST_FRAME, fit
from service.domain.place.sketch.shapes import Box, Dot
from tests.domain.place.places import ENTRY

FRAME = Box(0, 0, 200, 200)


def texts(labels: Labels) -> list[Text]:
    """The words that were placed."""
    return [shape for shape in labels.placed if isinstance(shape, Text)]


def labels_at_edges(origin: Position, metres: float) -> list[str]:
    """The words at the edges of a view of about so many metres each way."""
    around = [destination(origin, bearing, metres) for bearing in (0, 90, 180, 270)]
    return [shape.words for shape in border(fit(origin, [origin, *around])) if isinstance(shape, Text)]


@given(st.floats(-80, 80), st.floats(-180, 180), st.floats(0, 360), st.floats(10, 2000))
def test_the_paper_is_to_scale_and_leads_back(lat: float, lon: float, bearing: float, metres: float) -> None:
    """What lies at the origin is true on the paper, and a place on it is the position again."""
    origin = Position(lat, lon)
    there = destination(origin, bearing, metres)
    view = fit(origin, [origin, there])

    assert apart(view.dot(origin), view.dot(there)) / view.scale == pytest.approx(metres, rel=1e-6)
    assert distance_m(view.position(view.dot(there)), there) < 0.01


def test_north_is_up_and_east_is_right() -> None:
    """As on a chart."""
    view = fit(ENTRY, [ENTRY])
    north, east = view.dot(destination(ENTRY, 0, 20)), view.dot(destination(ENTRY, 90, 20))

    assert north.y < view.dot(ENTRY).y
    assert east.x > view.dot(ENTRY).x


@pytest.mark.parametrize("bearing", [0, 90])
def test_the_frame_is_as_high_as_it_must_be(bearing: float) -> None:
    """A shore from west to east takes a low frame, one from south to north a high one."""
    view = fit(ENTRY, [ENTRY, destination(ENTRY, bearing, 500)])

    assert view.frame.height == pytest.approx(HIGHEST_FRAME if bearing == 0 else LOWEST_FRAME)


@pytest.mark.parametrize(
    ("longest", "expected"),
    [(1, 1), (1.9, 1), (2, 2), (4.9, 2), (5, 5), (9.9, 5), (10, 10), (137, 100), (0.4, 0.2), (7_000_000, 5_000_000)],
)
def test_a_scale_bar_has_a_round_length(longest: float, expected: float) -> None:
    """1, 2 or 5 times a power of ten, as long as fits."""
    assert round_metres(longest) == pytest.approx(expected)


@given(st.floats(1e-3, 1e8))
def test_a_scale_bar_is_never_too_long_or_too_short(longest: float) -> None:
    """Between two fifths of what fits and all of it, rounding at a power of ten aside."""
    assert 0.39 * longest < round_metres(longest) <= longest * (1 + 1e-9)


@pytest.mark.parametrize(("metres", "words"), [(50, "50 m"), (999, "999 m"), (1000, "1 km"), (20_000, "20 km")])
def test_lengths_are_said_in_metres_or_kilometres(metres: float, words: str) -> None:
    """Kilometres from one up."""
    assert said_length(metres) == words


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    """Its length on the paper over the scale is the number beside it."""
    view = fit(ENTRY, [ENTRY, destination(ENTRY, 90, 700)])
    bar, words = scale_bar(view)

    assert isinstance(bar, Line)
    assert isinstance(words, Text)
    length = bar.points[-1].x - bar.points[0].x
    assert f"{length / view.scale:.0f} m" == words.words
    assert length <= LONGEST_BAR


def test_edges_have_round_minutes() -> None:
    """Latitude upwards at the left, longitude below, with as many decimals as the step needs."""
    words = labels_at_edges(ENTRY, 300)

    assert words == ["47°07.3'N", "47°07.4'N", "47°07.5'N", "020°32.8'W", "020°32.6'W", "020°32.4'W"]


@pytest.mark.parametrize(
    ("origin", "metres", "expected"),
    [
        (
            Position(0, 0),
            200,
            ["00°00.1'S", "00°00.0'N", "00°00.1'N", "000°00.1'W", "000°00.0'E", "000°00.1'E"],
        ),
        (
            Position(-10, 180),
            200,
            ["10°00.1'S", "10°00.0'S", "09°59.9'S", "179°59.9'E", "180°00.0'W", "179°59.9'W"],
        ),
        (Position(60, 5), 30, ["59°59.99'N", "60°00.00'N", "60°00.01'N", "005°00.00'E"]),
        (Position(10, -100), 2000, ["09°59'N", "10°00'N", "10°01'N", "100°01'W", "100°00'W", "099°59'W"]),
        (Position(-0.5, -20), 500_000, ["00°00'N", "020°00'W"]),
    ],
)
def test_edges_tell_hemispheres_and_cross_equator_and_date_line(
    origin: Position, metres: float, expected: list[str]
) -> None:
    """No more decimals than the step has; east of the date line it is west."""
    assert labels_at_edges(origin, metres) == expected


@pytest.mark.parametrize(
    ("origin", "metres"), [(Position(89.9, 0), 300), (Position(-86, 0), 300), (ENTRY, 3_000_000), (ENTRY, 9_900_000)]
)
def test_where_no_square_grid_fits_the_frame_stands_without_ticks(origin: Position, metres: float) -> None:
    """Near a pole, and over much of the Earth."""
    around = [destination(origin, bearing, metres) for bearing in (0, 90, 180, 270)]

    [outline] = border(fit(origin, [origin, *around]))
    assert isinstance(outline, Line)
    assert outline.style is Style.FRAME


def test_a_label_stands_beside_its_mark() -> None:
    """To the right and on its level, where nothing is in the way."""
    labels = Labels(FRAME)

    assert labels.place(Box(90, 90, 110, 110), [Words("Slip")])
    [text] = texts(labels)
    assert (text.anchor, text.at.x) == ("start", 113)
    assert 100 < text.at.y < 110


def test_a_label_goes_to_the_other_side_where_the_first_is_taken() -> None:
    """Places are tried in a fixed order."""
    labels = Labels(FRAME, [Box(110, 0, 200, 200)])

    assert labels.place(Box(90, 90, 110, 110), [Words("Slip")])
    assert texts(labels)[0].anchor == "end"


def test_a_label_rather_hides_nothing_of_a_line() -> None:
    """A line to the right sends the words elsewhere, though that place is free."""
    shore = [Dot(112 + step, 100) for step in range(30)]
    labels = Labels(FRAME, lines=shore)

    assert labels.place(Box(90, 90, 110, 110), [Words("Slip")])
    assert texts(labels)[0].anchor == "end"


def test_a_label_that_stands_off_its_mark_is_led_to() -> None:
    """A second round of places is farther off, with a hairline from mark to words."""
    labels = Labels(FRAME, [Box(60, 80, 140, 120)])

    assert labels.place(Box(90, 90, 110, 110), [Words("Slip")])
    text, line = labels.placed
    assert isinstance(text, Text)
    assert isinstance(line, Line)
    assert line.style is Style.FRAME
    assert apart(*line.points) == pytest.approx(14, abs=3)


def test_a_label_sheds_lines_until_it_fits() -> None:
    """The first line is the one that stays."""
    labels = Labels(Box(0, 0, 200, LINE_HEIGHT + 6))

    assert labels.place(Box(0, 0, 20, 20), [Words("Slip"), Words("Beach")])
    assert [text.words for text in texts(labels)] == ["Slip"]


def test_a_label_without_room_is_not_placed() -> None:
    """And takes none."""
    labels = Labels(Box(0, 0, 20, 20))

    assert not labels.place(Box(0, 0, 20, 20), [Words("Slip")])
    assert not labels.place_at([Dot(10, 10)], Words("Slip"))
    assert labels.placed == labels.taken == []


def test_bold_words_are_taken_for_wider() -> None:
    """As they are."""
    assert Words("Slip", bold=True).width > Words("Slip").width


@given(st.lists(st.tuples(st.integers(0, 180), st.integers(0, 180)), max_size=12))
def test_no_two_labels_share_paper(corners: list[tuple[int, int]]) -> None:
    """Whatever the marks, what labels take is apart and inside."""
    labels = Labels(FRAME)
    for x, y in corners:
        labels.place(Box(x, y, x + 17, y + 17), [Words("Outfall pipe"), Words("Rock")])
        labels.place_at([Dot(x, y), Dot(y, x)], Words("12:15"))

    assert all(FRAME.holds(box) for box in labels.taken)
    assert not any(one.meets(other) for one, other in combinations(labels.taken, 2))
    assert all(math.isfinite(text.at.x) for text in texts(labels))
