"""The practice gateway's side of the form-post format, without a network: for practice phones in a demo."""

from __future__ import annotations

import base64
import binascii
import hmac
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from xml.etree.ElementTree import ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

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
class PracticeCall:
    """One call that the service asked the practice gateway to make: what is spoken, and where a key is posted."""

    to: str
    sender: str
    spoken: str
    key_url: str


@dataclass(frozen=True, slots=True)
class Spoken:
    """What the XML of a call says, and where it wants a key posted; None where it wants none."""

    words: str
    key_url: str | None


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
    wrong = wrong_login(auth_header, account, token) or _missing(form, {"To": 21604, "From": 21603, "Body": 21602})
    return wrong or PracticeRequest(form["To"], form["From"], form["Body"], form.get("StatusCallback") or None)


def check_call(
    auth_header: str | None, account: str, token: str, form: Mapping[str, str]
) -> PracticeCall | PracticeAnswer:
    """Return the call to make, or the error answer that a real gateway would give."""
    fields = {"To": 21201, "From": 21213, "Twiml": 21205, "StatusCallback": 21205}
    wrong = wrong_login(auth_header, account, token) or _missing(form, fields)
    if wrong is not None:
        return wrong
    try:
        spoken = read_spoken(form["Twiml"])
    except ValueError:
        return _error(400, 12100, "Twiml cannot be read")
    if spoken.key_url is None:
        return _error(400, 21205, "Twiml asks for no key, and practice calls are answered by one")
    return PracticeCall(form["To"], form["From"], spoken.words, spoken.key_url)


def read_spoken(xml: str) -> Spoken:
    """Return what the XML of a call says while it waits for a key, or else at all. Raises ValueError."""
    try:
        response = fromstring(xml)
    except (ParseError, DefusedXmlException) as fault:
        raise ValueError("this is no XML that can be read") from fault
    gather = response.find("Gather")
    said = response if gather is None else gather
    return Spoken(" ".join(" ".join(said.itertext()).split()), None if gather is None else gather.get("action"))


def wrong_login(auth_header: str | None, account: str, token: str) -> PracticeAnswer | None:
    """Return the answer to a login that is wrong, None where it is right."""
    right = _is_right_login(auth_header, account, token)
    return None if right else _error(401, 20003, "account or token is wrong")


def _missing(form: Mapping[str, str], codes: Mapping[str, int]) -> PracticeAnswer | None:
    missing = next((key for key in codes if not form.get(key)), None)
    return None if missing is None else _error(400, codes[missing], f"{missing} is missing")


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


def key_fields(*, sid: str, key: str) -> Pairs:
    """Return the form fields of a key that was pressed in a call."""
    return [("CallSid", sid), ("CallStatus", "in-progress"), ("Digits", key)]


def call_status_fields(*, sid: str, status: str) -> Pairs:
    """Return the form fields that tell how a call ended."""
    return [("CallSid", sid), ("CallStatus", status)]


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
