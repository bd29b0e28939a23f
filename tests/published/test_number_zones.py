"""Where a phone number is at home, against the table of countries that comes with the time zone database.

Source: zone.tab of the IANA time zone database, as the tzdata package carries it. The numbers are the example numbers
of the phonenumbers package, one mobile and one fixed line of each country. Our own way there is by the CLDR (babel).
"""

from __future__ import annotations

from importlib.resources import files
from zoneinfo import ZoneInfo

import phonenumbers
import pytest
from phonenumbers import PhoneNumberFormat, PhoneNumberType

from service.domain.phone import zones_of

KINDS = (PhoneNumberType.MOBILE, PhoneNumberType.FIXED_LINE)
# These share all their numbers, or their mobile ones, with a neighbour, so that a number tells only of that: Ascension,
# Aland, Saint Barthelemy, Cocos, Christmas Island, Western Sahara, the Isle of Man, Saint Martin, Svalbard, Tristan da
# Cunha and the Vatican. Kosovo has no line in the table.
SHARED = {"AC", "AX", "BL", "CC", "CX", "EH", "IM", "MF", "SJ", "TA", "VA", "XK"}


def zones_by_country() -> dict[str, set[str]]:
    """Country to zones, as zone.tab has it."""
    found: dict[str, set[str]] = {}
    for line in (files("tzdata") / "zoneinfo" / "zone.tab").read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            country, _, zone = line.split("\t")[:3]
            found.setdefault(country, set()).add(zone)
    return found


def examples(country: str) -> list[str]:
    """A mobile and a fixed line of a country, where it has them."""
    found = [phonenumbers.example_number_for_type(country, kind) for kind in KINDS]
    return [phonenumbers.format_number(one, PhoneNumberFormat.E164) for one in found if one is not None]


@pytest.mark.parametrize("country", sorted(phonenumbers.SUPPORTED_REGIONS - SHARED))
def test_a_number_is_at_home_in_the_zones_of_its_country(country: str) -> None:
    """None of a neighbour's, and every one is a zone that clocks can be set by."""
    of_country = zones_by_country()[country]

    for number in examples(country):
        assert zones_of(number)
        assert set(zones_of(number)) <= of_country, number
        assert all(ZoneInfo(zone) for zone in zones_of(number))


@pytest.mark.parametrize(
    ("number", "zone"),
    [
        ("+12125550100", "America/New_York"),
        ("+13105550100", "America/Los_Angeles"),
        ("+18085550100", "Pacific/Honolulu"),
        ("+19075550100", "America/Anchorage"),
    ],
)
def test_in_a_country_of_several_zones_the_area_code_tells(number: str, zone: str) -> None:
    """Area codes 212, 310, 808 and 907 (North American Numbering Plan); 555-01XX is kept for fiction."""
    assert zone in zones_of(number)
    assert "America/Chicago" not in zones_of(number)
