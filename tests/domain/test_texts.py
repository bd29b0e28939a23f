"""The rules that hold for the reading of every text."""

from __future__ import annotations

import re
import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.texts import Intent, Kind, read
from service.domain.texts.finish import AGREED_FINISH_FORMS
from service.domain.texts.numbers import minutes_in, time_of
from tests.domain.readings import agreed_readings, given_fields


@pytest.mark.parametrize(
    ("text", "kind", "expected"), agreed_readings(), ids=[ascii(row[0]) for row in agreed_readings()]
)
def test_every_agreed_reading_holds(text: str, kind: str, expected: dict[str, Any]) -> None:
    """Each row of the agreed readings gives its kind and exactly its fields."""
    intent = read(text)

    found = given_fields(intent)
    position = found.pop("position", None)
    expected_position = expected.pop("position", None)
    assert (str(intent.kind), found) == (kind, expected)
    assert (position is None) == (expected_position is None)
    if position is not None:
        assert position == pytest.approx(expected_position, abs=1e-6)


@given(st.text(max_size=3300))
def test_reading_is_total(text: str) -> None:
    """Any string has a reading, within the limits of its fields."""
    intent = read(text)

    assert isinstance(intent.kind, Kind)
    assert intent.count is None or 1 <= intent.count <= 99
    assert intent.minutes is None or 1 <= intent.minutes <= 600
    assert intent.code is None or re.fullmatch("[0-9]{6,9}", intent.code)
    assert intent.near is None or intent.kind is Kind.UNCLEAR


WORDS_AROUND_A_FINISH = tuple(
    re.findall(
        r"\S+",
        """
        out OUT Out surfaced back ashore not yet still one 2 3/2 3 p2 both all safe the of water in ? now please
        thanks ok yes we were we're im everyone is are us on shore beach soon later bram and but 731905 731 905 7K 0
        100 no never air time nearly , . - ! + 👍 ❌ have divers at car was they he half if when will be getting
        cannot get good fine forgot to text
        """,
    )
)

COURTESIES = ("now", "please", "thanks", "ok", "yes")
WHO_IS_OUT = (
    *(
        "we",
        "were",
        "we're",
        "are",
        "is",
        "i",
        "im",
        "am",
        "all",
        "everyone",
        "everybody",
        "have",
        "divers",
        "people",
    ),
)
HOW = ("safe", "safely", "and", "well", "good", "fine", "sound", "forgot", "to", "text")
WAYS_OF_BEING_OUT = (
    r"(out ?){1,5}|out of (the )?water|ashore|back|back ashore|back on (the )?shore"
    r"|back on the beach|back on (dry )?land|back at the car"
)


def read_as_finish_by_hand(words: list[str]) -> bool:
    """Whether these words may be a finish at all: a reader written from the rule and not from the tables.

    A finish has one way of being out, may say who in words that mean all or a number, may have one
    head count, one code and one reference, and has nothing else in it.
    """
    text = re.sub("[,.!👍+-]", " ", " ".join(words).lower())
    # A code may be copied in groups of three digits, whichever they are.
    for given_once in (r"\b(?:731905|\d{3} \d{3})(?: \d{3})?\b", r"\b7k\b"):
        text = re.sub(given_once, " ", text, count=1)
    rest = text.replace(" of us", " ").split()
    numbers = [word for word in rest if word in ("1", "one", "2", "3", "p2", "both")]
    known = {*COURTESIES, *WHO_IS_OUT, *HOW, *numbers}
    way = " ".join(word for word in rest if word not in known)
    return len(numbers) <= 1 and re.fullmatch(WAYS_OF_BEING_OUT, way) is not None


@given(st.lists(st.sampled_from(WORDS_AROUND_A_FINISH), max_size=9))
def test_nothing_but_an_agreed_finish_is_read_as_one(words: list[str]) -> None:
    """No mixture of the words of a finish with others stops a clock."""
    if read(" ".join(words)).kind is Kind.FINISH:
        assert read_as_finish_by_hand(words)


def test_every_form_in_the_table_of_finishes_keeps_the_rule() -> None:
    """No form was agreed that says anything more than that people are out."""
    forms = [form.replace("{n}", "2") for form in AGREED_FINISH_FORMS]

    assert [form for form in forms if not read_as_finish_by_hand(form.split(" "))] == []


@given(
    st.lists(st.sampled_from(WORDS_AROUND_A_FINISH), max_size=3),
    st.sampled_from(
        ["not", "soon", "bram", "but", "still", "yet", "?", "never", "nearly", "later", "air", "will", "if"]
    ),
    st.lists(st.sampled_from(WORDS_AROUND_A_FINISH), max_size=3),
)
def test_one_word_of_doubt_makes_a_finish_none(before: list[str], doubt: str, after: list[str]) -> None:
    """However much of a text is a finish, one word that is none keeps the clock running."""
    assert read(" ".join([*before, doubt, *after])).kind is not Kind.FINISH


@given(
    st.one_of(st.text(max_size=60), st.sampled_from(["out", "OUT 731905", "all out", "both safe and out"])),
    st.sampled_from(["not {} yet", "{}?", "{} in 10", "is bram {}", "{} but", "we will be {}"]),
)
def test_a_finish_is_never_guessed_out_of_a_longer_sentence(text: str, sentence: str) -> None:
    """Whatever stands in a sentence of denial, doubt or future finishes nothing."""
    assert read(sentence.format(text)).kind is not Kind.FINISH


CARRIER_WORDS = re.findall(
    r"\S+",
    """
    STOP STOPALL UNSUBSCRIBE CANCEL END QUIT OPTOUT OPT-OUT REVOKE REMOVE ARRET TD START YES UNSTOP JOIN HELP INFO
    """,
)


@pytest.mark.parametrize("word", CARRIER_WORDS)
def test_no_carrier_word_is_a_command_of_ours(word: str) -> None:
    """Words that carriers act on may never reach us, so nothing may depend on them."""
    intent = read(word)

    raises = intent.kind is Kind.RAISE_NOW and intent.reserved is True
    assert raises or intent.kind in (Kind.OPT_OUT, Kind.OPT_IN, Kind.INFO, Kind.UNCLEAR)


def dressed_texts() -> st.SearchStrategy[tuple[str, str]]:
    """An agreed text, and the same with what does not matter added."""
    return st.builds(
        lambda text, edge, before, change, after, end: (text, edge + before + change(text) + after + end),
        text=st.sampled_from([text for text, _, _ in agreed_readings() if text.strip()]),
        edge=st.sampled_from(["", " ", "\n", "\t ", "... ", "\u200e", "\u00a0"]),
        before=st.sampled_from(["", "please ", "Hi, ", "PLEASE "]),
        change=st.sampled_from([str, str.upper, str.lower]),
        after=st.sampled_from(["", " thanks", ", thank you", " now", " please!", " cheers", ".", " ta"]),
        end=st.sampled_from(["", " ", "\r\n", " ...", "\u200f"]),
    )


@given(dressed_texts())
def test_case_spaces_punctuation_and_polite_words_do_not_matter(pair: tuple[str, str]) -> None:
    """A text means the same shouted, whispered, spaced out and with thanks."""
    plain, dressed = (read(text) for text in pair)

    if plain.note is None and plain.kind is not Kind.RAISE_NOW:
        assert dressed == plain
    else:
        # What follows SOS is kept word for word, thanks and all; a polite SOS is quoted as a worry.
        assert dressed.kind in (Kind.RAISE_NOW, Kind.WORRY)


@given(st.sampled_from(["OUT 731905", "IN 482139", "LATE 20", "SAFE 2"]), st.integers(1, 9))
def test_blanks_between_words_do_not_matter(text: str, blanks: int) -> None:
    """Any number of blanks parts words."""
    assert read(text.replace(" ", " " * blanks)) == read(text)


def test_a_text_longer_than_providers_carry_is_never_a_form() -> None:
    """A text that was cut was not wholly understood; blanks do not make one long."""
    assert read("OUT" + "!" * 4000) == Intent(kind=Kind.UNCLEAR, near=Kind.FINISH)
    assert read("OUT" + " " * 1500).kind is Kind.FINISH


def test_a_start_of_very_many_words_has_no_position() -> None:
    """A position at the end of a long story is not taken for one of a start."""
    assert read("in " + "and then " * 12 + "56.12345,-5.54321") == Intent(kind=Kind.UNCLEAR, near=Kind.START)


@pytest.mark.parametrize("words", ["", "soon", "20 x"])
def test_words_that_are_no_time_have_none(words: str) -> None:
    """Lengths and times of day are read whole or not at all."""
    assert (minutes_in(words), time_of(words)) == (None, None)


def test_trouble_is_found_in_a_text_that_is_too_long() -> None:
    """A long text can still raise."""
    assert read("Bram is missing " + "x" * 4000).kind is Kind.WORRY
    assert read("SOS " + "x" * 4000).kind is Kind.RAISE_NOW


HARD = (
    *(
        "not is " * 400,
        "lost my " * 300,
        "the my our " * 200,
        "1 " * 1600,
        "56.1 " * 600,
        "! " * 1600,
        "ok " * 1000,
    ),
    *(
        "\ufdfa" * 3200,
        "a\u0301" * 1600,
        "s o s" * 600,
        "thanks! " * 400,
        "12:30 " * 500,
        "((((" * 800,
        "need " * 600,
    ),
)


@pytest.mark.parametrize("text", HARD, ids=range(len(HARD)))
def test_no_text_takes_long_to_read(text: str) -> None:
    """Texts made to be slow are read within a quarter of a second, even on a busy machine."""
    began = time.process_time()

    read(text)

    assert time.process_time() - began < 0.25


@pytest.mark.parametrize("body", ["\ufffdOUT", "OUT\ufffd", "out\ufffd2", "IN\ufffd", "ok\ufffd", "LATE 20\ufffd"])
def test_a_text_that_lost_a_character_on_the_way_is_asked_about(body: str) -> None:
    """Half an emoji arrives as U+FFFD, and what was lost may have been a "not"."""
    assert read(body).kind is Kind.UNCLEAR


def test_an_sos_that_lost_a_character_is_still_an_sos() -> None:
    """Raising the alarm needs no whole text."""
    assert read("SOS\ufffd").kind is Kind.RAISE_NOW
