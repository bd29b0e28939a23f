"""The practice gateway's list of texts, in the shape of form-post.

Source: "Read multiple Message resources" in https://www.twilio.com/docs/messaging/api/message-resource.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from email.utils import format_datetime
from urllib.parse import urlencode

PAGE_SIZE = 50
PAGE_SIZE_MAX = 1000


@dataclass(frozen=True, slots=True)
class ListedText:
    """One text of the list. `at` is UTC by the gateway's own clock."""

    sid: str
    sender: str
    receiver: str
    body: str
    at: datetime
    inbound: bool
    delivered: bool


def list_document(texts: Iterable[ListedText], asked: Mapping[str, str], account: str) -> dict[str, object]:
    """Return the page that was asked for, the newest text first. `asked` are the parameters of the query."""
    found = sorted((text for text in texts if _is_wanted(text, asked)), key=lambda text: text.at, reverse=True)
    size = min(max(_number(asked, "PageSize", PAGE_SIZE), 1), PAGE_SIZE_MAX)
    page = _number(asked, "Page", 0)
    following = urlencode({**asked, "PageSize": size, "Page": page + 1})
    more = len(found) > (page + 1) * size
    return {
        "messages": [_shown(text) for text in found[page * size : (page + 1) * size]],
        "page": page,
        "page_size": size,
        "next_page_uri": f"/2010-04-01/Accounts/{account}/Messages.json?{following}" if more else None,
    }


def _is_wanted(text: ListedText, asked: Mapping[str, str]) -> bool:
    """By number, and by day in UTC: on it, or up to and from it, itself included."""
    day = f"{text.at:%Y-%m-%d}"
    return (
        asked.get("To", text.receiver) == text.receiver
        and asked.get("From", text.sender) == text.sender
        and asked.get("DateSent", day) == day
        and asked.get("DateSent>", day) <= day <= asked.get("DateSent<", day)
    )


def _shown(text: ListedText) -> dict[str, object]:
    outwards = "delivered" if text.delivered else "sent"
    return {
        "sid": text.sid,
        "from": text.sender,
        "to": text.receiver,
        "body": text.body,
        "direction": "inbound" if text.inbound else "outbound-api",
        "status": "received" if text.inbound else outwards,
        "date_created": format_datetime(text.at),
        "date_sent": format_datetime(text.at),
        "error_code": None,
    }


def _number(asked: Mapping[str, str], name: str, usual: int) -> int:
    given = asked.get(name, "")
    return int(given) if given.isascii() and given.isdigit() and len(given) < 7 else usual  # noqa: PLR2004 - digits
