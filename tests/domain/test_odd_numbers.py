"""Numbers and facts at the edge of what any table has."""

from __future__ import annotations

import re
from itertools import product

import phonenumbers
import pytest

from service.domain import phone
from service.domain.phone import dialled_from, is_of_country, national_format, probably_landline
from service.domain.sending import country_name
from service.domain.standing import Reach
from tests.domain.builders import NOW


@pytest.mark.parametrize(
    ("other", "written"),
    [
        ("+447700900002", "07700 900001"),
        ("+4915112345678", "+44 7700 900001"),
        (None, "+44 7700 900001"),
        ("999", "+44 7700 900001"),
    ],
)
def test_a_number_is_written_as_the_other_phone_dials_it(other: str | None, written: str) -> None:
    """Where it is not known whence it is dialled, with its country code."""
    assert dialled_from("+447700900001", other) == written


@pytest.mark.parametrize(
    ("number", "region", "is_of_it"),
    [
        ("+442079460000", "GB", True),
        ("+442079460000", "DE", False),
        ("+12425550000", "US", False),
        ("+447700900001", "GB", True),  # in no table
        ("999", "GB", False),
    ],
)
def test_a_number_is_of_one_country(number: str, region: str, *, is_of_it: bool) -> None:
    """By the tables, or by its code where they have no such number; what is no number is of none."""
    assert is_of_country(number, region) is is_of_it


def test_what_is_no_whole_number_is_no_landline() -> None:
    """A rescue service's short one, say."""
    assert not probably_landline("999")


def test_landlines_for_stories_are_landlines() -> None:
    """As their real neighbours are."""
    assert probably_landline("+441632960001")
    assert probably_landline("+442079460001")


def test_a_country_that_nobody_has_has_no_name() -> None:
    """Two letters that stand for nothing."""
    assert country_name("XX") is None
    assert country_name("DE") == "Germany"


def test_who_was_never_told_of_it_is_new_until_anything_was_said() -> None:
    """Whoever was asked, or said anything of it, is told no second time what a contact does."""
    assert Reach().is_new
    assert Reach(reached_at=NOW).is_new
    assert not any(one.is_new for one in (Reach(asked_at=NOW), Reach(agreed_at=NOW), Reach(declined_at=NOW)))


@pytest.mark.parametrize("code", range(1, 100))
def test_a_number_is_written_as_the_library_writes_it_wherever_it_is_from(code: int) -> None:
    """In a tenth of the time; what is not plain is left to it."""
    for digits, first in product((6, 8, 9, 10, 11), "1256789"):
        e164 = f"+{code}{(first * digits)}"
        try:
            number = phonenumbers.parse(e164, None)
        except phonenumbers.NumberParseException:
            assert national_format(e164) == e164
            continue
        wanted = phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.INTERNATIONAL)
        assert national_format(e164) == wanted


def test_what_can_be_split_in_two_ways_is_left_to_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pattern that first tries too few digits; the library takes the whole number."""
    split = phone._Form(None, re.compile(r"(\d{2}|\d{10})"), "{0}")
    monkeypatch.setattr(phone, "_forms", lambda _code: (split,))

    assert national_format("+447700900987") == "+44 7700 900987"


def test_what_the_library_cannot_read_is_of_no_kind() -> None:
    """So that it is no proof that a digit is missing."""
    assert phone._kind_in_use("+99912345678") == phonenumbers.PhoneNumberType.UNKNOWN
