"""Fitting a text: what gives way first, and that there is always a text."""

from __future__ import annotations

from collections import Counter

import pytest

from service.domain.encoding import segments, septets
from service.domain.language import Phrase, fragments
from service.domain.people import ENGLISH
from service.domain.wording.drafts import LINK_ROOM, SEGMENTS_MAX, worded
from service.domain.wording.parts import keep, may_go, name_of
from service.domain.wording.phrases import QUOTE_MAX, QUOTE_SHORT, QUOTE_SURE, quote, quoted

CLUB = "Skerry Bay Divers"  # with colon and blank 19 septets of 160
LONG_CLUB = "The Royal and Ancient Skerry Bay Sub-Aqua Exploration Society"


def filled(count: int) -> str:
    """Words of so many septets."""
    return ("x" * 9 + " ") * (count // 10) + "y" * (count % 10)


@pytest.mark.parametrize(("extra", "whole"), [(0, True), (1, False)], ids=["just fits", "one too many"])
def test_an_extra_goes_as_soon_as_it_does_not_fit(extra: int, whole: bool) -> None:  # noqa: FBT001 - a table
    """The last septet counts."""
    text = worded(CLUB, [keep("z" * (160 - 19 - 8 + extra)), may_go(9, "car red")], 1)

    assert text.endswith("car red") is whole
    assert text.startswith(f"{CLUB}: z")


def test_extras_give_way_to_a_link_and_news_does_not() -> None:
    """Ranks up to four are news; what ranks above is on the page behind the link."""
    parts = [keep(filled(300)), may_go(4, "heard at noon"), may_go(5, filled(70))]

    with_link, without = (worded(CLUB, parts, 3, link_room=room) for room in (LINK_ROOM, 0))

    assert "heard at noon" in with_link
    assert with_link.count("y") == 0 or "xxxxxxxxx " * 30 in with_link
    assert len(with_link) < len(without) <= 3 * 153


def test_a_link_gives_way_to_news() -> None:
    """Where both do not fit, the words are sent and the link is not."""
    text = worded(CLUB, [keep(filled(380)), may_go(3, "heard at noon")], 3, link_room=LINK_ROOM)

    assert text.endswith("heard at noon")


def test_the_clubs_name_gives_way_to_ours_before_a_name_is_cut() -> None:
    """Who is in trouble matters more than whose service tells it."""
    text = worded(LONG_CLUB, [name_of("Bartholomew Montgomery"), keep("z" * 120)], 1)

    assert text == f"Linetender: Bartholomew Montgomery {'z' * 120}"


def test_a_name_is_cut_between_words_when_nothing_else_is_left() -> None:
    """Cut at its end, and marked as cut."""
    text = worded(LONG_CLUB, [name_of("Bartholomew Montgomery of Skerry"), keep("z" * 125)], 1)

    assert text == f"Linetender: Bartholomew.. {'z' * 125}"


@pytest.mark.parametrize(("length", "parts"), [(148, 1), (149, 2), (294, 2), (295, 3)])
def test_what_must_not_be_cut_takes_another_segment(length: int, parts: int) -> None:
    """A reply of two segments is better than none, and better than half a number."""
    text = worded(LONG_CLUB, [keep("7" * length)], 1)

    assert text == f"Linetender: {'7' * length}"
    assert len(segments(text).parts) == parts


def test_there_is_always_a_text() -> None:
    """Even what no phone could take is cut to something that it can."""
    text = worded("", [keep("9" * 2000), name_of(""), keep(""), may_go(1, "x" * 2000)], 1, drill=True)

    assert text.startswith("EXERCISE")
    assert len(segments(text).parts) <= SEGMENTS_MAX


def test_a_drill_is_marked_before_anything_else() -> None:
    """Nobody reads half an alarm before seeing that it is none."""
    assert worded(CLUB, [keep("OVERDUE")], 1, drill=True) == "EXERCISE. Skerry Bay Divers: OVERDUE"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        pytest.param("all  well\nhere", '"all well here"', id="blanks and lines are one blank"),
        pytest.param("x" * 90, f'"{"x" * 90}"', id="ninety letters"),
        pytest.param("x" * 91, f'"{"x" * 90}.."', id="ninety-one letters"),
        pytest.param("word " * 20, f'"{("word " * 18).strip()}.."', id="cut between words"),
        pytest.param("\u20ac" * 46, '"' + "\u20ac" * 45 + '.."', id="letters of two septets"),
        pytest.param("\U0001f631" * 2, '":scream::scream:"', id="a picture is read out"),
        pytest.param("", '""', id="nothing"),
    ],
)
def test_a_short_quotation_has_a_sure_length(words: str, expected: str) -> None:
    """Counted as it goes over the air, where a picture is a word."""
    assert quoted(words) == expected
    assert septets(quoted(words)) <= QUOTE_SHORT + 4


def pieces(words: Phrase) -> list[tuple[str, bool]]:
    """What of the words goes together, and whether it may be shortened."""
    return fragments(words, ENGLISH)


def test_a_quotation_goes_on_where_there_is_room() -> None:
    """What is beyond the sure part may be shortened, the sure part never."""
    words = "lost sight of him " * 12

    (sure, sure_may), (more, more_may) = pieces(quote(words))

    assert f"{sure} {more}" == f'"{words.strip()}"'
    assert (sure_may, more_may) == (False, True)
    assert septets(sure) <= QUOTE_SURE + 1


def test_a_very_long_quotation_ends_and_says_so() -> None:
    """A text of ten segments is not repeated whole."""
    text = " ".join(piece for piece, _ in pieces(quote("lost sight of him " * 50)))

    assert text.endswith('.."')
    assert septets(text) <= QUOTE_MAX + 5
    assert Counter(text.split())["lost"] > 10
