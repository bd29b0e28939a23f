"""From an answer of a form-post gateway to one of three outcomes: accepted, refused, unknown."""

from __future__ import annotations

import re
from typing import Any

from service.gateways.answers import (
    NOT_PERFORMED_REDIRECTS,
    Answer,
    detail,
    outcome_of_redirect,
    refusal,
)
from service.gateways.form_post_codes import NO_ERROR, RECEIPT_STATE_BY_WORD, blame_for
from service.gateways.posted_fields import PROVIDER_ID
from service.operations.gateway import Accepted, Blame, Outcome, ReceiptState, Refused, Unknown

_NOT_LET_IN = frozenset({401, 403})
_SERVER_FAULT, _NOT_IMPLEMENTED = 500, 501
_CODE = re.compile(r"[!-~]{1,40}")


def outcome_of_answer(gateway: str, answer: Answer) -> Outcome:
    """Return the outcome that an HTTP answer means. Never raises."""
    if 200 <= answer.status < 300:  # noqa: PLR2004 - the classes of RFC 9110 section 15
        return _outcome_of_success(gateway, answer)
    if 400 <= answer.status < 500:  # noqa: PLR2004
        return _refused(gateway, answer)
    if answer.status in NOT_PERFORMED_REDIRECTS:
        return outcome_of_redirect(answer)
    return Unknown(detail(f"HTTP {answer.status}: {_explanation(answer)}"))


def fault_of_look(answer: Answer) -> str | None:
    """Why a gateway would take nothing of ours, by its answer to a question; None where it does not say so.

    Not every server of this shape has a list to be asked for: that it knows no such address says nothing.
    """
    if answer.status in NOT_PERFORMED_REDIRECTS:
        return outcome_of_redirect(answer).detail
    blame = blame_for(_code_of(answer.document()))
    refused = answer.status in _NOT_LET_IN or blame is Blame.GATEWAY
    if refused or (answer.status >= _SERVER_FAULT and answer.status != _NOT_IMPLEMENTED):
        return detail(f"HTTP {answer.status}: {_explanation(answer)}")
    return None


def _outcome_of_success(gateway: str, answer: Answer) -> Outcome:
    document = answer.document()
    if document is None:
        return Unknown(detail(f"HTTP {answer.status}: {_explanation(answer)}"))
    code = _code_of(document)
    if RECEIPT_STATE_BY_WORD.get(str(document.get("status")).lower()) is ReceiptState.FAILED:
        return _refused(gateway, answer)
    provider_id = document.get("sid")
    named = isinstance(provider_id, str) and PROVIDER_ID.fullmatch(provider_id) is not None
    if named and code is None:
        return Accepted(str(provider_id))
    if not named and blame_for(code) is not None:
        return _refused(gateway, answer)
    return Unknown(detail(f"HTTP {answer.status}, sid {'with' if named else 'missing,'} error code {code}"))


def _refused(gateway: str, answer: Answer) -> Refused:
    return refusal(gateway, answer, _code_of(answer.document()), _explanation(answer), blame_for)


def _code_of(document: dict[str, Any] | None) -> str | None:
    """Return the error code: `code` in an error, `error_code` in a message."""
    for key in ("code", "error_code"):
        value = None if document is None else document.get(key)
        if isinstance(value, bool) or not isinstance(value, int | str):
            continue
        if _CODE.fullmatch(str(value)) and str(value) != NO_ERROR:
            return str(value)
    return None


def _explanation(answer: Answer) -> str:
    return answer.explanation("message", "error_message")
