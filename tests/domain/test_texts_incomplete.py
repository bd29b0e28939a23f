"""Texts of which a part is missing: never whole, never taken for a command, and worry all the same."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.texts import Intent, Kind, read
from service.domain.texts.incomplete import PART_MISSING, read_incomplete
from tests.domain.readings import agreed_readings


@pytest.mark.parametrize("text", sorted({text for text, _, _ in agreed_readings()}), ids=repr)
@pytest.mark.parametrize("mark", ["{} [part missing]", "[part missing] {}"], ids=["end-missing", "beginning-missing"])
def test_no_agreed_text_is_a_command_with_a_part_missing(text: str, mark: str) -> None:
    """Of all agreed readings only worry and SOS hold; every other one is unclear."""
    whole = read(" ".join(text.split()))

    kind = read_incomplete(mark.format(text)).kind

    assert kind is (whole.kind if whole.kind in (Kind.WORRY, Kind.RAISE_NOW) else Kind.UNCLEAR)


def test_it_says_what_was_probably_meant() -> None:
    """The answer can name the text that would do it."""
    assert read_incomplete(f"OUT 2 {PART_MISSING}") == Intent(kind=Kind.UNCLEAR, near=Kind.FINISH)


def test_an_sos_keeps_its_words_and_no_figure_that_may_be_cut() -> None:
    """A position may have lost its last digits, and a code its first ones."""
    text = f"SOS 47.12345,-20.5 {PART_MISSING} 123455"

    assert read_incomplete(text) == Intent(kind=Kind.RAISE_NOW, note=text)


@pytest.mark.parametrize("text", [PART_MISSING, f"{PART_MISSING} the sun {PART_MISSING}", f"fine {PART_MISSING}"])
def test_the_mark_is_no_word_of_trouble(text: str) -> None:
    """That a part is missing does not mean that somebody is."""
    assert read_incomplete(text).kind is Kind.UNCLEAR


@pytest.mark.parametrize(
    "text",
    [
        f"we cannot find Bram {PART_MISSING}",
        f"{PART_MISSING} he is not breathing",
        f"I think he is {PART_MISSING} missing",
        f"we cannot {PART_MISSING} find him",
        f"no {PART_MISSING} help",
    ],
)
def test_trouble_is_worry_though_a_part_is_missing(text: str) -> None:
    """A cry for help need not be whole."""
    assert read_incomplete(text).kind is Kind.WORRY


@given(st.lists(st.text(max_size=40), min_size=1, max_size=4))
def test_nothing_that_can_be_left_of_a_text_stops_a_clock(fragments: list[str]) -> None:
    """Whatever the parts that came say."""
    kind = read_incomplete(f" {PART_MISSING} ".join([*fragments, ""])).kind

    assert kind in (Kind.UNCLEAR, Kind.WORRY, Kind.RAISE_NOW)
