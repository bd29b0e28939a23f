"""The practice gateway's side of the form-post format, without a network: for practice phones in a demo."""

from __future__ import annotations

import base64
import binascii
import hmac
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from service.gateways.form_post_inbound import SIGNATURE_HEADER, signature

Pairs = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class PracticeRequest:
    """One text that the service handed to the practice gateway."""

    to: str
    sender: str
    body: str
    status_callback: str | None


@dataclass(frozen=True, slots=True)
class PracticeAnswer:
    """An HTTP answer: its status and the JSON object to send, as application/json."""

    status: int
    document: dict[str, str | int]

    def body(self) -> bytes:
        """Return the document as it goes over the wire."""
        return json.dumps(self.document).encode()


def check_request(
    auth_header: str | None, account: str, token: str, form: Mapping[str, str]
) -> PracticeRequest | PracticeAnswer:
    """Return the text to carry, or the error answer that a real gateway would give."""
    if not _is_right_login(auth_header, account, token):
        return _error(401, 20003, "account or token is wrong")
    for key, code in (("To", 21604), ("From", 21603), ("Body", 21602)):
        if not form.get(key):
            return _error(400, code, f"{key} is missing")
    return PracticeRequest(form["To"], form["From"], form["Body"], form.get("StatusCallback") or None)


def answer_accepted(sid: str) -> PracticeAnswer:
    """Return the answer to a text that was taken under this id."""
    return PracticeAnswer(201, {"sid": sid, "status": "queued"})


def inbound_fields(*, sid: str, sender: str, receiver: str, body: str) -> Pairs:
    """Return the form fields that bring the service a text from a practice phone."""
    return [("MessageSid", sid), ("From", sender), ("To", receiver), ("Body", body)]


def receipt_fields(*, sid: str, status: str, error_code: str | None = None) -> Pairs:
    """Return the form fields of a delivery receipt."""
    fields = [("MessageSid", sid), ("MessageStatus", status)]
    return fields if error_code is None else [*fields, ("ErrorCode", error_code)]


def signed_headers(token: str, url: str, fields: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Return the header that proves to the service that these fields come from its gateway."""
    return {SIGNATURE_HEADER: signature(token, url, fields)}


def _is_right_login(auth_header: str | None, account: str, token: str) -> bool:
    scheme, _, encoded = (auth_header or "").partition(" ")
    if scheme.lower() != "basic":
        return False
    try:
        given = base64.b64decode(encoded.strip(), validate=True)
    except (ValueError, binascii.Error):
        return False
    return hmac.compare_digest(given, f"{account}:{token}".encode())


def _error(status: int, code: int, message: str) -> PracticeAnswer:
    return PracticeAnswer(status, {"code": code, "message": message, "status": status})
