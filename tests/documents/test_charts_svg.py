"""The charts: to scale, told apart without colour, and safe to put into a page."""

from __future__ import annotations

import pytest
from lxml import etree

from service.documents.charts_svg import Bar, Column, Fill, Range, bars, columns, key, ranges

SVG = "{http://www.w3.org/2000/svg}"


def parsed(drawing: str) -> etree._Element:
    """The chart as a tree."""
    return etree.fromstring(drawing.encode())


def boxes(drawing: str, side: str) -> list[float]:
    """How wide or high its boxes of paper are."""
    return [float(one.get(side)) for one in parsed(drawing).iter(f"{SVG}rect") if one.get("class") == "chart-paper"]


def test_columns_are_as_high_as_their_numbers() -> None:
    """Twice as many are twice as high, and a part is as high as it is of the whole."""
    drawing = columns([Column("a", 4, 0, 0), Column("b", 8, 2, 0)], title="t", description="d")

    four, eight, two = boxes(drawing, "height")

    assert (eight / four, eight / two) == (2, 4)


def test_an_alarm_is_a_mark_with_its_number() -> None:
    """One has a mark alone."""
    marked = columns([Column("a", 4, 0, 1), Column("b", 4, 0, 3)], title="t", description="d")

    assert marked.count("l4.5 8h-9z") == 2
    assert [one.text for one in parsed(marked).iter(f"{SVG}text")] == ["5", "0", "3", "a", "b"]


def test_bars_are_to_one_scale() -> None:
    """The parts of all bars are measured alike."""
    drawing = bars(
        [Bar("a", ((Fill.FULL, 10), (Fill.EMPTY, 30))), Bar("b", ((Fill.FULL, 20), (Fill.EMPTY, 0)))],
        "x",
        title="t",
        description="d",
    )

    ten, thirty, twenty = boxes(drawing, "width")

    assert thirty / ten == pytest.approx(3, rel=0.01)
    assert twenty / ten == pytest.approx(2, rel=0.01)


def test_spreads_are_to_one_scale() -> None:
    """The longest of all reaches the end, half of it the middle."""
    drawing = ranges(
        [Range("a", 100, 200, 400, "words"), Range("b", 100, 150, 200, "words")], title="t", description="d"
    )

    first, second = [float(one.get("cx")) for one in parsed(drawing).iter(f"{SVG}circle") if one.get("cx") != "3"]

    assert first == second == 4 + 348 / 4


@pytest.mark.parametrize(
    "drawing",
    [
        columns([], title="t", description="d"),
        bars([], "x", title="t", description="d"),
        ranges([], title="t", description="d"),
        columns([Column("a", 0, 0, 0)], title="t", description="d"),
        ranges([Range("a", 0, 0, 0, "0 s")], title="t", description="d"),
    ],
    ids=["no column", "no bar", "no spread", "all 0", "no time"],
)
def test_nothing_is_drawn_of_nothing(drawing: str) -> None:
    """A frame at most, and no fault."""
    assert boxes(drawing, "height") == []


def test_charts_are_named_and_hold_words_as_words() -> None:
    """A screen reader has a title; what a gateway is called cannot become markup, style or script."""
    name = '"><script>x</script>'
    drawing = bars([Bar(name, ((Fill.HATCHED, 1),))], "x", title=name, description="d")

    tree = parsed(drawing)

    assert (tree.get("role"), tree.findtext(f"{SVG}title"), tree.findtext(f"{SVG}desc")) == ("img", name, "d")
    assert "<script" not in drawing
    assert "style=" not in drawing


def test_fillings_differ_by_form() -> None:
    """And two charts of one page do not take each other's."""
    assert len({key(fill, "x") for fill in Fill}) == len(Fill)
    assert key(Fill.HATCHED, "x") != key(Fill.HATCHED, "y")
