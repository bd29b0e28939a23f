"""Phone numbers as typed, and what is refused."""

from __future__ import annotations

import phonenumbers
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from phonenumbers import PhoneNumberFormat

from service.domain.phone import (
    PhoneError,
    is_emergency_number,
    mask,
    national_format,
    probably_landline,
    read_phone,
)

ANNA = "+447700900123"


@pytest.mark.parametrize(
    ("text", "region"),
    [
        ("07700 900123", "GB"),
        ("07700-900-123", "GB"),
        ("(07700) 900123", "GB"),
        ("+44 7700 900123", None),
        ("+44 (0)7700 900 123", None),
        ("00447700900123", "GB"),
        ("011 44 7700 900123", "US"),
        ("\u202a+44\u00a07700\u00a0900123\u202c", None),
        ("＋４４ ７７００ ９００１２３", None),
        ("  07700900123\n", "GB"),
    ],
    ids=ascii,
)
def test_one_number_typed_in_many_ways_is_one_number(text: str, region: str | None) -> None:
    """Blanks, dashes, brackets, prefixes for abroad and what contact lists paste along do not matter."""
    assert read_phone(text, region) == ANNA


@pytest.mark.parametrize(
    ("text", "region", "words"),
    [
        ("", "GB", "Give a phone number"),
        (" \u200e ", "GB", "Give a phone number"),
        ("7" * 41, "GB", "too long for a phone number"),
        ("999", "GB", "999 is an emergency number"),
        ("112", None, "112 is an emergency number"),
        ("9 1 1", "US", "is an emergency number"),
        ("07700 900123 ext 5", "GB", "extension"),
        ("07700 900123#5", "GB", "extension"),
        ("07700 900123,,5", "GB", "extension"),
        ("0800 FLOWERS", "GB", "no letters"),
        ("Anna", "GB", "no letters"),
        ("07700 900123", None, "Begin the number with \\+"),
        ("07700 900123", "XX", "Begin the number with \\+"),
        ("+999 1234567", "GB", "No country has this code"),
        ("--", "GB", "This is no phone number"),
        ("+", None, "This is no phone number"),
        ("101", "GB", "too short"),
        ("07700 9001", "GB", "too short"),
        ("07700 9001234567", "GB", "too long"),
        ("07700 90012", "GB", "too short"),
        ("+44 7911 12345", None, "too short"),
        ("+353 85 012 345", "GB", "too short"),
        ("900123", "GB", "lacks its area code"),
        ("+47 123456", None, "of this length"),
    ],
    ids=ascii,
)
def test_what_no_text_can_reach_is_refused_with_what_to_do(text: str, region: str | None, words: str) -> None:
    """Every refusal says in plain words what to put right."""
    with pytest.raises(PhoneError, match=words):
        read_phone(text, region)


@given(st.text(max_size=60), st.sampled_from(["GB", "US", "IT", "EG", None]))
def test_any_text_is_a_number_or_a_refusal(text: str, region: str | None) -> None:
    """Nothing typed breaks the reading, and what is taken is taken again."""
    try:
        number = read_phone(text, region)
    except PhoneError:
        return
    assert read_phone(number, None) == number


@pytest.mark.parametrize("last", range(0, 1000, 111))
def test_numbers_for_stories_are_taken(last: int) -> None:
    """A number is checked to be possible, not to be in use."""
    assert read_phone(f"07700 900{last:03}", "GB") == f"+447700900{last:03}"


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("+44 1204 52345", "landline of nine digits"),
        ("+44 121 234 567", "landline whose length depends on its area"),
        ("+44 7700 000000", "range that no table has"),
        ("+49 1512 345678", "country where lengths vary"),
        ("+7 912 345 67 89", "country code of one digit"),
    ],
)
def test_a_number_that_may_be_whole_is_taken(text: str, kind: str) -> None:
    """Tables lag, and lengths vary: what cannot be known to lack a digit is not refused for it."""
    assert read_phone(text, None) == "+" + "".join(filter(str.isdigit, text)), kind


def _usual(region: str, kind: int) -> str | None:
    example = phonenumbers.example_number_for_type(region, kind)
    return example and phonenumbers.format_number(example, phonenumbers.PhoneNumberFormat.E164)


@pytest.mark.parametrize("region", sorted(phonenumbers.SUPPORTED_REGIONS))
def test_the_usual_numbers_of_every_country_are_taken(region: str) -> None:
    """Mobile and fixed; a contact may live anywhere."""
    kinds = (phonenumbers.PhoneNumberType.MOBILE, phonenumbers.PhoneNumberType.FIXED_LINE)

    for number in filter(None, (_usual(region, kind) for kind in kinds)):
        assert read_phone(number, "GB") == number


@pytest.mark.parametrize(
    ("region", "written"),
    [("GB", "07700 900123"), ("FR", "+44 7700 900123"), (None, "+44 7700 900123")],
)
def test_a_number_is_written_as_it_is_dialled_there(region: str | None, written: str) -> None:
    """At home in the national form; anywhere else with its country code, so that it can be dialled."""
    assert national_format(ANNA, region) == written


def test_a_short_number_is_written_as_it_is() -> None:
    """A rescue service's number has no other form."""
    assert national_format("999", "GB") == "999"


_CODES = sorted(phonenumbers.COUNTRY_CODE_TO_REGION_CODE)


@given(code=st.sampled_from(_CODES), rest=st.text("0123456789", max_size=18))
@settings(max_examples=500)
def test_a_number_is_written_as_the_library_writes_what_it_parses(code: int, rest: str) -> None:
    """Whatever is not parsed by it, so that it need not cost what a typed one does, is written all the same."""
    e164 = f"+{code}{rest}"
    try:
        expected = phonenumbers.format_number(phonenumbers.parse(e164, None), PhoneNumberFormat.INTERNATIONAL)
    except phonenumbers.NumberParseException:
        expected = e164

    assert national_format(e164) == expected


@pytest.mark.parametrize("odd", ["", "+", "+0", "+07700900123", "+44", "+4", "+44 7700 900123", "+44\u0667700900123"])
def test_what_is_no_whole_number_is_left_to_the_library(odd: str) -> None:
    """It comes back as it is, or as the library reads it."""
    try:
        expected = phonenumbers.format_number(phonenumbers.parse(odd, None), PhoneNumberFormat.INTERNATIONAL)
    except phonenumbers.NumberParseException:
        expected = odd

    assert national_format(odd) == expected


@pytest.mark.parametrize(("number", "masked"), [(ANNA, "...123"), ("999", "..."), ("", "...")])
def test_a_masked_number_keeps_three_digits_at_most(number: str, masked: str) -> None:
    """Logs never hold a number that can be called."""
    assert mask(number) == masked


@pytest.mark.parametrize(
    ("number", "landline"), [("+441212345678", True), (ANNA, False), ("+12015550123", False), ("?", False)]
)
def test_a_landline_is_suspected_only_where_the_plan_says_so(number: str, *, landline: bool) -> None:
    """Where fixed and mobile share a range, nothing is held against a number."""
    assert probably_landline(number) is landline


@pytest.mark.parametrize(
    ("text", "region", "emergency"),
    [
        ("112", "GB", True),
        ("99 9", "GB", True),
        ("911", "GB", False),
        ("911", None, True),
        ("07700900123", None, False),
    ],
)
def test_emergency_numbers_are_those_of_the_country(text: str, region: str | None, *, emergency: bool) -> None:
    """Each country has its own; where none is known the best known ones count."""
    assert is_emergency_number(text, region) is emergency
