"""The address that opens a text ready to send (RFC 5724), for pages and for printed squares."""

from __future__ import annotations

from urllib.parse import quote


def sms(number: str, body: str) -> str:
    """An sms: address: whoever opens it sees the text and sends it themselves. `number` is E.164.

    Everything that RFC 3986 does not leave alone is percent-encoded; a blank is %20, since a plus sign would be sent.
    """
    return f"sms:{number}?body={quote(body, safe='')}"
