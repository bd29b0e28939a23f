"""The practice gateway's list of texts: its filters, its order and its pages."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest

from service.gateways.practice_list import ListedText, list_document

US, CLEO, DOV = "+447700900000", "+447700900201", "+447700900202"
NOON = datetime(2027, 6, 1, 12, 0, tzinfo=UTC)


def _text(number: int, at: datetime, *, inbound: bool = False, who: str = CLEO, delivered: bool = True) -> ListedText:
    ends = (who, US) if inbound else (US, who)
    return ListedText(f"PM{number}", *ends, f"text {number}", at, inbound, delivered)


TEXTS = [
    _text(1, NOON - timedelta(days=1)),
    _text(2, NOON, inbound=True),
    _text(3, NOON + timedelta(hours=1), who=DOV, delivered=False),
    _text(4, NOON + timedelta(days=1)),
]


def _page(**asked: str) -> dict[str, Any]:
    named = {name.replace("_after", ">").replace("_before", "<"): value for name, value in asked.items()}
    return list_document(TEXTS, named, "AC1")


def _sids(document: dict[str, Any]) -> list[str]:
    return [message["sid"] for message in document["messages"]]


@pytest.mark.parametrize(
    ("asked", "sids"),
    [
        ({}, ["PM4", "PM3", "PM2", "PM1"]),
        ({"To": CLEO}, ["PM4", "PM1"]),
        ({"To": US}, ["PM2"]),
        ({"From": CLEO}, ["PM2"]),
        ({"DateSent": "2027-06-01"}, ["PM3", "PM2"]),
        ({"DateSent_after": "2027-06-01"}, ["PM4", "PM3", "PM2"]),
        ({"DateSent_before": "2027-06-01"}, ["PM3", "PM2", "PM1"]),
        ({"To": DOV, "DateSent_after": "2027-06-02"}, []),
    ],
)
def test_the_newest_comes_first_of_what_was_asked_for(asked: dict[str, str], sids: list[str]) -> None:
    """By number and by day in UTC, the day itself included."""
    assert _sids(_page(**asked)) == sids


def test_a_text_is_shown_as_published() -> None:
    """Times are RFC 2822, and direction and status are words of the format."""
    shown = {message["sid"]: message for message in _page()["messages"]}

    assert shown["PM2"] == {
        "sid": "PM2",
        "from": CLEO,
        "to": US,
        "body": "text 2",
        "direction": "inbound",
        "status": "received",
        "date_created": "Tue, 01 Jun 2027 12:00:00 +0000",
        "date_sent": "Tue, 01 Jun 2027 12:00:00 +0000",
        "error_code": None,
    }
    assert [(shown[sid]["direction"], shown[sid]["status"]) for sid in ("PM1", "PM3")] == [
        ("outbound-api", "delivered"),
        ("outbound-api", "sent"),
    ]


def test_pages_lead_to_each_other_and_end() -> None:
    """Each text is on one page, and the last page leads nowhere."""
    first = _page(PageSize="3")
    following = dict(parse_qsl(urlsplit(first["next_page_uri"]).query))
    second = list_document(TEXTS, following, "AC1")

    assert first["next_page_uri"].startswith("/2010-04-01/Accounts/AC1/Messages.json?")
    assert (_sids(first), _sids(second)) == (["PM4", "PM3", "PM2"], ["PM1"])
    assert second["next_page_uri"] is None


@pytest.mark.parametrize("odd", ["", "0", "-1", "many", "99999999", "\u0661"])
def test_an_odd_page_size_is_still_answered(odd: str) -> None:
    """With some texts, and never with an error."""
    assert _sids(_page(PageSize=odd))[0] == "PM4"
