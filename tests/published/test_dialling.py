"""Numbers within words against published notations.

Sources:
[1] ITU-T E.123 (02/2001): blanks part the groups of a number, brackets hold digits that are not always dialled, an
    oblique stroke parts two numbers
[2] ITU-T E.164 (11/2010): an international number has at most 15 digits
[3] Commission Decision 2007/116/EC: numbers from 116000 to 116999 for services of social value
[4] example numbers and emergency numbers of the metadata of libphonenumber, as in phonenumbers 9.0.43
"""

from __future__ import annotations

import phonenumbers
import pytest
from phonenumbers import PhoneNumberFormat

from service.domain.dialling import number_to_dial
from service.domain.phone import is_emergency_number

REGIONS = sorted(phonenumbers.SUPPORTED_REGIONS)


@pytest.mark.parametrize(
    ("words", "number"),
    [
        ("(01632) 960 112", "01632960112"),
        ("+44 1632 960 112", "+441632960112"),
        ("(01632) 960 001 / 960 002", "01632960001"),
        ("(01632) 960 001/2", "01632960001"),
    ],
)
def test_blanks_join_and_a_stroke_parts(words: str, number: str) -> None:
    """[1] In national and in international notation."""
    assert number_to_dial(words, "GB") == number


def test_an_international_number_has_at_most_fifteen_digits() -> None:
    """[2] One more is none."""
    assert number_to_dial("+49 30 231 2500 0000") == "+493023125000000"
    assert number_to_dial("+49 30 231 2500 00000") is None


@pytest.mark.parametrize("digits", ["116000", "116117", "116999"])
def test_european_numbers_of_social_value_are_dialled(digits: str) -> None:
    """[3] In one piece, or with the gap that is customary."""
    assert number_to_dial(f"{digits} or 112", "IE") == digits
    assert number_to_dial(f"{digits[:3]} {digits[3:]} (24 h)", "IE") == digits


@pytest.mark.parametrize("region", REGIONS)
def test_example_numbers_are_dialled_as_they_are_written_abroad_and_never_otherwise(region: str) -> None:
    """[4] In international notation always; in the national one as written there, or not at all."""
    number = phonenumbers.example_number(region)
    assert number is not None
    abroad, home, e164 = (
        phonenumbers.format_number(number, style)
        for style in (PhoneNumberFormat.INTERNATIONAL, PhoneNumberFormat.NATIONAL, PhoneNumberFormat.E164)
    )
    digits = "".join(sign for sign in home if sign.isdigit())

    assert number_to_dial(f"Sea rescue {abroad} (24/7), or 112", region) == e164
    assert number_to_dial(f"Sea rescue {abroad}") == e164
    assert number_to_dial(f"{home} (24/7), or 112", region) in (digits, None)


@pytest.mark.parametrize("region", REGIONS)
def test_emergency_numbers_are_dialled_whatever_stands_in_brackets_behind_them(region: str) -> None:
    """[4] Those of three digits, in their own country."""
    numbers = [f"{short:03}" for short in range(1000) if is_emergency_number(f"{short:03}", region)]

    for number in numbers:
        assert number_to_dial(f"{number} (24 h), ask for sea rescue", region) == number
        assert number_to_dial(f"{number} 24/7", region) is None
