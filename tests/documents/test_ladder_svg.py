"""The drawing of the ladder: in proportion, legible, and safe to put into a page."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from lxml import etree

from service.documents.ladder_svg import Row, Shape, Stroke, key, to_svg

SVG = "{http://www.w3.org/2000/svg}"


def rows(*minutes: float) -> list[Row]:
    """Moments at these minutes, each an alert to the first column."""
    return [Row(minute, f"10:{minute:02.0f}", ("Alert",), ((0, Shape.ALERT),), Stroke.CALM) for minute in minutes]


def drawn(given: list[Row], columns: tuple[str, ...] = ("Party", "1st")) -> etree._Element:
    """The drawing, parsed."""
    return etree.fromstring(to_svg(columns, given, title="Title", description="Words").encode())


def knots(drawing: etree._Element) -> list[float]:
    """How far down each moment is."""
    return [float(knot.get("cy")) for knot in drawing.iter(f"{SVG}circle") if knot.get("cx")]


def test_what_is_later_is_further_down_in_proportion() -> None:
    """Ten minutes take half the way of twenty."""
    first, second, third = knots(drawn(rows(0, 10, 30)))

    assert third - second == 2 * (second - first)


def test_what_is_close_together_does_not_overlap() -> None:
    """Half a minute apart the labels still have their lines, however many there are."""
    tall = [Row(0, "10:00", ("In", "Armed", "Late"), (), Stroke.CALM), *rows(0.5)]

    first, second = knots(drawn(tall))

    assert second - first > 4 * 12


def test_a_long_wait_is_shortened_and_says_so() -> None:
    """The line is broken where more time goes by than there is room for, and nowhere else."""
    bare = 'fill="#fff" stroke="none"'

    assert to_svg(("A",), rows(0, 300), title="t", description="d").count(bare) == 1
    assert to_svg(("A",), rows(0, 20), title="t", description="d").count(bare) == 0


def test_all_columns_of_a_large_plan_fit() -> None:
    """Six contacts, the party and the club's admins are inside the drawing, apart from each other."""
    names = tuple("12345678")
    drawing = drawn(rows(0), names)

    places = [float(text.get("x")) for text in drawing.iter(f"{SVG}text") if text.text in names]

    assert len(places) == 8
    assert max(places) < 350
    assert min(later - before for before, later in pairwise(places)) > 22


def test_it_is_named_and_described() -> None:
    """A screen reader has a title and where to find the words."""
    drawing = drawn(rows(0))

    assert drawing.get("role") == "img"
    assert [drawing.findtext(f"{SVG}title"), drawing.findtext(f"{SVG}desc")] == ["Title", "Words"]


def test_nothing_in_it_is_style_or_script() -> None:
    """The policy of our pages forbids both, and words from outside stay words."""
    text = to_svg(('<script>x</script>"',), rows(0), title="<b>\x00", description="a & b")

    assert "style=" not in text
    assert "<script" not in text
    assert not re.search(r"\son\w+=", text)
    etree.fromstring(text.encode())


def test_each_shape_differs_by_form() -> None:
    """Colour only adds to it."""
    assert len({key(shape) for shape in Shape}) == len(Shape)


@pytest.mark.parametrize(("columns", "moments"), [((), rows(0)), (("A",), [])], ids=["no column", "no moment"])
def test_a_drawing_of_nothing_is_refused(columns: tuple[str, ...], moments: list[Row]) -> None:
    """There is always somebody who may be told, and a moment."""
    with pytest.raises(ValueError, match="at least one"):
        to_svg(columns, moments, title="t", description="d")
