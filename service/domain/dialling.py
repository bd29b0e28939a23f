"""The number that a tap dials, found within words such as a rescue call; none where it could be another.

A wrong number costs the caller minutes, words alone cost a moment of typing: so digits are joined only where they can
be nothing but one number. By ITU-T E.123 blanks part the groups of a number, brackets hold an area code, and an oblique
stroke parts two numbers; hyphens and dots between digits are customary. Everything else ends a number.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum, auto
from typing import Final

import phonenumbers
from phonenumbers import NumberParseException, PhoneNumber, PhoneNumberFormat, ValidationResult

from service.domain.phone import is_emergency_number, is_known_number

NO_NUMBER: Final = (
    "The rescue call has no number that a phone can dial without doubt, so nobody can tap it. Put the number first with"
    " a comma behind it, a long one with + and its country code."
)

_SHORTEST: Final = 3
_LONGEST: Final = 15  # E.164
_WHOLE: Final = 9  # digits that are more than a local number, an hour or a room has
_LOCAL: Final = 7
_NATIONAL_LONGEST: Final = 12  # with its trunk prefix, where no country says how long
_COUNTRY_CODE: Final = 3

_HEAD = re.compile(
    r"(?P<bracketed_plus>\( ?\+ ?[0-9]{1,3} ?\))|(?P<plus>\+ ?(?:[0-9]+|\( ?[0-9]{1,3} ?\)))"
    r"|(?P<bracketed>\( ?[0-9]+(?: [0-9]+)* ?\))|(?P<bare>[0-9]+)"
)
_BRACKET = re.compile(r" ?\( ?([0-9]+) ?\)(?= ?-?[0-9])")
_GROUP = re.compile(r"[ .-]([0-9]+)")
_AFTER_BRACKET = re.compile(r"[ .-]?([0-9]+)")
_DIGITS = re.compile("[0-9]+")
_UNIT = re.compile(
    r" ?(?:h|hrs?|hours?|std|stunden|uhr|heures?|horas?|ore|uur|timer?|min|minutes?|days?|a\.m|p\.?m)\b", re.IGNORECASE
)
_SHARE = re.compile("[/:][0-9]")  # 24/7, 08:00
_OF_HOURS: Final = (1, 2, 4)  # digits: 8 h, 24/7, 0800-2000 h
_EUROPEAN = re.compile("116[0-9]{3}")  # Commission Decision 2007/116/EC: numbers for services of social value


class _Is(Enum):
    """What digits in words are."""

    NO_NUMBER = auto()  # a channel, an hour, a pier
    DOUBTFUL = auto()
    PERHAPS = auto()  # it may be dialled where nothing else in the words can be
    NUMBER = auto()


@dataclass(frozen=True, slots=True)
class _Run:
    """Digits that stand together. `bracketed`: they begin with an area code in brackets."""

    groups: tuple[str, ...]
    plus: bool
    bracketed: bool
    start: int
    end: int

    @property
    def digits(self) -> str:
        return "".join(self.groups)


def number_to_dial(words: str, region: str | None = None) -> str | None:
    """The first number in words, as digits with or without "+"; None where there is none, or none beyond doubt.

    `region` (ISO 3166) is the country as of which national numbers are read; without it fewer can be told for sure.
    """
    plain = _plain(words)
    perhaps: str | None = None
    for run in _runs(plain):
        what, number = _read(run, plain, region)
        if what is _Is.NO_NUMBER:
            continue
        if what is _Is.DOUBTFUL or perhaps is not None:
            return None
        if what is _Is.NUMBER:
            return number
        perhaps = number
    return perhaps


def _plain(words: str) -> str:
    """With plain digits, blanks and hyphens, and without what cannot be seen."""
    normal = unicodedata.normalize("NFKC", words).translate({0x2010: "-", 0x2011: "-"})
    seen = "".join(sign for sign in normal if unicodedata.category(sign) != "Cf")
    digits = "".join(str(unicodedata.decimal(sign)) if sign.isdecimal() else sign for sign in seen)
    return " ".join(digits.split())


def _runs(words: str) -> Iterator[_Run]:
    at = 0
    while (head := _HEAD.search(words, at)) is not None:
        groups = list(_DIGITS.findall(head.group()))
        plus = "+" in head.group()
        at = head.end()
        abroad = plus or groups[0].startswith("00")
        bracket = _BRACKET.match(words, at)
        # An area code, or the "(0)", stands behind the country code or a trunk prefix; other brackets end the number.
        begun = len(groups) == 1 and len(groups[0].removeprefix("00")) <= (_COUNTRY_CODE if abroad else 1)
        if bracket is not None and begun:
            groups.append(bracket[1])
            at = bracket.end()
        closed = words[at - 1] == ")"
        while (group := (_AFTER_BRACKET if closed else _GROUP).match(words, at)) is not None:
            groups.append(group[1])
            at, closed = group.end(), False
        yield _Run(tuple(groups), plus, head["bracketed"] is not None, head.start(), at)


def _read(run: _Run, words: str, region: str | None) -> tuple[_Is, str]:
    glued = words[run.end : run.end + 1].isalpha() or (words[run.start - 1 : run.start].isalpha() and not run.plus)
    unit = _UNIT.match(words, run.end) is not None
    if len(run.groups) == 1 and not run.plus:
        none = glued or len(run.digits) < _SHORTEST
        return (_Is.NO_NUMBER, "") if none else _single(run, region, unit=unit)
    hours = len(run.groups[-1]) in _OF_HOURS and (unit or _SHARE.match(words, run.end) is not None)
    if glued or hours:
        return _Is.DOUBTFUL, ""
    return _international(run, f"+{run.digits}", None) if run.plus else _joined(run, region)


def _single(run: _Run, region: str | None, *, unit: bool) -> tuple[_Is, str]:
    """Digits without a gap are a number if they are any; of which kind says how far to trust them."""
    digits = run.digits
    if _is_emergency(digits, region) or _EUROPEAN.fullmatch(digits):
        return _Is.NUMBER, digits
    if unit:
        return _Is.NO_NUMBER, ""
    if digits.startswith("00"):
        return _by_prefix(run, region)
    if len(digits) > _LONGEST:
        return _Is.DOUBTFUL, ""
    return (_Is.NUMBER if _is_known(_parsed(digits, region)) else _Is.PERHAPS), digits


def _by_prefix(run: _Run, region: str | None) -> tuple[_Is, str]:
    """With the digits that lead abroad written out; where they are others, it is no number."""
    if region is None:
        return _international(run, f"+{run.digits[2:]}", None)
    return _international(run, run.digits, region)


def _international(run: _Run, written: str, region: str | None) -> tuple[_Is, str]:
    """Without the trunk prefix that many write behind the country code, where there is one: Italy dials its 0."""
    number = _parsed(written, region)
    if number is None or not _is_possible(number):
        return _Is.DOUBTFUL, ""
    country = phonenumbers.region_code_for_country_code(number.country_code or 0)
    e164 = phonenumbers.format_number(number, PhoneNumberFormat.E164)
    if len(e164) > _LONGEST + 1 or _ends_in_another(run, e164, country):
        return _Is.DOUBTFUL, ""
    return _Is.NUMBER, e164


def _joined(run: _Run, region: str | None) -> tuple[_Is, str]:
    """A number in groups, as it is dialled within `region`."""
    digits = run.digits
    if _EUROPEAN.fullmatch(digits) and run.groups[0] == "116" and not _is_emergency("116", region):
        return _Is.NUMBER, digits
    if _is_emergency(run.groups[0], region):
        return _Is.DOUBTFUL, ""
    if digits.startswith("00"):
        return _by_prefix(run, region)
    return _joined_anywhere(run) if region is None else _joined_within(run, region)


def _joined_within(run: _Run, region: str) -> tuple[_Is, str]:
    """A national number in groups."""
    digits, trunk = run.digits, _trunk(region)
    number = _parsed(digits, region)
    if number is None or not _is_possible(number):
        return _Is.DOUBTFUL, ""
    if number.country_code != phonenumbers.country_code_for_region(region):
        return _international(run, digits, region)
    # What shows where it begins: its trunk prefix; of countries without one, and in +1, that it is a number in use.
    begins = digits.startswith(trunk) if trunk not in ("", "1") else _is_known(number)
    if not begins or _ends_in_another(run, digits, region):
        return _Is.DOUBTFUL, ""
    return (_Is.NUMBER if len(digits) >= _WHOLE or _is_known(number) else _Is.PERHAPS), digits


def _joined_anywhere(run: _Run) -> tuple[_Is, str]:
    """The same for no known country: from its trunk prefix or its bracketed area code on."""
    digits = run.digits
    begins = digits.startswith("0") or run.bracketed
    if not begins or not _LOCAL <= len(digits) <= _NATIONAL_LONGEST:
        return _Is.DOUBTFUL, ""
    if len(digits) - len(run.groups[-1]) >= _WHOLE and _is_emergency(run.groups[-1], None):
        return _Is.DOUBTFUL, ""
    return (_Is.NUMBER if len(digits) >= _WHOLE else _Is.PERHAPS), digits


def _ends_in_another(run: _Run, number: str, region: str | None) -> bool:
    """Whether the last group may be an emergency number that stands behind a whole one."""
    last = run.groups[-1]
    return len(run.groups) > 1 and _is_emergency(last, region) and _is_known(_parsed(number.removesuffix(last), region))


def _is_emergency(digits: str, region: str | None) -> bool:
    return is_emergency_number(digits, None) or is_emergency_number(digits, region)


def _is_known(number: PhoneNumber | None) -> bool:
    return number is not None and is_known_number(number)


def _is_possible(number: PhoneNumber) -> bool:
    return phonenumbers.is_possible_number_with_reason(number) == ValidationResult.IS_POSSIBLE


def _parsed(written: str, region: str | None) -> PhoneNumber | None:
    try:
        return phonenumbers.parse(written, region)
    except NumberParseException:
        return None


def _trunk(region: str | None) -> str:
    return phonenumbers.ndd_prefix_for_region(region or "", strip_non_digits=True) or ""
