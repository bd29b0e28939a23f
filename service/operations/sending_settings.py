"""The bounds on what a club sends beside its armed dives: read from its settings, and from what an owner typed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, fields
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from service.domain.sending import SendingLimits, country_name
from service.store.tables.club import ClubRow

SETTING: Final = "sending"

COUNTS: Final = {
    "number_day": (5, 1_000, "Texts to one number in a day"),
    "club_hour": (20, 100_000, "Texts in an hour"),
    "club_day": (50, 1_000_000, "Texts in a day"),
    "drills_day": (1, 1_000, "Exercise dives in a day"),
}
"""The least, the most and what it is called. The least is what a few divers need to get in: no slip may mute a club."""

COUNTRIES_MAX: Final = 60
MONEY_MAX: Final = Decimal(1_000_000)
_MONEY = re.compile(r"\d{1,7}([.,]\d{1,5})?")
_CURRENCY = re.compile(r"[A-Z]{3}")


class LimitsError(ValueError):
    """What was typed cannot be taken; `errors` says why, by field."""

    def __init__(self, errors: Mapping[str, str]) -> None:
        super().__init__("\n".join(errors.values()))
        self.errors = dict(errors)


def limits_of(club: ClubRow) -> SendingLimits:
    """The bounds that hold for a club. What is not set, or cannot be read, is as usual."""
    kept = club.settings.get(SETTING)
    return SendingLimits(**_readable(kept)) if isinstance(kept, dict) else SendingLimits()


def _readable(kept: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in COUNTS:
        if isinstance(kept.get(name), int):
            found[name] = kept[name]
    for name in ("part_price", "month_spend"):
        money = _money(str(kept.get(name) or ""))
        if money is not None:
            found[name] = money
    if isinstance(kept.get("countries"), list):
        found["countries"] = tuple(str(one) for one in kept["countries"])
    return found | {"currency": str(kept.get("currency") or "")}


def as_kept(limits: SendingLimits) -> dict[str, Any]:
    """The bounds as they are kept with the club, and logged."""
    return {
        name: str(value) if isinstance(value, Decimal) else list(value) if isinstance(value, tuple) else value
        for name, value in asdict(limits).items()
        if value not in (None, "", ())
    }


def typed_of(limits: SendingLimits) -> dict[str, str]:
    """The bounds as somebody would type them."""
    values = {one.name: getattr(limits, one.name) for one in fields(limits)}
    return {
        name: " ".join(value) if isinstance(value, tuple) else "" if value is None else str(value)
        for name, value in values.items()
    }


def read_limits(typed: Mapping[str, str]) -> SendingLimits:
    """The bounds that somebody typed. Raises LimitsError with what is wrong, field by field."""
    errors: dict[str, str] = {}
    counts = {name: _count(name, typed.get(name, ""), errors) for name in COUNTS}
    countries = _countries(typed.get("countries", ""), errors)
    price, spend = (_price(name, typed.get(name, ""), errors) for name in ("part_price", "month_spend"))
    currency = typed.get("currency", "").strip().upper()
    if currency and not _CURRENCY.fullmatch(currency):
        errors["currency"] = "Give the three letters of the currency, such as GBP."
    if spend is not None and price is None and "part_price" not in errors:
        errors["part_price"] = "Give what one text costs; without it nobody knows what was spent."
    if not errors and counts["club_hour"] > counts["club_day"]:
        errors["club_hour"] = "This is more than in a whole day. Make it smaller, or the day larger."
    if not errors and counts["number_day"] > counts["club_day"]:
        errors["number_day"] = "This is more than the club sends in a day. Make it smaller, or the day larger."
    if errors:
        raise LimitsError(errors)
    return SendingLimits(countries=countries, **counts, part_price=price, currency=currency, month_spend=spend)


def _count(name: str, typed: str, errors: dict[str, str]) -> int:
    least, most, _ = COUNTS[name]
    figure = typed.strip()
    if (
        figure.isascii()
        and figure.isdecimal()
        and len(figure) < len(str(MONEY_MAX)) + 1
        and least <= int(figure) <= most
    ):
        return int(figure)
    errors[name] = f"Give a whole number from {least} to {most}."
    return least


def _countries(typed: str, errors: dict[str, str]) -> tuple[str, ...]:
    found = tuple(dict.fromkeys(re.split(r"[\s,;]+", typed.strip().upper()))) if typed.strip() else ()
    unknown = next((one for one in found if not re.fullmatch(r"[A-Z]{2}", one) or country_name(one) is None), None)
    if unknown is not None:
        errors["countries"] = f"{unknown[:20]} is no country. Give two letters for each, such as DE FR IE."
    elif len(found) > COUNTRIES_MAX:
        errors["countries"] = f"Give at most {COUNTRIES_MAX} countries."
    return found


def _price(name: str, typed: str, errors: dict[str, str]) -> Decimal | None:
    if not typed.strip():
        return None
    money = _money(typed.strip())
    if money is None or not 0 < money <= MONEY_MAX:
        errors[name] = "Give an amount in digits, such as 0.04, or leave it empty."
        return None
    return money


def _money(typed: str) -> Decimal | None:
    if not (typed.isascii() and _MONEY.fullmatch(typed)):
        return None
    try:
        return Decimal(typed.replace(",", "."))
    except InvalidOperation:
        return None
