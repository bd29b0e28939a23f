"""Phone numbers against published values.

Sources:
[1] example numbers and emergency numbers of the metadata of libphonenumber, as in phonenumbers 9.0.43
[2] Ofcom, numbers for use in television and radio drama
[3] ACMA, phone numbers for use in television shows, films and creative works
[4] ARCEP, numbers reserved for audiovisual works
"""

from __future__ import annotations

import pytest

from service.domain.phone import PhoneError, is_emergency_number, national_format, read_phone

EXAMPLES = [
    ("07400 123456", "GB", "+447400123456", "+44 7400 123456"),
    ("0121 234 5678", "GB", "+441212345678", "+44 121 234 5678"),
    ("(201) 555-0123", "US", "+12015550123", "+1 201-555-0123"),
    ("9696 1234", "MT", "+35696961234", "+356 9696 1234"),
    ("2100 1234", "MT", "+35621001234", "+356 2100 1234"),
    ("010 01234567", "EG", "+201001234567", "+20 10 01234567"),
    ("0412 345 678", "AU", "+61412345678", "+61 412 345 678"),
    ("(02) 1234 5678", "AU", "+61212345678", "+61 2 1234 5678"),
    ("01 23 45 67 89", "FR", "+33123456789", "+33 1 23 45 67 89"),
    ("085 012 3456", "IE", "+353850123456", "+353 85 012 3456"),
    ("(022) 12345", "IE", "+3532212345", "+353 22 12345"),
    ("612 34 56 78", "ES", "+34612345678", "+34 612 34 56 78"),
    ("021 123 4567", "NZ", "+64211234567", "+64 21 123 4567"),
    ("07781 123456", "GG", "+447781123456", "+44 7781 123456"),
    ("01481 256789", "GG", "+441481256789", "+44 1481 256789"),
    ("07924 123456", "IM", "+447924123456", "+44 7924 123456"),
    ("01624 756789", "IM", "+441624756789", "+44 1624 756789"),
]


@pytest.mark.parametrize(("typed", "region", "e164", "international"), EXAMPLES)
def test_a_national_number_becomes_its_international_one(
    typed: str, region: str, e164: str, international: str
) -> None:
    """[1] As dialled at home, in E.164, and as written for people abroad."""
    assert read_phone(typed, region) == e164
    assert national_format(e164) == international


@pytest.mark.parametrize(
    ("typed", "region", "e164"),
    [
        ("00447700900123", "GB", "+447700900123"),
        ("011 44 7700 900123", "US", "+447700900123"),
        ("00 44 7700 900123", "MT", "+447700900123"),
        ("010 44 7700 900123", "JP", "+447700900123"),
        ("+44 (0)7700 900123", "GB", "+447700900123"),
        ("+1 (415) 867-5309", None, "+14158675309"),
    ],
)
def test_prefixes_for_abroad_are_those_of_the_country_dialled_from(typed: str, region: str | None, e164: str) -> None:
    """[1] 00, 011 and 010 lead abroad; the (0) after a country code is not dialled."""
    assert read_phone(typed, region) == e164


@pytest.mark.parametrize("typed", ["07700 900000", "07700 900999"])
def test_british_drama_numbers_are_taken_though_nobody_has_them(typed: str) -> None:
    """[2] 07700 900000 to 900999."""
    assert read_phone(typed, "GB") == "+44" + typed.replace(" ", "")[1:]


AUSTRALIAN_DRAMA = {
    "0491 570": ["006", "156", "157", "158", "159", "110", "313", "737"],
    "0491 571": ["266", "491", "804"],
    "0491 572": ["549", "665", "983"],
    "0491 573": ["770", "087"],
    "0491 574": ["118", "632"],
    "0491 575": ["254", "789"],
    "0491 576": ["398", "801"],
    "0491 577": ["426", "644"],
    "0491 578": ["957", "148", "888"],
    "0491 579": ["212", "760", "455"],
}


def test_australian_drama_numbers_are_taken() -> None:
    """[3] Thirty mobile numbers."""
    typed = [f"{block} {line}" for block, lines in AUSTRALIAN_DRAMA.items() for line in lines]

    taken = [read_phone(number, "AU") for number in typed]

    assert len(taken) == 30
    assert taken == ["+61" + number.replace(" ", "")[1:] for number in typed]


@pytest.mark.parametrize("e164", ["+33639980001", "+33199001234"])
def test_french_drama_numbers_are_taken(e164: str) -> None:
    """[4] Blocks 06 39 98 and 01 99 00."""
    assert read_phone("0" + e164[3:], "FR") == e164


def test_112_is_no_contact() -> None:
    """[1] A short code is no subscriber's number."""
    with pytest.raises(PhoneError, match="112 is an emergency number"):
        read_phone("112", "GB")


TRIED = ["112", "911", "999", "000", "111", "110", "118", "119", "122", "123", "180", "15", "17", "18", "100", "10111"]


@pytest.mark.parametrize(
    ("region", "emergency"),
    [
        ("GB", ["112", "999"]),
        ("US", ["112", "911"]),
        ("MT", ["112"]),
        ("EG", ["122", "123", "180"]),
        ("AU", ["112", "000"]),
        ("FR", ["112", "15", "17", "18"]),
        ("JP", ["110", "119"]),
        ("IE", ["112", "999"]),
        ("NZ", ["111"]),
        ("CA", ["112", "911"]),
        ("ES", ["112"]),
        ("IT", ["112", "118"]),
        ("HR", ["112"]),
    ],
)
def test_each_country_has_its_emergency_numbers(region: str, emergency: list[str]) -> None:
    """[1] Of those tried, exactly these are emergency numbers there."""
    assert {number for number in TRIED if is_emergency_number(number, region)} == set(emergency)
