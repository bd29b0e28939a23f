"""Signatures of the form-post format against published values.

Sources:
[1] github.com/twilio/twilio-python, commit 306691e, tests/unit/test_request_validator.py
[2] gist.github.com/ryanwinchester/ab49855e9acb7352507b8fa92ffe69d0, quoting the format's documentation
[3] RFC 2202 section 3, test cases 1 and 6 of HMAC-SHA1
"""

from __future__ import annotations

import hmac

import pytest

from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_inbound import is_authentic, signature

TOKEN = "12345"
PATH = "/myapp.php?foo=1&bar=2"
CALL = [
    ("CallSid", "CA1234567890ABCDE"),
    ("Digits", "1234"),
    ("From", "+14158675309"),
    ("To", "+18005551212"),
    ("Caller", "+14158675309"),
]
OTHER_CALL = [
    ("CallSid", "CA1234567890ABCDE"),
    ("From", "+12349013030"),
    ("To", "+18005551212"),
    ("Caller", "+12349013030"),
    ("Digits", "1234"),
]
REPEATED = [
    ("Sid", "CA123"),
    ("SidAccount", "AC123"),
    ("Digits", "5678"),
    ("Digits", "1234"),
    ("Digits", "1234"),
]
CONFIG = FormPostConfig(
    name="shore", base_url="https://texts.example.org", account="AC1", token=TOKEN, sender="+447700900000"
)


@pytest.mark.parametrize(
    ("base", "fields", "published"),
    [
        pytest.param("https://mycompany.com", CALL, "RSOYDt4T1cUTdK1PDd93/VVr8B8=", id="fields-of-a-call-[1]"),
        pytest.param("https://mycompany.com", OTHER_CALL, "0/KCTR6DLpKmkAf8muzZqo1nDgQ=", id="another-[2]"),
        pytest.param("https://mycompany.com", REPEATED, "IK+Dwps556ElfBT0I3Rgjkr1wJU=", id="repeated-field-[1]"),
        pytest.param("https://mycompany.com:443", CALL, "kvajT1Ptam85bY51eRf/AJRuM3w=", id="https-with-port-[1]"),
        pytest.param("http://mycompany.com:80", CALL, "0ZXoZLH/DfblKGATFgpif+LLRf4=", id="http-with-port-[1]"),
    ],
)
def test_signature_is_the_published_one(base: str, fields: list[tuple[str, str]], published: str) -> None:
    """The published URL, token and fields give the published signature."""
    assert signature(TOKEN, base + PATH, fields) == published


@pytest.mark.parametrize(
    ("public_url", "published"),
    [
        pytest.param("https://mycompany.com", "RSOYDt4T1cUTdK1PDd93/VVr8B8=", id="as-set-up"),
        pytest.param("https://mycompany.com", "kvajT1Ptam85bY51eRf/AJRuM3w=", id="signed-with-default-port"),
        pytest.param("https://mycompany.com:443", "RSOYDt4T1cUTdK1PDd93/VVr8B8=", id="signed-without-port"),
        pytest.param("http://mycompany.com", "0ZXoZLH/DfblKGATFgpif+LLRf4=", id="http-signed-with-port"),
        pytest.param("https://mycompany.com:8443", "RSOYDt4T1cUTdK1PDd93/VVr8B8=", id="other-port-removed"),
    ],
)
def test_signature_is_accepted_with_the_port_removed_or_added(public_url: str, published: str) -> None:
    """A verifier tries the URL without its port and with one, as the published validator does [1]."""
    assert is_authentic(CONFIG, public_url, PATH, CALL, published)


@pytest.mark.parametrize(
    ("public_url", "published"),
    [
        pytest.param("http://mycompany.com", "RSOYDt4T1cUTdK1PDd93/VVr8B8=", id="other-scheme"),
        pytest.param("https://mycompany.com", "0ZXoZLH/DfblKGATFgpif+LLRf4=", id="port-of-the-other-scheme"),
    ],
)
def test_signature_for_another_scheme_is_not_accepted(public_url: str, published: str) -> None:
    """Trying the ports does not make a signature for another scheme a right one [1]."""
    assert not is_authentic(CONFIG, public_url, PATH, CALL, published)


@pytest.mark.parametrize(
    ("key", "message", "published"),
    [
        pytest.param(b"\x0b" * 20, b"Hi There", "b617318655057264e28bc0b6fb378c8ef146be00", id="case-1-[3]"),
        pytest.param(
            b"\xaa" * 80,
            b"Test Using Larger Than Block-Size Key - Hash Key First",
            "aa4ae5e15272d00e95705637ce8a3b55ed402112",
            id="case-6-[3]",
        ),
    ],
)
def test_hmac_sha1_of_this_python_is_the_published_one(key: bytes, message: bytes, published: str) -> None:
    """The primitive that signatures rest on gives the values of RFC 2202."""
    assert hmac.digest(key, message, "sha1").hex() == published
