"""Signatures of what is posted to us, by the open specification Standard Webhooks, version 1.0.0.

Source: https://github.com/standard-webhooks/standard-webhooks/blob/main/spec/standard-webhooks.md. What is signed is
`id.timestamp.body`, with HMAC-SHA256 and a secret of 24 to 64 random bytes that is written in base64 after `whsec_`.
The time that is signed is that of the attempt: whoever posts again signs again.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
from collections.abc import Collection, Mapping
from datetime import datetime, timedelta

from service.gateways.inbound_format import Doubt

ID_HEADER = "webhook-id"
TIMESTAMP_HEADER = "webhook-timestamp"
SIGNATURE_HEADER = "webhook-signature"

TOLERANCE = timedelta(minutes=5)
"""How far the time of an attempt may be from ours, as in the specification's own libraries."""

SECRET = re.compile(r"whsec_[A-Za-z0-9+/]{20,}={0,2}")
SECRET_BYTES_MIN, SECRET_BYTES_MAX = 24, 64

# Without full stops neither part can hold the beginning of the next one.
_ID = re.compile(r"[!-\-/-~]{1,100}")
_TIMESTAMP = re.compile(r"[0-9]{1,12}")
_SIGNATURES_MAX = 20


class UnusableSecretError(ValueError):
    """A signing secret is not written as it must be; the message does not hold it."""


def secret_key(secret: str) -> bytes:
    """Return the key that a secret stands for. Raises UnusableSecretError."""
    if not SECRET.fullmatch(secret):
        raise UnusableSecretError("a secret is whsec_ and base64")
    try:
        key = base64.b64decode(secret.removeprefix("whsec_"), validate=True)
    except binascii.Error:
        raise UnusableSecretError("a secret is whsec_ and base64") from None
    if not SECRET_BYTES_MIN <= len(key) <= SECRET_BYTES_MAX:
        raise UnusableSecretError(f"a secret has {SECRET_BYTES_MIN} to {SECRET_BYTES_MAX} bytes")
    return key


def signature(secret: str, webhook_id: str, timestamp: int, body: bytes) -> str:
    """Return the signature, as it stands in the header. Raises UnusableSecretError."""
    signed = f"{webhook_id}.{timestamp}.".encode() + body
    digest = hmac.new(secret_key(secret), signed, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode('ascii')}"


def doubt(secrets: Collection[str], headers: Mapping[str, str], body: bytes, now: datetime) -> Doubt | None:
    """Say why a post cannot be believed; None when it was signed with one of the secrets, within 5 minutes of `now`.

    `headers` by their names in lower case; `now` is real time. Whoever takes the post must still refuse its id a
    second time.
    """
    webhook_id, timestamp = headers.get(ID_HEADER, ""), headers.get(TIMESTAMP_HEADER, "")
    if not _ID.fullmatch(webhook_id):
        return Doubt(f"{ID_HEADER} is missing, or has spaces or full stops")
    if not _TIMESTAMP.fullmatch(timestamp):
        return Doubt(f"{TIMESTAMP_HEADER} is missing, or is not in whole seconds since 1970")
    given = headers.get(SIGNATURE_HEADER, "").split()[:_SIGNATURES_MAX]
    right = False
    for secret in secrets:
        expected = signature(secret, webhook_id, int(timestamp), body).encode()
        for one in given:
            # No early end, so that the time taken does not tell which one was right.
            right |= hmac.compare_digest(expected, one.encode("utf-8", errors="surrogatepass"))
    if not right:
        return Doubt(f"{SIGNATURE_HEADER} is missing or wrong")
    # Only whoever knows the secret is told how far the clocks are apart.
    late_s = now.timestamp() - int(timestamp)
    if abs(late_s) > TOLERANCE.total_seconds():
        words = f"{TIMESTAMP_HEADER} is {abs(late_s):.0f} s {'behind' if late_s > 0 else 'ahead of'} our clock"
        return Doubt(words, wrong_time=True)
    return None
