"""How much a club sends that no armed dive needs, and to which countries, so that nobody can make it send without end.

None of it is ever asked about a dive that is armed, about its alarm or its stand-down. All figures are ours.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from typing import Final

import phonenumbers
from babel import Locale
from phonenumbers import NumberParseException

NORTH_AMERICA: Final = 1
"""The one country code of many countries with prices of their own; elsewhere the code is the country."""


class Sort(StrEnum):
    """What is bounded: what somebody may cause without a dive that is armed."""

    PLAN = "plan"  # a plan by a form that anybody can open
    INTRODUCTION = "introduction"  # of a contact whom a plan names for the first time
    ANSWER = "answer"  # to a text from a phone without an open dive
    JOINING = "joining"  # of whoever gives their phone to the club
    DRILL = "drill"  # the start of one; what has started goes on whole
    RESENT = "resent"  # by an admin, of a dive that is not armed


class Why(StrEnum):
    """Which bound was met."""

    COUNTRY = "country"
    NUMBER = "number"
    HOUR = "hour"
    DAY = "day"
    DRILLS = "drills"
    SPEND = "spend"


@dataclass(frozen=True, slots=True)
class SendingLimits:
    """What a club allows. A part is what a provider bills as one text: 160 letters or fewer.

    `countries` are ISO 3166 codes beside the club's own. `part_price` is what a part costs, in `currency`, as the
    club's bill says; with it `month_spend` bounds what is spent in a calendar month on everything, and bars nothing
    but what is bounded here.
    """

    countries: tuple[str, ...] = ()
    number_day: int = 40
    club_hour: int = 300
    club_day: int = 1_500
    drills_day: int = 60
    part_price: Decimal | None = None
    currency: str = ""
    month_spend: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Used:
    """Parts of what is bounded that were queued lately, and what has been spent on all texts since the month began.

    `number_day` is that of the busiest of the phones that are asked about.
    """

    number_day: int = 0
    club_hour: int = 0
    club_day: int = 0
    drills_day: int = 0
    month_parts: int = 0


def spent(parts: int, limits: SendingLimits) -> Decimal | None:
    """What so many parts cost by the club's own price; None where it gave none."""
    return None if limits.part_price is None else parts * limits.part_price


def bound_met(limits: SendingLimits, used: Used, parts: int, *, drill: bool = False) -> Why | None:
    """The first bound that so many parts more would pass; None where there is room."""
    bill = spent(used.month_parts + parts, limits)
    met = (
        (Why.DRILLS, drill and used.drills_day >= limits.drills_day),
        (Why.NUMBER, used.number_day + parts > limits.number_day),
        (Why.HOUR, used.club_hour + parts > limits.club_hour),
        (Why.DAY, used.club_day + parts > limits.club_day),
        (Why.SPEND, bill is not None and limits.month_spend is not None and bill > limits.month_spend),
    )
    return next((why for why, is_met in met if is_met), None)


WORDS: Final = {
    Why.NUMBER: "this phone has had as many texts today as the club allows it",
    Why.HOUR: "the club has sent as many texts this hour as it allows beside its dives",
    Why.DAY: "the club has sent as many texts today as it allows beside its dives",
    Why.DRILLS: "the club has begun as many drills today as it allows",
    Why.SPEND: "the club has spent what it allows for this month",
}


def in_countries(phone: str, countries: Collection[str]) -> bool:
    """Whether a number (E.164) is of one of these countries (ISO 3166 codes).

    By country code, which is all that a price goes by nearly everywhere; behind +1 by country.
    """
    code, region = _country(phone)
    if code == NORTH_AMERICA:
        return region is not None and region in countries
    return code is not None and code in {phonenumbers.country_code_for_region(one) for one in countries}


def country_words(phone: str) -> str:
    """The country of a number for people: "Germany (+49)"."""
    code, region = _country(phone)
    name = country_name(region) if region else None
    return f"{name} (+{code})" if name else f"+{code}" if code else "that country"


def country_name(region: str) -> str | None:
    """The English name of a country by its ISO 3166 code; None where there is no such country with phones."""
    if phonenumbers.country_code_for_region(region) == 0:
        return None
    name: str | None = Locale("en").territories.get(region)
    return name


def country_list(regions: Sequence[str]) -> str:
    """The names of countries in one line."""
    return ", ".join(country_name(region) or region for region in regions)


@lru_cache(maxsize=10_000)
def _country(phone: str) -> tuple[int | None, str | None]:
    """The country code of a number, and its country where there is one."""
    try:
        number = phonenumbers.parse(phone, None)
    except NumberParseException:
        return None, None
    code = number.country_code or 0
    main = phonenumbers.region_code_for_country_code(code)
    # A number that no table has yet is of the main country of its code.
    region = phonenumbers.region_code_for_number(number) or main
    return code, None if region in ("ZZ", "001") else region
