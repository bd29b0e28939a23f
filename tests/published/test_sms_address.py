"""The address that opens a text ready to send, against its standards.

Sources: RFC 5724, section 2.2 (the form) and section 2.5 (the examples); RFC 3986, sections 2.1 and 2.3 (percent
encoding, and the characters that need none).
"""

from __future__ import annotations

import re
from urllib.parse import unquote

import pytest

from service.documents.sms_uri import sms
from service.domain.texts.examples import going_in

# sms-uri = scheme ":" sms-recipient ["?" "body=" escaped-value], for one global number of RFC 3966.
FORM = re.compile(r"sms:\+[0-9]+\?body=(?:[A-Za-z0-9._~-]|%[0-9A-F]{2})*")


def test_a_blank_in_the_body_is_percent_encoded() -> None:
    """The fourth example: a plus sign would be sent as a plus sign."""
    assert sms("+15105550101", "hello there") == "sms:+15105550101?body=hello%20there"


def test_a_printed_start_is_an_address_of_that_form() -> None:
    """What the square of a site sign holds."""
    address = sms("+447700900000", going_in("LANTERN", 50, 2))

    assert address == "sms:+447700900000?body=IN%20LANTERN%2050%20P2"
    assert FORM.fullmatch(address)


@pytest.mark.parametrize("body", ["A&B=C?#", "50% / +15", "Grüße, Ñ", "~._-", "\r\n"])
def test_any_body_comes_back_whole(body: str) -> None:
    """Reserved characters, letters beyond ASCII as UTF-8, and what needs no encoding."""
    address = sms("+447700900000", body)

    assert FORM.fullmatch(address)
    assert unquote(address.partition("?body=")[2]) == body
