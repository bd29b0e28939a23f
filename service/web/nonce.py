"""The number in a plan form that makes a double submit file once.

It is no anti-forgery token: there is no session to protect. It is signed so that nobody can choose the key under which
a plan is filed, and so open the plan that somebody else filed under it.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from datetime import datetime, timedelta

LASTS = timedelta(days=7)  # a form left open in a tab all weekend still files
_RANDOM_BYTES = 16
_PURPOSE = b"linetender plan form"


def issue(secret_key: str, now: datetime) -> str:
    """A new nonce: random bytes, when it was issued, and a signature."""
    body = f"{secrets.token_urlsafe(_RANDOM_BYTES)}.{int(now.timestamp())}"
    return f"{body}.{_signature(secret_key, body)}"


def read(secret_key: str, nonce: str, now: datetime) -> str | None:
    """The random part, by which the plan is filed; None when the nonce is not ours or too old."""
    body, _, signature = nonce.rpartition(".")
    expected = _signature(secret_key, body).encode()
    if not hmac.compare_digest(expected, signature.encode("utf-8", errors="surrogatepass")):
        return None
    key, _, issued = body.partition(".")
    if not timedelta(0) <= now - datetime.fromtimestamp(int(issued), tz=now.tzinfo) + timedelta(seconds=1) <= LASTS:
        return None
    return key


def _signature(secret_key: str, body: str) -> str:
    message = _PURPOSE + b"\0" + body.encode("utf-8", errors="surrogatepass")
    digest = hmac.new(secret_key.encode(), message, hashlib.sha256).digest()
    return base64.urlsafe_b64encode(digest[:20]).decode().rstrip("=")
