"""What was done to accounts is told in words, and every kind that there is has some."""

from __future__ import annotations

import re

import pytest

from service.operations.account_words import ACCOUNT_WORDS
from tests.rules.source import ROOT

# Whatever a kind takes; what it does not name, it does not use.
DETAIL = {
    "name": "Ida Fell",
    "of": "Ida Fell",
    "email": "ida@skerry.example",
    "role": "officer",
    "screen": "Kit room",
    "from": "officer",
    "to": "viewer",
    "browsers_signed_out": 1,
    "changed": ["name", "phone"],
}


@pytest.mark.parametrize("kind", sorted(ACCOUNT_WORDS))
def test_every_kind_is_told_in_a_sentence(kind: str) -> None:
    """Whole sentences, without the names of fields."""
    words = ACCOUNT_WORDS[kind](DETAIL)

    assert re.fullmatch(r"[A-Z][^_{}]*\.", words), words


def test_the_kinds_are_those_of_the_document() -> None:
    """A kind that is in one of the two and not in the other is a slip."""
    text = (ROOT / "docs/accounts.md").read_text(encoding="utf-8")
    told = text.partition("## In the log")[2].partition("##")[0]

    assert set(re.findall(r"`(\w+)`", told)) == set(ACCOUNT_WORDS)


def test_a_sign_in_says_which_second_step_there_was() -> None:
    """A recovery code that its owner did not use would be seen."""
    assert ACCOUNT_WORDS["signed_in"]({}) == "Signed in at the desk."
    assert "with a recovery code" in ACCOUNT_WORDS["signed_in"]({"second_factor": "recovery code"})
