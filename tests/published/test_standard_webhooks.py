"""Signatures of what a json-post gateway posts, against published values.

Sources:
[1] github.com/standard-webhooks/standard-webhooks, commit 10d3e46, libraries/javascript/src/webhook.test.ts: the tests
    "sign function works" and "multi sig payload is valid", and the tolerance of 5 minutes
[2] the same project, spec/standard-webhooks.md, version 1.0.0: header names, and 24 to 64 bytes of secret
[3] RFC 4231 section 4.2 and 4.7, test cases 1 and 6 of HMAC-SHA-256
"""

from __future__ import annotations

import base64
import hmac
from datetime import UTC, datetime

import pytest

from service.gateways.inbound_format import Doubt
from service.gateways.webhook_signing import (
    SECRET_BYTES_MAX,
    SECRET_BYTES_MIN,
    UnusableSecretError,
    doubt,
    secret_key,
    signature,
)

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
ID = "msg_p5jXN8AQM9LWM0D4loKWxJek"
TIMESTAMP = 1614265330
BODY = b'{"test": 2432232314}'
SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
OTHER = "Ceo5qEr07ixe2NLpvHk3FH9bwy/WavXrAFQ/9tdO6mc="

HEADERS = {"webhook-id": ID, "webhook-timestamp": str(TIMESTAMP), "webhook-signature": SIGNATURE}


def seconds_later(seconds: float) -> datetime:
    """So long after the published attempt."""
    return datetime.fromtimestamp(TIMESTAMP + seconds, UTC)


def test_signature_is_the_published_one() -> None:
    """The published secret, id, time and body give the published signature [1]."""
    assert signature(SECRET, ID, TIMESTAMP, BODY) == SIGNATURE


@pytest.mark.parametrize(
    "header",
    [
        pytest.param(SIGNATURE, id="alone"),
        pytest.param(f"v1,{OTHER} v2,{OTHER} {SIGNATURE} v1,{OTHER}", id="among-several"),
    ],
)
def test_published_signature_is_accepted(header: str) -> None:
    """One right signature in the list of them is enough [1]."""
    assert doubt([SECRET], HEADERS | {"webhook-signature": header}, BODY, seconds_later(0)) is None


@pytest.mark.parametrize(
    "header",
    [
        pytest.param("v1,dawfeoifkpqwoekfpqoekf", id="invalid"),
        pytest.param(SIGNATURE[:8], id="partial"),
        pytest.param("v1,", id="empty"),
        pytest.param("", id="missing"),
        pytest.param(SIGNATURE.replace("v1,", "v2,"), id="of-another-version"),
    ],
)
def test_what_is_no_signature_is_refused(header: str) -> None:
    """What the published tests call invalid is refused here [1]."""
    doubted = doubt([SECRET], HEADERS | {"webhook-signature": header}, BODY, seconds_later(0))

    assert doubted == Doubt("webhook-signature is missing or wrong")


@pytest.mark.parametrize(
    ("seconds", "believed"),
    [(-301, False), (-300, True), (0, True), (300, True), (301, False)],
)
def test_an_attempt_counts_for_five_minutes_either_way(seconds: int, *, believed: bool) -> None:
    """The tolerance is that of the published libraries [1]."""
    assert (doubt([SECRET], HEADERS, BODY, seconds_later(seconds)) is None) is believed


@pytest.mark.parametrize(
    ("length", "usable"),
    [(SECRET_BYTES_MIN - 1, False), (SECRET_BYTES_MIN, True), (SECRET_BYTES_MAX, True), (SECRET_BYTES_MAX + 1, False)],
)
def test_a_secret_has_the_published_length(length: int, *, usable: bool) -> None:
    """Random, 192 bits at least and 512 at most [2]."""
    secret = f"whsec_{base64.b64encode(bytes(length)).decode()}"

    if usable:
        assert len(secret_key(secret)) == length
    else:
        with pytest.raises(UnusableSecretError, match="24 to 64 bytes"):
            secret_key(secret)


@pytest.mark.parametrize(
    ("key", "message", "published"),
    [
        pytest.param(
            b"\x0b" * 20,
            b"Hi There",
            "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
            id="case-1-[3]",
        ),
        pytest.param(
            b"\xaa" * 131,
            b"Test Using Larger Than Block-Size Key - Hash Key First",
            "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
            id="case-6-[3]",
        ),
    ],
)
def test_hmac_sha256_of_this_python_is_the_published_one(key: bytes, message: bytes, published: str) -> None:
    """The primitive that signatures rest on gives the values of RFC 4231."""
    assert hmac.digest(key, message, "sha256").hex() == published
