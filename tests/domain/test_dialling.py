"""The number that a tap dials: never one that the words do not have."""

from __future__ import annotations

import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.domain.dialling import number_to_dial

SURE = [
    ("112 (24 h), ask for the coastguard", "112"),
    ("999 (24/7)", "999"),
    ("999 (24)", "999"),
    ("999 (112)", "999"),
    ("112 (999) 01632 960112", "112"),
    ("999\u00a0(24/7)", "999"),
    ("999 - 24 hours", "999"),
    ("999 \u2013 24 hours", "999"),
    ("999 -24", "999"),
    ("112. 24/7", "112"),
    ("112, 24/7", "112"),
    ("112/999", "112"),
    ("112 / 999", "112"),
    ("112 or 999", "112"),
    ("112 or 01632 960112", "112"),
    ("112 h24", "112"),
    ("112 min", "112"),
    ("(112)", "112"),
    ("24/7: 112", "112"),
    ("24 h 112", "112"),
    ("24h 112", "112"),
    ("Pier 2, 112", "112"),
    ("Pier 101A, 112", "112"),
    ("Within 120 min: 112", "112"),
    ("\u0661\u0661\u0662, ask for sea rescue", "112"),
    ("\uff11\uff11\uff12, ask for sea rescue", "112"),
    ("1\u200b12", "112"),
    ("911", "911"),
    ("000, ask for the police", "000"),
    ("116", "116"),
    ("116006", "116006"),
    ("116 006", "116006"),
    ("196, sea rescue", "196"),
    ("1530", "1530"),
    ("MRCC +44 (0)1632 960112", "+441632960112"),
    ("+44 (0) 1632 960112", "+441632960112"),
    ("+44 01632 960112", "+441632960112"),
    ("(+44) 1632 960112", "+441632960112"),
    ("+44(0)1632 960112", "+441632960112"),
    ("+44 (1632) 960112", "+441632960112"),
    ("+(44) 1632 960112", "+441632960112"),
    ("+44 1632 960112 (24 h)", "+441632960112"),
    ("+44 1632 960112 - 999", "+441632960112"),
    ("Tel+44 1632 960112", "+441632960112"),
    ("0044 1632 960112", "+441632960112"),
    ("0044 (0)1632 960112", "+441632960112"),
    ("00441632960112", "+441632960112"),
    ("00 44 1632 960112", "+441632960112"),
    ("+44 7700 900 999", "+447700900999"),
    ("+1 201-555-0123", "+12015550123"),
    ("+1 (201) 555-0123", "+12015550123"),
    ("+39 02 1234 5678", "+390212345678"),
    ("+39 (0)2 1234 5678", "+390212345678"),
    ("MRCC 01632 960112 - 999", "01632960112"),
    ("01632 960112 / 960113", "01632960112"),
    ("01632 960112/3", "01632960112"),
    ("01632 960112, 24/7", "01632960112"),
    ("01632 960112. 24/7", "01632960112"),
    ("01632 960112 (24/7)", "01632960112"),
    ("01632 960112; 999", "01632960112"),
    ("01632 960112 or 112", "01632960112"),
    ("01632 960112 ext 4", "01632960112"),
    ("01632 960112 VHF 16", "01632960112"),
    ("01632-960112", "01632960112"),
    ("01632.960.112", "01632960112"),
    ("01632\u2011960112", "01632960112"),
    ("(01632) 960112", "01632960112"),
    ("(01632)960112", "01632960112"),
    ("Harbour (01632 960112)", "01632960112"),
    ("0 (1632) 960112", "01632960112"),
    ("VHF 16, 01632 960112", "01632960112"),
    ("Channel 16 or (07700) 900 999", "07700900999"),
    ("Tel:01632 960112", "01632960112"),
    ("01632960112", "01632960112"),
]

NONE = [
    "",
    "the harbour office",
    "channel 16",
    "24/7",
    "120 min",
    "Pier 101A",
    "12345678901234567",
]

DOUBTFUL = [
    "112 24/7",
    "112 24h",
    "112 24",
    "112.24",
    "112 999",
    "999-24 hours",
    "999 24 hours",
    "911 234 567",
    "1) 112 2) 999",
    "01632 960112 999",
    "01632 960112-112",
    "01632 9601 112",
    "01632 960112 24 h",
    "01632 960112 24h",
    "01632 960112 24/7",
    "01632 960112 8:30",
    "01632 960112 0800-2000 h",
    "01632 960112x4",
    "01632/960112",
    "Tel01632 960112",
    "VHF 16 01632 960112",
    "VHF16 112",
    "Pier 101, 01632 960112",
    "Berth 2 01632 960112",
    "MMSI 001234567",
    "MMSI 001234567, 01632 960112",
    "Open 0800-2000, 01632 960112",
    "+112",
    "+44 999",
    "+44 (24 h)",
    "+44 1632 (960112)",
    "+44 1632 960112 999",
    "+44 1632 960112 24h",
    "+49 30 23125 112",
    "+1234567890123456",
    "0044 1632 960112 112",
]


@pytest.mark.parametrize(("words", "number"), SURE)
@pytest.mark.parametrize("region", ["GB", None])
def test_a_number_ends_where_its_words_end_it(words: str, number: str, region: str | None) -> None:
    """At a bracket, a stroke, a comma, a full stop, a dash with blanks; the (0) after a country code is not dialled."""
    assert number_to_dial(words, region) == number


@pytest.mark.parametrize("words", [*NONE, *DOUBTFUL])
@pytest.mark.parametrize("region", ["GB", None])
def test_where_two_readings_are_possible_nothing_is_dialled(words: str, region: str | None) -> None:
    """The words alone are safe; a channel, an hour or a pier is no number at all."""
    assert number_to_dial(words, region) is None


@pytest.mark.parametrize(
    ("words", "region", "number"),
    [
        ("612 34 56 78", "ES", "612345678"),
        ("canal 16 612 34 56 78", "ES", None),
        ("911 23 45 67", "ES", None),
        ("32 12 34 56", "DK", "32123456"),
        ("kanal 16 32 12 34 56", "DK", None),
        ("02 1234 5678", "IT", "0212345678"),
        ("canale 16 02 1234 567", "IT", None),
        ("2100 1234", "MT", "21001234"),
        ("201-555-0123", "US", "2015550123"),
        ("1 (201) 555-0123", "US", "12015550123"),
        ("911 - 24/7", "US", "911"),
        ("555 0123 / 0124", "US", None),
        ("011 44 1632 960112", "US", "+441632960112"),
        ("0011 44 1632 960112", "AU", "+441632960112"),
        ("0044 1632 960112", "AU", None),
        ("000 24/7", "AU", None),
        ("111 (24/7)", "NZ", "111"),
        ("030 23125 001", "DE", "03023125001"),
        ("030 23125 112", "DE", None),
        ("030 23125 24/7", "DE", None),
        ("16 030 23125 001", "DE", None),
        ("01 99 00 12 34", "FR", "0199001234"),
        ("01 99 00 12 34", "GB", "0199001234"),
        ("196, or 01 99 00 12 34", "FR", None),
        ("116 117", "LK", None),
        ("672317", "GB", "672317"),
        ("01632 960112", "XX", None),
    ],
)
def test_the_country_says_what_a_national_number_is(words: str, region: str, number: str | None) -> None:
    """Where numbers have no trunk prefix, digits in groups are one only if it is in use."""
    assert number_to_dial(words, region) == number


@given(st.text(alphabet="0123456789+()-./, h:\u2013xA", max_size=40), st.sampled_from([None, "GB", "US", "DK", "DE"]))
@example("+", None)
@example("(((1", "GB")
def test_what_is_dialled_stands_in_the_words(words: str, region: str | None) -> None:
    """Its digits come one after the other in them, with nothing between but marks, and a trunk prefix."""
    number = number_to_dial(words, region)

    if number is not None:
        digits = number.removeprefix("+")
        trunk = "(?:[018][ ().-]*)?" if number.startswith("+") else ""
        assert 3 <= len(digits) <= 15
        assert re.search(f"[ ().-]*{trunk}".join(digits), words), (number, words)
        assert not re.search(re.escape(digits) + "[A-Za-z]", words)
