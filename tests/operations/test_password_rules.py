"""What can be a password: long enough, and not what guessers try early."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.operations.password_rules import SHORTEST, unfit
from service.store.passwords import LONGEST

NAMES = ("Finn Aske", "finn@skerry.example", "Skerry Bay Divers")


@pytest.mark.parametrize(
    "password",
    [
        "kelp and shingle",
        "twelve chars",
        "correct horse battery staple",
        "\u6d77\u306e\u5e95\u306f\u6697\u304f\u3066\u9759\u304b\u3060\u3088\u306d",
        "!\u00a7$%&/()=?*+",
        "Gx7-pQ2-vN9-tR4",
        "finn and the seals of may",
        "x1" + "kelp" * 255 + "y2",
    ],
)
def test_what_is_long_and_not_guessed_early_is_taken(password: str) -> None:
    """Whatever characters it has: no mix of kinds is asked for."""
    assert unfit(password, NAMES) is None


@pytest.mark.parametrize(
    ("password", "words"),
    [
        ("", "at least 12"),
        ("elevenchars", "at least 12"),
        ("k" + "elp and shingle " * 64, "at most 1024"),
        ("aaaaaaaaaaaa", "over and over"),
        ("abcabcabcabc", "over and over"),
        ("kelpkelpkelp", "over and over"),
        ("121121211212", "over and over"),
        ("qwertyuiop12", "rows of keys"),
        ("0987654321kelp", "rows of keys"),
        ("ABCDEFGHIJKLMN", "rows of keys"),
        ("skerrybay2027", "names"),
        ("Finn-Aske-Skerry", "names"),
        ("linetender owner", "names"),
        ("divers password", "names"),
    ],
)
def test_what_is_guessed_early_is_refused_in_words(password: str, words: str) -> None:
    """Each by the reason that helps to find another."""
    assert words in (unfit(password, NAMES) or "")


@given(st.text(max_size=SHORTEST - 1) | st.text(min_size=LONGEST + 1, max_size=LONGEST + 9))
def test_length_is_over_everything(password: str) -> None:
    """Whatever is in it."""
    assert unfit(password, ()) is not None
