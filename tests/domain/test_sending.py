"""How much a club may send beside its armed dives, and to which countries: each bound at its edge."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.domain.sending import (
    WORDS,
    SendingLimits,
    Used,
    Why,
    bound_met,
    country_list,
    country_words,
    in_countries,
    spent,
)

LIMITS = SendingLimits(
    number_day=10,
    club_hour=50,
    club_day=100,
    drills_day=3,
    part_price=Decimal("0.05"),
    currency="GBP",
    month_spend=Decimal(20),
)


@pytest.mark.parametrize(
    ("used", "why"),
    [
        (Used(number_day=8), None),
        (Used(number_day=9), Why.NUMBER),
        (Used(club_hour=48), None),
        (Used(club_hour=49), Why.HOUR),
        (Used(club_day=98), None),
        (Used(club_day=99), Why.DAY),
        (Used(month_parts=398), None),
        (Used(month_parts=399), Why.SPEND),
        (Used(drills_day=3), None),
    ],
)
def test_a_bound_is_met_by_the_part_that_would_pass_it(used: Used, why: Why | None) -> None:
    """Two parts more are asked for."""
    assert bound_met(LIMITS, used, 2) is why


@pytest.mark.parametrize(("begun", "why"), [(2, None), (3, Why.DRILLS)])
def test_drills_are_counted_by_themselves(begun: int, why: Why | None) -> None:
    """Only who begins one is asked."""
    assert bound_met(LIMITS, Used(drills_day=begun), 0, drill=True) is why


def test_without_a_price_nobody_says_what_was_spent() -> None:
    """And no spend bars anything."""
    unpriced = replace(LIMITS, part_price=None)

    assert spent(100, unpriced) is None
    assert spent(100, LIMITS) == Decimal("5.00")
    assert bound_met(unpriced, Used(month_parts=1_000_000), 2) is None


def test_every_bound_but_that_of_the_country_has_words() -> None:
    """The country has its own, which name it."""
    assert set(WORDS) == set(Why) - {Why.COUNTRY}


@pytest.mark.parametrize(
    ("phone", "countries", "may"),
    [
        ("+447700900001", ("GB",), True),
        ("+447781123456", ("GB",), True),  # Guernsey, by country code
        ("+447700900001", ("DE", "FR"), False),
        ("+491701234567", ("GB", "DE"), True),
        ("+12025550101", ("US",), True),
        ("+12025550101", ("CA",), False),
        ("+18765550123", ("US",), False),  # Jamaica, behind the same +1
        ("+18765550123", ("JM",), True),
        ("+881612345678", ("GB", "US"), False),  # a satellite phone has no country
        ("not a number", ("GB",), False),
    ],
)
def test_a_country_is_known_by_its_code_and_behind_plus_one_by_itself(
    phone: str,
    countries: tuple[str, ...],
    may: bool,  # noqa: FBT001 - a parameter of pytest
) -> None:
    """Prices go by country code nearly everywhere; behind +1 they do not."""
    assert in_countries(phone, countries) is may


@pytest.mark.parametrize(
    ("phone", "words"),
    [("+491701234567", "Germany (+49)"), ("+881612345678", "+881"), ("nothing", "that country")],
)
def test_a_country_has_a_name_for_people(phone: str, words: str) -> None:
    """Where it has one."""
    assert country_words(phone) == words
    assert country_list(("GB", "DE")) == "United Kingdom, Germany"
