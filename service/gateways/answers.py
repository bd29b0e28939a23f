"""What HTTP answers and faults of the wire mean, whichever format is spoken over it.

The line between refused and unknown is whether the gateway can have taken the text. Calling an unknown one
refused would send a reply twice; calling a refused one unknown would only be slower. In doubt it is unknown.

A code that is in no table is logged as an error. With HTTP 4xx it becomes a transient refusal, the alarming
reading: the message is tried again, and no phone is written off because of a code that we cannot read.
"""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from types import MappingProxyType
from typing import Any

import httpcore
import httpx

from service.operations.gateway import Blame, Outcome, Refused, Unknown

UNKNOWN_ERROR_CODE = "gateway.unknown_error_code"
UNFORESEEN_FAULT = "gateway.unforeseen_fault"

NEVER_SENT = (
    httpx.ConnectError,
    httpx.ConnectTimeout,
    httpx.PoolTimeout,
    httpx.ProxyError,
    httpx.UnsupportedProtocol,
    httpx.LocalProtocolError,
    httpx.InvalidURL,
    httpcore.ConnectError,
    httpcore.ConnectTimeout,
    httpcore.PoolTimeout,
    httpcore.ProxyError,
    httpcore.UnsupportedProtocol,
    httpcore.LocalProtocolError,
    httpcore.ConnectionNotAvailable,
)
"""Faults from before the gateway could have read a whole request: names, connecting, TLS, our mistakes."""

PERHAPS_SENT = (
    httpx.HTTPError,
    httpx.StreamError,
    httpx.CookieConflict,
    httpcore.TimeoutException,
    httpcore.NetworkError,
    httpcore.ProtocolError,
)
"""Every other fault of the two libraries. A cut line, too, may come after the text was taken."""

NOT_PERFORMED_REDIRECTS = frozenset({301, 307, 308})
"""Redirects that say "ask elsewhere". After 302 and 303 the text may have been taken (RFC 9110 15.4)."""

BLAME_BY_STATUS: Mapping[int, Blame] = MappingProxyType(
    {
        401: Blame.GATEWAY,
        402: Blame.GATEWAY,
        403: Blame.GATEWAY,
        404: Blame.GATEWAY,
        405: Blame.GATEWAY,
        407: Blame.GATEWAY,
        410: Blame.GATEWAY,
        408: Blame.TRANSIENT,
        425: Blame.TRANSIENT,
        429: Blame.THROTTLED,
    }
)
"""What an HTTP status alone says a refusal is about (RFC 9110 section 15.5, RFC 6585 section 4)."""

DETAIL_MAX = 200
_SECONDS = re.compile(r"[0-9]{1,10}(\.[0-9]{1,9})?")
_LONG_NUMBER = re.compile(r"\+?[0-9]{4,}(?=[0-9]{3})")

_log = logging.getLogger(__name__)

BlameFor = Callable[[str | None, int | None], Blame | None]
"""What an error code and an HTTP status are about; None for what is in no table of the format."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One HTTP answer; `fault` says why the body is not whole, if it is not."""

    status: int
    body: bytes
    retry_after: str | None = None
    date: str | None = None
    fault: str | None = None

    def document(self) -> dict[str, Any] | None:
        """The JSON object in the body, or None for anything else.

        A letter that is not in UTF-8, as of our words given back in another alphabet, must not hide the id beside it.
        """
        try:
            document = json.loads(self.body.decode(json.detect_encoding(self.body), errors="replace"))
        except (ValueError, RecursionError):
            return None
        return document if isinstance(document, dict) else None

    def explanation(self, *keys: str) -> str:
        """Why it is what it is, in the gateway's words: the first of these keys that says something."""
        if self.fault is not None:
            return self.fault
        document = self.document()
        if document is None:
            return "the answer is not a JSON object"
        return next((str(document[key]) for key in keys if document.get(key)), "no explanation given")


def outcome_of_fault(gateway: str, fault: Exception) -> Outcome:
    """Return the outcome of an exchange that broke off with this exception."""
    kind = type(fault).__name__
    words = detail(f"{kind}: {fault}")
    if isinstance(fault, NEVER_SENT):
        return Refused(Blame.TRANSIENT, kind, words)
    if not isinstance(fault, PERHAPS_SENT):
        _log.error(UNFORESEEN_FAULT, extra={"gateway": gateway, "fault": kind})
    return Unknown(words)


def outcome_of_redirect(answer: Answer) -> Refused:
    """Return the outcome of a redirect after which nothing was done (NOT_PERFORMED_REDIRECTS)."""
    words = f"HTTP {answer.status}: the gateway's address has moved, base_url must be changed"
    return Refused(Blame.GATEWAY, f"http-{answer.status}", words)


def blame_of(codes: Mapping[str, Blame], code: str | None, status: int | None) -> Blame | None:
    """Return what a refusal is about, by code first, since it is the more exact. None: in no table."""
    by_code = codes.get(code) if code is not None else None
    if by_code is not None:
        return by_code
    return BLAME_BY_STATUS.get(status) if status is not None else None


def refusal(gateway: str, answer: Answer, code: str | None, explanation: str, blame_for: BlameFor) -> Refused:
    """Return the refusal that an answer means; loud where its code or status is in no table."""
    blame = blame_for(code, answer.status)
    unknown = blame is None or (code is not None and blame_for(code, None) is None)
    if unknown:
        _log.error(UNKNOWN_ERROR_CODE, extra={"gateway": gateway, "status": answer.status, "code": code})
    told = code or f"http-{answer.status}"
    return Refused(
        blame=blame or Blame.TRANSIENT,
        code=told,
        detail=detail(f"HTTP {answer.status}: {explanation}"),
        retry_after_s=retry_after_s(answer.retry_after, answer.date),
        unrecognised=told if unknown else None,
    )


def retry_after_s(value: str | None, date: str | None) -> float | None:
    """Return the seconds that Retry-After asks for (RFC 9110 section 10.2.3), or None if unreadable.

    A date is measured from the answer's own Date header, so that neither clock has to be right.
    """
    if value is None:
        return None
    if _SECONDS.fullmatch(value.strip()):
        return float(value)
    until, sent = _http_date(value), _http_date(date)
    if until is None or sent is None:
        return None
    return max((until - sent).total_seconds(), 0.0)


def detail(text: str) -> str:
    """Return the text fit for the log and the database: short, printable, and with no whole phone number."""
    printable = "".join(character if character.isprintable() else " " for character in text[: 4 * DETAIL_MAX])
    return _LONG_NUMBER.sub("...", printable)[:DETAIL_MAX]


def _http_date(value: str | None) -> datetime | None:
    if value is None:
        return None
    try:
        moment = parsedate_to_datetime(value)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
