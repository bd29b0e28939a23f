"""The address that opens a text ready to send, against its standard.

Source: RFC 5724 section 2.5, as quoted in public tests
"""

from __future__ import annotations

from service.web.speaking import sms


def test_a_blank_in_the_body_is_percent_encoded() -> None:
    """A plus sign would be sent as a plus sign."""
    assert sms("+15105550101", "hello there") == "sms:+15105550101?body=hello%20there"
