"""From what happened on the wire to one of three outcomes: accepted, refused, unknown.

The line between refused and unknown is whether the gateway can have taken the text. Calling an unknown one
refused would send a reply twice; calling a refused one unknown would only be slower. In doubt it is unknown.

A code that is in no table is logged as an error. With HTTP 4xx it becomes a transient refusal, the alarming
reading: the message is tried again, and no phone is written off because of a code that we cannot read.
"""

from __future__ import annotations

import json
import logging
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

import httpcore
import httpx

from service.gateways.form_post_codes import (
    NO_ERROR,
    NOT_PERFORMED_REDIRECTS,
    RECEIPT_STATE_BY_WORD,
    blame_for,
)
from service.operations.gateway import Accepted, Blame, Outcome, ReceiptState, Refused, Unknown

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

DETAIL_MAX = 200
_PROVIDER_ID = re.compile(r"[!-~]{1,100}")
_CODE = re.compile(r"[!-~]{1,40}")
_SECONDS = re.compile(r"[0-9]{1,10}(\.[0-9]{1,9})?")
_LONG_NUMBER = re.compile(r"\+?[0-9]{4,}(?=[0-9]{3})")

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Answer:
    """One HTTP answer; `fault` says why the body is not whole, if it is not."""

    status: int
    body: bytes
    retry_after: str | None = None
    date: str | None = None
    fault: str | None = None


def outcome_of_fault(gateway: str, fault: Exception) -> Outcome:
    """Return the outcome of an exchange that broke off with this exception."""
    kind = type(fault).__name__
    detail = _detail(f"{kind}: {fault}")
    if isinstance(fault, NEVER_SENT):
        return Refused(Blame.TRANSIENT, kind, detail)
    if not isinstance(fault, PERHAPS_SENT):
        _log.error(UNFORESEEN_FAULT, extra={"gateway": gateway, "fault": kind})
    return Unknown(detail)


def outcome_of_answer(gateway: str, answer: Answer) -> Outcome:
    """Return the outcome that an HTTP answer means. Never raises."""
    document = _document(answer)
    if 200 <= answer.status < 300:  # noqa: PLR2004 - the classes of RFC 9110 section 15
        return _outcome_of_success(gateway, answer, document)
    if 400 <= answer.status < 500:  # noqa: PLR2004
        return _refused(gateway, answer, document)
    if answer.status in NOT_PERFORMED_REDIRECTS:
        detail = f"HTTP {answer.status}: the gateway's address has moved, base_url must be changed"
        return Refused(Blame.GATEWAY, f"http-{answer.status}", detail)
    return Unknown(_detail(f"HTTP {answer.status}: {_explanation(answer, document)}"))


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


def _outcome_of_success(gateway: str, answer: Answer, document: dict[str, Any] | None) -> Outcome:
    if document is None:
        return Unknown(_detail(f"HTTP {answer.status}: {_explanation(answer, document)}"))
    code = _code_of(document)
    if RECEIPT_STATE_BY_WORD.get(str(document.get("status"))) is ReceiptState.FAILED:
        return _refused(gateway, answer, document)
    provider_id = document.get("sid")
    named = isinstance(provider_id, str) and _PROVIDER_ID.fullmatch(provider_id) is not None
    if named and code is None:
        return Accepted(str(provider_id))
    if not named and blame_for(code) is not None:
        return _refused(gateway, answer, document)
    return Unknown(_detail(f"HTTP {answer.status}, sid {'with' if named else 'missing,'} error code {code}"))


def _refused(gateway: str, answer: Answer, document: dict[str, Any] | None) -> Refused:
    code = _code_of(document)
    blame = blame_for(code, answer.status)
    if blame is None or (code is not None and blame_for(code) is None):
        _log.error(UNKNOWN_ERROR_CODE, extra={"gateway": gateway, "status": answer.status, "code": code})
    return Refused(
        blame=blame or Blame.TRANSIENT,
        code=code or f"http-{answer.status}",
        detail=_detail(f"HTTP {answer.status}: {_explanation(answer, document)}"),
        retry_after_s=retry_after_s(answer.retry_after, answer.date),
    )


def _document(answer: Answer) -> dict[str, Any] | None:
    try:
        document = json.loads(answer.body)
    except (ValueError, RecursionError):
        return None
    return document if isinstance(document, dict) else None


def _code_of(document: dict[str, Any] | None) -> str | None:
    """Return the error code: `code` in an error, `error_code` in a message."""
    for key in ("code", "error_code"):
        value = None if document is None else document.get(key)
        if isinstance(value, bool) or not isinstance(value, int | str):
            continue
        if _CODE.fullmatch(str(value)) and str(value) != NO_ERROR:
            return str(value)
    return None


def _explanation(answer: Answer, document: dict[str, Any] | None) -> str:
    if answer.fault is not None:
        return answer.fault
    if document is None:
        return "the answer is not a JSON object"
    return str(document.get("message") or document.get("error_message") or "no explanation given")


def _detail(text: str) -> str:
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
