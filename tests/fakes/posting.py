"""Posting signed forms to the service, as a gateway does, by code that it does not share with the service."""

from __future__ import annotations

import base64
import hmac
import http.client
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode, urlsplit


@dataclass(frozen=True, slots=True)
class Posted:
    """One form that was posted, and the HTTP status of the answer."""

    url: str
    sid: str
    word: str
    status: int


def sign(token: str, url: str, fields: Sequence[tuple[str, str]]) -> str:
    """Return the signature for fields whose names are all different."""
    signed = url
    for name in sorted(dict(fields)):
        signed += name + dict(fields)[name]
    return base64.b64encode(hmac.digest(token.encode(), signed.encode(), "sha1")).decode()


def post_form(url: str, fields: Sequence[tuple[str, str]], *, signature: str | None, timeout_s: float = 10.0) -> int:
    """Post the form and return the HTTP status. Raises OSError or http.client.HTTPException."""
    parts = urlsplit(url)
    headers = {"Content-Type": "application/x-www-form-urlencoded"}
    if signature is not None:
        headers["X-Twilio-Signature"] = signature
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port or 80, timeout=timeout_s)
    try:
        path = parts.path + (f"?{parts.query}" if parts.query else "")
        connection.request("POST", path or "/", urlencode(fields), headers)
        answer = connection.getresponse()
        answer.read()
        return answer.status
    finally:
        connection.close()
