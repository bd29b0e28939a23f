"""How pages write times, places, phones and other people's words, and what they bound."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import service.web
from service.documents.sms_uri import sms
from service.web import speaking
from service.web.bounds import Bound, address_key

NOW = datetime(2027, 6, 1, 10, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "less than a minute"),
        (59.9, "less than a minute"),
        (60, "1 min"),
        (3599, "59 min"),
        (3600, "1 h 0 min"),
        (86_399, "23 h 59 min"),
        (86_400, "1 day 0 h"),
        (200_000, "2 days 7 h"),
    ],
)
def test_lengths_of_time_in_words(seconds: float, words: str) -> None:
    """Each unit begins where it should."""
    assert speaking.span(seconds) == words
    assert speaking.away(NOW + timedelta(seconds=seconds + 1e-3), NOW).startswith("in ")
    assert speaking.away(NOW - timedelta(seconds=seconds), NOW) == f"{words} ago"


@pytest.mark.parametrize(
    ("words", "address"),
    [
        ("112, ask for sea rescue", "tel:112"),
        ("Sea rescue +44 7700 900999", "tel:+447700900999"),
        ("Channel 16 or (07700) 900 999", "tel:07700900999"),
        ("112 (24 h), ask for the coastguard", "tel:112"),
        ("999 24/7", None),
        ("channel 16", None),
        ("the harbour office", None),
    ],
)
def test_the_number_within_a_rescue_call_can_be_tapped(words: str, address: str | None) -> None:
    """Where there is none, or none without doubt, there is no link; two digits are a channel."""
    assert speaking.tel(words) == address
    assert speaking.tel(words, "GB") == address


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ("a\u202eb", "a[U+202E]b"),
        ("zero\u200bwidth", "zero[U+200B]width"),
        ("bell\x07", "bell[U+0007]"),
        ("two\n lines\t", "two lines"),
        ("caf\u00e9 \U0001f30a", "caf\u00e9 \U0001f30a"),
    ],
)
def test_what_cannot_be_seen_is_written_out(words: str, shown: str) -> None:
    """No mark turns text around or hides in it."""
    assert speaking.visible(words) == shown


@given(st.text(max_size=2000))
def test_shown_words_have_no_hidden_characters_and_an_end(words: str) -> None:
    """Whatever somebody sends."""
    shown = speaking.visible(words)

    assert len(shown) <= speaking.WORDS_SHOWN_MAX + len(" [cut]")
    assert not re.search("[\x00-\x1f\x7f\u200b-\u200f\u202a-\u202e\u2066-\u2069]", shown)


def test_a_text_ready_to_send_is_encoded_whole() -> None:
    """RFC 5724: the body is percent-encoded."""
    assert sms("+447700900000", "IN 123456 & more") == "sms:+447700900000?body=IN%20123456%20%26%20more"


def test_only_our_own_link_at_the_end_is_one() -> None:
    """Other addresses in a text stay text."""
    ours = "Ref 7K http://dives.test/alarm/abc"

    assert speaking.own_link(ours, "http://dives.test") == ("Ref 7K", "/alarm/abc")
    assert speaking.own_link("see http://evil.test/x", "http://dives.test") == ("see http://evil.test/x", "")
    assert speaking.own_link("see http://dives.test.evil/x", "http://dives.test")[1] == ""


def test_a_bound_lets_through_so_many_within_its_span() -> None:
    """One more is refused, and counted no further; after the span there is room again. Keys do not share."""
    bound = Bound(2, timedelta(minutes=1))

    assert [bound.take("a", NOW) for _ in range(3)] == [True, True, False]
    assert bound.take("b", NOW)
    assert not bound.take("a", NOW + timedelta(seconds=59))
    assert bound.take("a", NOW + timedelta(seconds=60))


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("192.0.2.1", "192.0.2.2", False),
        ("2001:db8::1", "2001:db8::ffff:1", True),
        ("2001:db8::1", "2001:db8:0:1::1", False),
        (None, "not an address", True),
    ],
)
def test_what_counts_as_one_address(one: str | None, other: str | None, same: bool) -> None:  # noqa: FBT001
    """All of IPv4, and the network of an IPv6 address."""
    assert (address_key(one) == address_key(other)) is same


STYLE = (Path(service.web.__file__).parent / "static" / "slate.css").read_text(encoding="utf-8")
TEXT = [
    ("pencil", "ground"),
    ("pencil", "sheet"),
    ("pencil", "cry-wash"),
    ("pencil", "calm-wash"),
    ("soft", "ground"),
    ("soft", "sheet"),
    ("link", "ground"),
    ("link", "sheet"),
    ("press-text", "press"),
    ("cry-text", "cry"),
    ("cry", "ground"),
    ("cry", "sheet"),
    ("cry", "cry-wash"),
]
STROKES = [("rule", "ground"), ("rule", "sheet"), ("link", "ground")]


def colours(dark: bool) -> dict[str, str]:  # noqa: FBT001
    """The colours of one scheme."""
    light_part, _, dark_part = STYLE.partition("@media (prefers-color-scheme: dark)")
    part = dark_part.partition("}")[0] if dark else light_part
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", part))


def contrast(one: str, other: str) -> float:
    """The contrast ratio of WCAG 2.2, from relative luminance."""

    def luminance(colour: str) -> float:
        channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    bright, dim = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_text_and_strokes_have_the_contrast_of_wcag(dark: bool) -> None:  # noqa: FBT001
    """Text at least 4.5 to 1 (success criterion 1.4.3), edges of fields and focus 3 to 1 (1.4.11)."""
    known = colours(dark)

    assert len(known) == 12
    for one, other in TEXT:
        assert contrast(known[one], known[other]) >= 4.5, (one, other)
    for one, other in STROKES:
        assert contrast(known[one], known[other]) >= 3, (one, other)


def test_colours_are_nowhere_but_in_the_variables() -> None:
    """A colour outside them would escape the contrast check and the dark scheme."""
    rules = STYLE[STYLE.index("*,\n*::before") :]

    assert re.findall(r"#[0-9a-fA-F]{3,8}\b|\brgba?\(|\bhsla?\(", rules) == []
    assert "url(" not in STYLE
    assert "@import" not in STYLE
