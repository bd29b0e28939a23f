"""The sketch as SVG: well formed, self-contained, small, and fit for a strict page."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree.ElementTree import Element

import pytest
from defusedxml.ElementTree import fromstring
from hypothesis import given
from hypothesis import strategies as st

from service.documents.sketch_svg import to_svg
from service.domain.place.exits import exits_for
from service.domain.place.search_area import search_pictures
from service.domain.place.site import PointKind, SitePoint
from service.domain.place.sketch import MarkKind, Sketch, Style, draw
from tests.domain.place.places import CURRENT, EARLIER, ENTRY, LANTERN, LAST, MINUTE, T0, WIND, with_points

NS = "{http://www.w3.org/2000/svg}"
CHOICES = exits_for(LANTERN, LAST.position, CURRENT, T0 + 50 * MINUTE, ("West steps",))
PICTURES = search_pictures(LAST, T0 + 75 * MINUTE, CURRENT, WIND)


def usual(name: str = "Lantern Cove") -> Sketch:
    """The sketch of an alarm."""
    last = replace(LAST, accuracy_m=200.0)
    sketch = draw(replace(LANTERN, name=name), last, (EARLIER, last), PICTURES, CHOICES)
    assert sketch is not None
    return sketch


def parsed(sketch: Sketch, title: str = "Sketch of Lantern Cove") -> Element:
    """The document, read by a parser that refuses what is not well formed."""
    root = fromstring(to_svg(sketch, title=title))
    assert isinstance(root, Element)
    return root


def test_it_is_a_picture_with_a_name_and_a_description() -> None:
    """A screen reader hears the title and the alternative."""
    root = parsed(usual())

    assert root.tag == f"{NS}svg"
    assert (root.get("role"), root.get("version")) == ("img", "1.1")
    assert root.findtext(f"{NS}title") == "Sketch of Lantern Cove"
    assert (root.findtext(f"{NS}desc") or "").splitlines() == list(usual().alternative)


def test_a_strict_page_shows_it_as_meant() -> None:
    """No style elements or attributes, scripts, links, ids or addresses: nothing for a policy to block, or to clash."""
    svg = to_svg(usual(), title="Sketch")
    root = fromstring(svg)

    names = {name for element in root.iter() for name in element.keys()}  # noqa: SIM118 - of an element
    assert names.isdisjoint({"style", "id", "href", "onload"})
    assert {element.tag.removeprefix(NS) for element in root.iter()} <= {
        *("svg", "title", "desc", "rect", "g", "path", "circle", "polyline", "text"),
    }
    assert re.findall(r"https?://[^\"]+", svg) == ["http://www.w3.org/2000/svg"]


def test_night_turns_it_by_classes_and_the_colour_of_its_text() -> None:
    """Ink is currentColor; all that is white has a class that a stylesheet can turn."""
    root = parsed(usual())

    assert root.get("class") == "sketch"
    for element in root.iter():
        for what, name in (("fill", "sketch-paper"), ("stroke", "sketch-halo")):
            assert element.get(what) in (None, "none", "currentColor", "#fff")
            assert element.get(what) != "#fff" or element.get("class") == name


def test_a_usual_sketch_is_small() -> None:
    """Under 15 kB, as text that any encoding has."""
    svg = to_svg(usual(), title="Sketch")

    assert len(svg.encode("ascii")) < 15_000


def test_letters_are_large_enough_on_a_phone() -> None:
    """At 320 of its 360 units across they have 11 pixels."""
    assert float(parsed(usual()).get("font-size") or 0) * 320 / 360 >= 11


def test_every_mark_and_line_has_a_form_of_its_own() -> None:
    """No two kinds look the same without colour, but for the letter in the squares."""
    sketch = usual()
    forms = set()
    for kind in MarkKind:
        [mark] = [replace(shape, kind=kind, label="X") for shape in sketch.inside if getattr(shape, "label", "") == "2"]
        forms.add(to_svg(replace(sketch, inside=(mark,), around=()), title="t"))
    lines = {
        to_svg(replace(sketch, inside=(replace(line, style=style),), around=()), title="t")
        for line in [next(shape for shape in sketch.inside if hasattr(shape, "points"))]
        for style in Style
    }

    assert len(lines) == len(Style)
    # Open squares around P, M and T are one form, full ones around V and for the site another.
    assert len(forms) == len(MarkKind) - 3


@pytest.mark.parametrize(
    "text", ['<script>alert("x")</script>', "a & b", "]]>", "tab\x0b\x00bell", "\ud800", "Ærø 島 🤿"]
)
def test_words_are_words_whatever_they_hold(text: str) -> None:
    """Marks of XML are escaped, what XML cannot hold is left out, everything else comes back."""
    site = with_points(SitePoint(PointKind.ENTRY, text, ENTRY), name=text)
    sketch = draw(site)
    assert sketch is not None

    root = parsed(sketch, title=text)

    kept = re.sub("[\x00\x0b\ud800]", "", text)
    assert root.findtext(f"{NS}title") == kept
    assert kept in (root.findtext(f"{NS}desc") or "")
    assert root.find(f".//{NS}script") is None


@given(st.text(max_size=30))
def test_any_name_gives_a_document(name: str) -> None:
    """Nothing that somebody can type breaks it."""
    parsed(usual(name), title=name)
