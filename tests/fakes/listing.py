"""The fake gateway's list of messages, page by page, the most recent first.

As published: "Read multiple Message resources" in https://www.twilio.com/docs/messaging/api/message-resource.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import format_datetime
from urllib.parse import parse_qsl, urlencode, urlsplit

from tests.fakes.journal import TEXT, Taken

PAGE_SIZE = 50


@dataclass(frozen=True, slots=True)
class Texted:
    """One text that somebody sent to our number."""

    at: float
    sender: str
    to: str
    body: str
    sid: str


@dataclass(frozen=True, slots=True)
class Listing:
    """All texts, those that were taken and those that came in."""

    account: str
    taken: Sequence[Taken]
    texted: Sequence[Texted]

    def page(self, target: str) -> str:
        """The JSON of the page that was asked for by path and query."""
        asked = dict(parse_qsl(urlsplit(target).query))
        found = [one for one in self._all() if _wanted(one, asked)]
        size, number = int(asked.get("PageSize", PAGE_SIZE)), int(asked.get("Page", "0"))
        more = len(found) > (number + 1) * size
        following = urlencode(asked | {"PageSize": str(size), "Page": str(number + 1)})
        path = f"/2010-04-01/Accounts/{self.account}/Messages.json"
        document = {
            "messages": [_shown(one) for one in found[number * size : (number + 1) * size]],
            "page": number,
            "page_size": size,
            "next_page_uri": f"{path}?{following}" if more else None,
        }
        return json.dumps(document)

    def _all(self) -> list[Taken | Texted]:
        texts = [one for one in self.taken if one.channel == TEXT]
        return sorted([*texts, *self.texted], key=lambda one: one.at, reverse=True)


def _wanted(one: Taken | Texted, asked: dict[str, str]) -> bool:
    day = f"{_at(one):%Y-%m-%d}"
    return (
        asked.get("To", one.to) == one.to
        and asked.get("From", one.sender) == one.sender
        and asked.get("DateSent", day) == day
        and asked.get("DateSent>", day) <= day <= asked.get("DateSent<", day)
    )


def _shown(one: Taken | Texted) -> dict[str, str | None]:
    outwards = isinstance(one, Taken)
    return {
        "sid": one.sid,
        "from": one.sender,
        "to": one.to,
        "body": one.body,
        "direction": "outbound-api" if outwards else "inbound",
        "status": "delivered" if outwards else "received",
        "date_created": format_datetime(_at(one)),
        "date_sent": format_datetime(_at(one)),
        "error_code": None,
    }


def _at(one: Taken | Texted) -> datetime:
    return datetime.fromtimestamp(one.at, UTC)
