"""From an answer of a json-post gateway to what it means: for what we sent, and for what we asked."""

from __future__ import annotations

import re

from service.gateways.answers import NOT_PERFORMED_REDIRECTS, Answer, detail, outcome_of_redirect, refusal
from service.gateways.json_post_codes import NOT_FOUND, blame_for
from service.gateways.posted_fields import PROVIDER_ID
from service.operations.gateway import Accepted, CannotTell, Found, Lookup, NotFound, Outcome, Unknown

TAKEN = frozenset({200, 201, 202})
_OK, _NOT_FOUND = 200, 404
_CODE = re.compile(r"[a-z0-9_]{1,40}")


def outcome_of_answer(gateway: str, answer: Answer) -> Outcome:
    """Return the outcome that an HTTP answer to a message means. Never raises."""
    if answer.status in TAKEN:
        named = _id_of(answer)
        return Accepted(named) if named else Unknown(_words(answer, "the answer names no id"))
    if 400 <= answer.status < 500:  # noqa: PLR2004 - the class of RFC 9110 section 15.5
        return refusal(gateway, answer, _code_of(answer), _explanation(answer), blame_for)
    if answer.status in NOT_PERFORMED_REDIRECTS:
        return outcome_of_redirect(answer)
    return Unknown(_words(answer, _explanation(answer)))


def lookup_of_answer(answer: Answer) -> Lookup:
    """Return what an answer says about a message that was asked for. Never raises.

    A 404 alone may come from anything on the way that knows no such address. Only the code says "never taken".
    """
    named = _id_of(answer) if answer.status == _OK else None
    if named:
        return Found(named)
    if answer.status == _NOT_FOUND and _code_of(answer) == NOT_FOUND:
        return NotFound()
    return CannotTell(_words(answer, _explanation(answer)))


def _id_of(answer: Answer) -> str | None:
    value = (answer.document() or {}).get("id")
    return value if isinstance(value, str) and PROVIDER_ID.fullmatch(value) else None


def _code_of(answer: Answer) -> str | None:
    """Return the `code` of problem details (RFC 9457 lets a format add such members)."""
    value = (answer.document() or {}).get("code")
    return value if isinstance(value, str) and _CODE.fullmatch(value) else None


def _explanation(answer: Answer) -> str:
    return answer.explanation("detail", "title")


def _words(answer: Answer, explanation: str) -> str:
    return detail(f"HTTP {answer.status}: {answer.fault or explanation}")
