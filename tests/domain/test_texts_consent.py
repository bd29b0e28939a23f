"""Texts by which somebody says whether they will be a shore contact."""

from __future__ import annotations

import pytest

from service.domain.texts import Intent, Kind, read

AGREED = [
    "AGREE",
    "agree.",
    "I agree",
    "i agree now",
    "Yes, I agree",
    "ok agree thanks",
    "Agreed",
    "hi, I agree please",
]
DECLINED = ["DECLINE", "decline.", "I decline", "I decline, sorry", "Declined", "we decline thanks"]


@pytest.mark.parametrize("text", AGREED)
def test_agreeing_is_read(text: str) -> None:
    """With the polite words that people put around it."""
    assert read(text) == Intent(kind=Kind.AGREE)


@pytest.mark.parametrize("text", DECLINED)
def test_declining_is_read(text: str) -> None:
    """With the polite words that people put around it."""
    assert read(text) == Intent(kind=Kind.DECLINE)


@pytest.mark.parametrize(("verb", "kind"), [("AGREE", Kind.AGREE), ("I decline", Kind.DECLINE)])
@pytest.mark.parametrize("ref", ["{} 7K", "{} ref 7 k", "7K {}", "{} 7K please"])
def test_the_reference_of_a_dive_may_stand_with_it(verb: str, kind: Kind, ref: str) -> None:
    """Our text prints it, so people copy it."""
    assert read(ref.format(verb)) == Intent(kind=kind, ref="7K")


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("agree?", Kind.AGREE),
        ("agree to what", Kind.AGREE),
        ("I agree with you", Kind.AGREE),
        ("I do not agree", Kind.DECLINE),
        ("I don't agree", Kind.DECLINE),
        ("cannot agree to that", Kind.DECLINE),
        ("\N{CROSS MARK} agree", Kind.DECLINE),
        ("disagree", Kind.DECLINE),
        ("decline?", Kind.DECLINE),
        ("I never decline", Kind.DECLINE),
    ],
)
def test_what_is_only_like_it_decides_nothing(text: str, near: Kind) -> None:
    """Nobody is made a contact, or none, by a guess."""
    assert read(text) == Intent(kind=Kind.UNCLEAR, near=near)


@pytest.mark.parametrize("text", ["YES", "yes please", "no", "NO", "start", "stop"])
def test_the_carriers_words_and_a_bare_yes_or_no_neither_agree_nor_decline(text: str) -> None:
    """YES is an opt-in of the carriers, and whoever writes STOP has said that and no more."""
    assert read(text).kind not in (Kind.AGREE, Kind.DECLINE)


@pytest.mark.parametrize(
    ("text", "kind"),
    [("I agree, Bram is missing", Kind.WORRY), ("decline, out of air", Kind.WORRY), ("SOS agree", Kind.RAISE_NOW)],
)
def test_trouble_beside_it_is_trouble(text: str, kind: Kind) -> None:
    """An alarm is never taken for a courtesy."""
    assert read(text).kind is kind
