"""What was done to sites and to the bounds on sending is told in words in the log."""

from __future__ import annotations

import re

import pytest

from service.operations.site_words import SITE_WORDS

DETAIL = {
    "code": "LANTERN",
    "name": "Lantern Cove",
    "format": "gpx",
    "count": 705,
    "open_dives": ["7K", "2A"],
    "changes": [{"what": f"exit {number}", "before": None, "after": "47.1,-20.5"} for number in range(1, 11)],
    "why": "hour",
    "what": "plan",
}


@pytest.mark.parametrize("kind", sorted(SITE_WORDS))
def test_every_kind_is_told_in_a_sentence(kind: str) -> None:
    """Whole sentences, without the names of fields."""
    assert re.fullmatch(r"[A-Z][^_{}]*\.", SITE_WORDS[kind](DETAIL))


def test_a_change_names_what_is_different_and_how_much_more() -> None:
    """Eight names at most; what was and what is stands in the entry."""
    told = SITE_WORDS["site_changed"](DETAIL)

    assert told.startswith("Changed the site LANTERN (Lantern Cove): exit 1, exit 2,")
    assert told.endswith("exit 8 and 2 more.")
    assert "nothing is different" in SITE_WORDS["site_imported"]({**DETAIL, "changes": []})


def test_a_retired_site_names_the_dives_that_went_on() -> None:
    """Where there were any."""
    assert SITE_WORDS["site_retired"](DETAIL).endswith("Dives went on there: 7K, 2A.")
    assert "Dives" not in SITE_WORDS["site_retired"]({**DETAIL, "open_dives": []})
