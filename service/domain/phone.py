"""Phone numbers: what people type becomes E.164, and only what a text can reach is taken.

Numbers are checked to be possible (of a length that the numbering plan has), not to be in use: the plans
change faster than any table, and a table that lags must not keep a contact out. Where a country has numbers of
several lengths, one that lacks its last digit is refused only if the digit would make it a number in use, of a
kind that has no shorter ones.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache, lru_cache
from typing import NamedTuple

import phonenumbers
from babel.core import get_global
from phonenumbers import (
    NumberParseException,
    PhoneMetadata,
    PhoneNumber,
    PhoneNumberFormat,
    PhoneNumberType,
    ValidationResult,
)
from phonenumbers.timezone import time_zones_for_geographical_number

_LONGEST_TYPED = 40
_KEPT_DIGITS = 3
_CODES = frozenset(map(str, phonenumbers.COUNTRY_CODE_TO_REGION_CODE))
_GROUP = re.compile(r"\\([0-9])")
_SHORTEST, _LONGEST = 2, 15  # digits of a national number

_EXAMPLE = "such as +44 7700 900123"

_ANYWHERE = frozenset({"112", "911", "999", "000"})
"""Emergency numbers that are refused where no country is known."""

_LANDLINES = frozenset({PhoneNumberType.FIXED_LINE})
_EITHER = (PhoneNumberType.FIXED_LINE, PhoneNumberType.MOBILE)

_NO_COUNTRY = frozenset({"001", "ZZ"})
"""The world and nowhere, to the CLDR and to the plans of numbers alike."""

_FOR_STORIES = re.compile(r"\+447700900[0-9]{3}")
"""Mobile numbers that Ofcom (the UK's regulator) keeps free for drama; no table of numbers in use has them."""
_LANDLINES_FOR_STORIES = re.compile(r"\+441632960[0-9]{3}")
"""The same for fixed lines."""

_IMPOSSIBLE = {
    ValidationResult.TOO_SHORT: "This number is too short. Check that no digit is missing.",
    ValidationResult.TOO_LONG: "This number is too long. Check for a digit too many.",
    ValidationResult.INVALID_LENGTH: "Its country has no numbers of this length. Check the digits.",
    ValidationResult.INVALID_COUNTRY_CODE: "No country has this code. Check the digits after the +.",
    ValidationResult.IS_POSSIBLE_LOCAL_ONLY: "This number lacks its area code. Give the whole number.",
}


class PhoneError(ValueError):
    """The number cannot be taken; the message says what to do."""


@lru_cache(maxsize=10_000)
def read_phone(text: str, region: str | None) -> str:
    """Turn a typed number into E.164. National numbers are read as of `region` (ISO 3166, such as GB).

    Raises PhoneError with what to put right: nothing typed, letters, an extension, an emergency or short
    code, no country, or a length that does not exist.
    """
    typed = _visible(text)
    _refuse_unreadable(typed, region)
    try:
        number = phonenumbers.parse(typed, region)
    except NumberParseException as error:
        if error.error_type == NumberParseException.INVALID_COUNTRY_CODE:
            if typed.startswith("+"):
                raise PhoneError(_IMPOSSIBLE[ValidationResult.INVALID_COUNTRY_CODE]) from None
            message = f"Begin the number with + and the country code, {_EXAMPLE}."
            raise PhoneError(message) from None
        message = f"This is no phone number. Give one with its country code, {_EXAMPLE}."
        raise PhoneError(message) from None
    outcome = phonenumbers.is_possible_number_with_reason(number)
    if outcome != ValidationResult.IS_POSSIBLE:
        raise PhoneError(_IMPOSSIBLE[outcome])
    if _keeps_trunk_prefix(number) or _lacks_last_digit(number):
        raise PhoneError(_IMPOSSIBLE[ValidationResult.TOO_SHORT])
    return phonenumbers.format_number(number, PhoneNumberFormat.E164)


@lru_cache(maxsize=10_000)
def national_format(e164: str, region: str | None = None) -> str:
    """Write a number as it is dialled in `region`; abroad, or where that is unknown, with its country code.

    What is not a whole number (a rescue service's short one) comes back as it is.
    """
    if region is None and (written := _international(e164)) is not None:
        return written
    try:
        number = _parsed(e164)
    except NumberParseException:
        return e164
    abroad = region is None or number.country_code != phonenumbers.country_code_for_region(region)
    return phonenumbers.format_number(number, PhoneNumberFormat.INTERNATIONAL if abroad else PhoneNumberFormat.NATIONAL)


def _parsed(e164: str) -> PhoneNumber:
    """As phonenumbers.parse, in a tenth of the time, for plain digits of which nothing is to be stripped."""
    plain = _plain(e164)
    if plain is None:
        return phonenumbers.parse(e164, None)
    return PhoneNumber(country_code=int(plain[0]), national_number=int(plain[1]))


def _international(e164: str) -> str | None:
    """As phonenumbers.format_number, in a tenth of the time, for plain digits; None for what is left to it."""
    plain = _plain(e164)
    if plain is None:
        return None
    code, national = plain
    for form in _forms(code):
        if form.leading is None or form.leading.match(national):
            found = form.whole.match(national)
            if found is not None and found.end() == len(national):
                return f"+{code} {form.written.format(*found.groups(''))}"
            if form.whole.fullmatch(national):
                return None
    return f"+{code} {national}"


def _plain(e164: str) -> tuple[str, str] | None:
    """The country code and the national number of plain digits of which nothing is to be stripped; else None."""
    digits = e164[1:]
    if not (e164.startswith("+") and digits.isascii() and digits.isdigit()):
        return None
    code = next((digits[:end] for end in (1, 2, 3) if digits[:end] in _CODES), None)
    if code is None:
        return None
    national = digits[len(code) :]
    if not _SHORTEST <= len(national) <= _LONGEST or national[0] == "0" or _stripped(code, national):
        return None
    return code, national


def _stripped(code: str, national: str) -> bool:
    """Whether the parser may take a trunk prefix or a carrier's code off a national number."""
    prefix = _trunk_prefix(code)
    return prefix is not None and prefix.match(national) is not None


class _Form(NamedTuple):
    """How the numbers of a country that begin so are written: `written` has a gap for each group of digits."""

    leading: re.Pattern[str] | None
    whole: re.Pattern[str]
    written: str


@cache
def _forms(code: str) -> tuple[_Form, ...]:
    """The forms of numbers that are written with their country code, in the order in which they are tried."""
    metadata = _metadata(code)
    forms = [] if metadata is None else metadata.intl_number_format or metadata.number_format
    return tuple(
        _Form(
            re.compile(form.leading_digits_pattern[-1]) if form.leading_digits_pattern else None,
            re.compile(form.pattern or ""),
            _GROUP.sub(lambda group: f"{{{int(group[1]) - 1}}}", form.format or ""),
        )
        for form in forms
    )


@cache
def _trunk_prefix(code: str) -> re.Pattern[str] | None:
    metadata = _metadata(code)
    prefix = None if metadata is None else metadata.national_prefix_for_parsing
    return re.compile(prefix) if prefix else None


def _metadata(code: str) -> PhoneMetadata | None:
    region = phonenumbers.region_code_for_country_code(int(code))
    return PhoneMetadata.metadata_for_region_or_calling_code(int(code), region)


def dialled_from(e164: str, other: str | None) -> str:
    """Write a number as the owner of the `other` number (E.164) dials it: without the code of their own country."""
    try:
        code = None if other is None else phonenumbers.parse(other, None).country_code
    except NumberParseException:
        code = None
    return national_format(e164, None if code is None else phonenumbers.region_code_for_country_code(code))


def is_of_country(e164: str, region: str) -> bool:
    """Say whether a number is one of `region`; of one that no table has, by its country code alone.

    Countries that share a code, as along +1, are told apart: calls and texts to some of them cost many times more.
    """
    try:
        number = phonenumbers.parse(e164, None)
    except NumberParseException:
        return False
    known = phonenumbers.region_code_for_number(number)
    return known == region if known else number.country_code == phonenumbers.country_code_for_region(region)


@lru_cache(maxsize=10_000)
def zones_of(e164: str) -> tuple[str, ...]:
    """The IANA zones in which a number may be at home; empty for what is of no country.

    Those of its country by the CLDR, and of several those that its prefix tells of. The tables of prefixes alone name
    zones of other countries that had the same time once: Paris for Algiers, which has no summer time.
    """
    try:
        number = phonenumbers.parse(e164, None)
    except NumberParseException:
        return ()
    by_prefix = time_zones_for_geographical_number(number)
    region = phonenumbers.region_code_for_number(number)
    of_country = _zones_of_regions().get(
        region or phonenumbers.region_code_for_country_code(number.country_code or 0), ()
    )
    return tuple(zone for zone in of_country if zone in by_prefix) or of_country


@cache
def _zones_of_regions() -> dict[str, tuple[str, ...]]:
    """The zones of each country (ISO 3166)."""
    found: dict[str, tuple[str, ...]] = {}
    for zone, region in sorted(get_global("zone_territories").items()):
        if region not in _NO_COUNTRY:
            found[region] = (*found.get(region, ()), zone)
    return found


def mask(e164: str) -> str:
    """Write a number for logs: only its last three digits."""
    return "..." + e164[-_KEPT_DIGITS:] if len(e164) > 2 * _KEPT_DIGITS else "..."


def probably_landline(e164: str) -> bool:
    """Say whether a number looks like a fixed line, which may not take texts; a hint, since numbers move."""
    if _LANDLINES_FOR_STORIES.fullmatch(e164):
        return True
    try:
        number = phonenumbers.parse(e164, None)
    except NumberParseException:
        return False
    return phonenumbers.number_type(number) in _LANDLINES


def is_known_number(number: PhoneNumber) -> bool:
    """Say whether a number is one of those in use by the tables, which lag, or kept free for drama."""
    written = phonenumbers.format_number(number, PhoneNumberFormat.E164)
    drama = _FOR_STORIES.fullmatch(written) or _LANDLINES_FOR_STORIES.fullmatch(written)
    return drama is not None or phonenumbers.is_valid_number(number)


def is_emergency_number(text: str, region: str | None) -> bool:
    """Say whether this is an emergency number in `region`, or one of the best known where that is unknown."""
    typed = _visible(text)
    if region is None:
        return "".join(character for character in typed if character.isdigit()) in _ANYWHERE
    return phonenumbers.is_emergency_number(typed, region)


def _visible(text: str) -> str:
    """Drop what contact lists paste along with a number: direction marks, odd blanks and full-width forms."""
    normal = unicodedata.normalize("NFKC", text)
    return "".join(c for c in normal if unicodedata.category(c) not in ("Cf", "Cc", "Cs")).strip()


def _keeps_trunk_prefix(number: phonenumbers.PhoneNumber) -> bool:
    """Say whether the number still begins with its country's trunk prefix, as one does that lacks digits."""
    country = phonenumbers.region_code_for_country_code(number.country_code or 0)
    prefix = phonenumbers.ndd_prefix_for_region(country, strip_non_digits=True) or ""
    begins = bool(prefix) and phonenumbers.national_significant_number(number).startswith(prefix)
    return begins and not phonenumbers.is_valid_number(number)


def _lacks_last_digit(number: phonenumbers.PhoneNumber) -> bool:
    """Say whether one digit more would make this a number, and it is too short for one of that kind."""
    if phonenumbers.is_valid_number(number):
        return False
    written = phonenumbers.format_number(number, PhoneNumberFormat.E164)
    kinds = {_kind_in_use(written + digit) for digit in "0123456789"} - {PhoneNumberType.UNKNOWN}
    return any(_too_short_for(number, kind) for kind in kinds)


def _kind_in_use(e164: str) -> int:
    """Say of which kind a number is by the tables, UNKNOWN where they have no such number."""
    if _FOR_STORIES.fullmatch(e164):
        return PhoneNumberType.MOBILE
    try:
        return phonenumbers.number_type(phonenumbers.parse(e164, None))
    except NumberParseException:
        return PhoneNumberType.UNKNOWN


def _too_short_for(number: phonenumbers.PhoneNumber, kind: int) -> bool:
    kinds = _EITHER if kind == PhoneNumberType.FIXED_LINE_OR_MOBILE else (kind,)
    return not any(phonenumbers.is_possible_number_for_type(number, one) for one in kinds)


def _refuse_unreadable(typed: str, region: str | None) -> None:
    """Raise PhoneError for what is not even the shape of a whole number."""
    if not typed:
        message = f"Give a phone number, {_EXAMPLE}."
        raise PhoneError(message)
    if len(typed) > _LONGEST_TYPED:
        message = "This is too long for a phone number. Give one number only."
        raise PhoneError(message)
    if is_emergency_number(typed, region):
        message = f"{typed} is an emergency number. Give the number of a person."
        raise PhoneError(message)
    if any(mark in typed.lower() for mark in ("ext", "#", ";", ",")):
        message = "A text cannot reach an extension. Give a number without one."
        raise PhoneError(message)
    if any(character.isalpha() for character in typed):
        message = "A phone number has no letters. Give the digits."
        raise PhoneError(message)
