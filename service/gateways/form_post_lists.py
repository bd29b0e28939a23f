"""Asking a form-post gateway for its list of messages: whether it took one of ours, and which texts came in.

Source of the list, its filters, its paging and its times (RFC 2822): "Read multiple Message resources" in
https://www.twilio.com/docs/messaging/api/message-resource; others of the same shape agree, such as
https://signalwire.com/docs/compatibility-api/sdks/reference/messaging/list (the most recent message comes first).
"""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import urlencode, urlsplit

from service.gateways.answers import Answer
from service.gateways.exchange import Exchange
from service.gateways.form_post_codes import RECEIPT_STATE_BY_WORD
from service.operations.gateway import (
    CannotTell,
    Found,
    InboundText,
    Lookup,
    NotFound,
    Outgoing,
    ReceiptState,
)

LIST_NOT_WHOLE = "gateway.list_not_whole"
LIST_FAILED = "gateway.list_failed"
LISTED_ODDLY = "gateway.listed_oddly"

PAGE_SIZE = 100  # at most 1,000 by the source; a page of 1,000 long texts would be megabytes
PAGES_MAX = 10
PAGE_BYTES_MAX = 1024 * 1024
CLOCKS_APART = timedelta(minutes=5)
"""A gateway's clock is not ours: how much older than asked for a message may look and still be meant."""

_PROVIDER_ID = re.compile(r"[!-~]{1,100}")
_OK = 200

_log = logging.getLogger(__name__)

Fetch = Callable[[str, int], Answer]
"""Gets an address below the account, such as Messages.json?To=..., reading so many bytes at most."""

ReadText = Callable[[Mapping[str, str], datetime], InboundText]
"""Reads a text from the form fields of a posted one. Raises ValueError."""


def fetching(exchange: Exchange, account_address: str) -> Fetch:
    """Get pages of a list below that address: all that this one gives together take as long as one exchange may.

    What it gives raises ListError for whatever goes wrong on the wire.
    """
    ends_at = time.monotonic() + exchange.total_s

    def fetch(page: str, bytes_max: int) -> Answer:
        try:
            request = exchange.request("GET", f"{account_address}/{page}")
            return exchange.answer(request, within_s=ends_at - time.monotonic(), bytes_max=bytes_max)
        except Exception as fault:  # noqa: BLE001 - the port promises an answer for every fault
            raise ListError(type(fault).__name__) from None

    return fetch


class ListError(Exception):
    """The list could not be read; the message says why, without a number or a text."""


@dataclass(frozen=True, slots=True)
class Listed:
    """One message of the list. `at` is when it was sent, or made where it is not sent yet, by the gateway's clock."""

    provider_id: str
    sender: str
    receiver: str
    body: str
    direction: str
    status: str
    at: datetime


def look_up(fetch: Fetch, gateway: str, message: Outgoing, since: datetime) -> Lookup:
    """Ask for messages to that number, and find ours among them: outwards, the very same words, in time.

    Not narrowed by date or sender: a message that still waits there has no date of sending, and a gateway may send
    from another number of the account than we named. Where several match, each is one of our tries and proves that
    the message was taken. The first one from `since` on that has not failed is the one: an older one, within the
    margin for clocks, is more likely to be known already under an earlier try. One that is older and has failed proves
    nothing of this try, which may be made because it failed. Never raises.
    """
    # Of a demo whose clock runs faster than the gateway's, what was just sent must not look too old.
    since = min(since, datetime.now(UTC))
    try:
        listed, whole = _since(fetch, gateway, {"To": message.to}, since - CLOCKS_APART)
    except ListError as fault:
        return CannotTell(str(fault))
    ours = [
        one
        for one in listed
        if one.direction.startswith("outbound")
        and one.receiver == message.to
        and one.body.strip() == message.body.strip()
        and not (_failed(one) and one.at < since.replace(microsecond=0))  # their times have no fractions
    ]
    if not ours:
        return NotFound() if whole else CannotTell("its list of messages to that number is too long")
    return Found(min(ours, key=lambda one: (_failed(one), one.at < since, abs(one.at - since))).provider_id)


def recent_texts(
    fetch: Fetch, gateway: str, number: str, read: ReadText, since: datetime, now: datetime
) -> Sequence[InboundText] | None:
    """Return the texts that came in to our number since then, first to last; None when the list cannot be read.

    Each has the time at which the gateway had it, by our clock as far as the two can be compared. What is listed is
    authentic: we asked for it by ourselves, with our login.
    """
    # In a demo the clock of `now` is not the wall's, by which gateways go.
    ahead = now - datetime.now(UTC)
    theirs = since - ahead - CLOCKS_APART
    try:
        listed, _ = _since(fetch, gateway, {"To": number, "DateSent>": f"{theirs:%Y-%m-%d}"}, theirs)
    except ListError as fault:
        _log.warning(LIST_FAILED, extra={"gateway": gateway, "why": str(fault)})
        return None
    texts = [
        text
        for one in reversed(listed)
        if one.direction == "inbound" and (text := _text(gateway, read, one, min(one.at + ahead, now))) is not None
    ]
    return sorted(texts, key=lambda text: text.received_at)


def _text(gateway: str, read: ReadText, one: Listed, received_at: datetime) -> InboundText | None:
    """Read by the same rules as one that was posted, so that it is the same text."""
    fields = {"MessageSid": one.provider_id, "From": one.sender, "To": one.receiver, "Body": one.body}
    try:
        return read(fields, received_at)
    except ValueError as fault:
        _log.error(LISTED_ODDLY, extra={"gateway": gateway, "why": str(fault)})
        return None


def _failed(one: Listed) -> bool:
    return RECEIPT_STATE_BY_WORD.get(one.status.lower()) is ReceiptState.FAILED


def _since(fetch: Fetch, gateway: str, query: Mapping[str, str], since: datetime) -> tuple[list[Listed], bool]:
    """The messages from that instant on, the most recent first, and whether these are all. Raises ListError.

    Beyond 10 pages it gives what it has and says so: the most recent are worth most, and those of before were most
    likely posted to us.
    """
    listed: list[Listed] = []
    page = f"Messages.json?{urlencode({**query, 'PageSize': str(PAGE_SIZE)})}"
    for _ in range(PAGES_MAX):
        document = _document(fetch(page, PAGE_BYTES_MAX))
        found = [one for entry in _entries(document) if (one := _listed(gateway, entry)) is not None]
        recent = [one for one in found if one.at >= since]
        listed += recent
        following = _following(document)
        # One that is a little out of order must not end it; a page without any that is recent does.
        if following is None or (found and not recent):
            return listed, True
        page = following
    _log.error(LIST_NOT_WHOLE, extra={"gateway": gateway, "pages": PAGES_MAX})
    return listed, False


def _document(answer: Answer) -> Mapping[str, Any]:
    if answer.status != _OK:
        raise ListError(f"HTTP {answer.status}")
    if answer.fault is not None:
        raise ListError(answer.fault)
    document = answer.document()
    if document is None:
        raise ListError("the answer is not a JSON object")
    return document


def _entries(document: Mapping[str, Any]) -> list[Any]:
    entries = document.get("messages")
    if not isinstance(entries, list):
        raise ListError("the answer has no list of messages")
    return entries


def _following(document: Mapping[str, Any]) -> str | None:
    """Where the next page is. Only its query is taken: no answer may lead us to another address."""
    uri = document.get("next_page_uri")
    query = urlsplit(uri).query if isinstance(uri, str) else ""
    return f"Messages.json?{query}" if query else None


def _listed(gateway: str, entry: Any) -> Listed | None:
    """One message of the list; None, and loud, for one that cannot be read: it must not hide the others."""
    if not isinstance(entry, dict):
        _log.error(LISTED_ODDLY, extra={"gateway": gateway, "why": "an entry is not a JSON object"})
        return None
    at = _instant(entry.get("date_sent")) or _instant(entry.get("date_created"))
    words = {name: _word(entry, name) for name in ("sid", "from", "to", "body", "direction", "status")}
    if at is None or not all(words[name] for name in ("sid", "to", "direction")):
        _log.error(LISTED_ODDLY, extra={"gateway": gateway, "why": "a field is missing or not of its type"})
        return None
    if not _PROVIDER_ID.fullmatch(words["sid"]):
        _log.error(LISTED_ODDLY, extra={"gateway": gateway, "why": "the sid is none"})
        return None
    return Listed(
        provider_id=words["sid"],
        sender=words["from"],
        receiver=words["to"],
        body=words["body"],
        direction=words["direction"],
        status=words["status"],
        at=at,
    )


def _word(entry: Mapping[str, Any], name: str) -> str:
    """A field as text; empty for null, as the words of a picture or a hidden sender may be."""
    value = entry.get(name)
    return value if isinstance(value, str) else ""


def _instant(value: Any) -> datetime | None:
    """An RFC 2822 date as an instant; one without a zone is in UTC, as the source says of all its dates."""
    if not isinstance(value, str):
        return None
    try:
        instant = parsedate_to_datetime(value)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    return instant.replace(tzinfo=UTC) if instant.tzinfo is None else instant.astimezone(UTC)
