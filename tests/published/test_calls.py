"""The XML and the form of a call against the published reference of the format.

Sources, as published:
[1] https://www.twilio.com/docs/voice/twiml/gather: attributes of Gather, what may be nested in it, what is posted
[2] https://www.twilio.com/docs/voice/twiml/say: attributes of Say, its languages
[3] https://www.twilio.com/docs/voice/twiml/hangup: no attributes, nothing nested
[4] https://www.twilio.com/docs/voice/api/call-resource: parameters of a new call, status values
[5] https://www.twilio.com/docs/usage/security: the example request of a call and its signature
[6] RFC 3261 section 21: SIP response codes
"""

from __future__ import annotations

from datetime import UTC, datetime
from http import HTTPStatus
from xml.etree.ElementTree import Element

import pytest
from defusedxml.ElementTree import fromstring

from service.domain.language import LANGUAGES
from service.domain.people import Channel
from service.gateways.form_post_call_codes import CALL_STATE_BY_WORD, NUMBER_BY_SIP
from service.gateways.form_post_calls import (
    XML_CHARACTERS_MAX,
    asking_xml,
    call_addresses,
    call_form,
    closing_xml,
)
from service.gateways.form_post_inbound_calls import read_key
from service.operations.gateway import Outgoing, ReceiptState

GATHER_1 = {
    "action", "actionOnEmptyResult", "bargeIn", "debug", "finishOnKey", "hints", "input", "language", "maxSpeechTime",
    "method", "numDigits", "partialResultCallback", "partialResultCallbackMethod", "profanityFilter", "speechModel",
    "speechTimeout", "timeout", "enhanced",
}  # fmt: skip
NESTED_1 = {"Say", "Play", "Pause"}
SAY_2 = {"voice", "loop", "language"}
LANGUAGES_2 = {"en-GB", "es-ES", "fr-FR", "de-DE", "it-IT", "en-US", "es-MX", "fr-CA", "pt-BR", "nl-NL"}
PARAMETERS_4 = {
    "To", "From", "Url", "Twiml", "ApplicationSid", "Method", "FallbackUrl", "FallbackMethod", "StatusCallback",
    "StatusCallbackEvent", "StatusCallbackMethod", "SendDigits", "Timeout", "TimeLimit", "Record", "MachineDetection",
}  # fmt: skip
EVENTS_4 = {"initiated", "ringing", "answered", "completed"}
WORDS_4 = {"queued", "initiated", "ringing", "in-progress", "completed", "busy", "failed", "no-answer", "canceled"}
ENDS_4 = {"completed", "busy", "failed", "no-answer", "canceled"}
XML_MAX_4, TIMEOUT_MAX_4 = 4000, 600
EXAMPLE_5 = [
    ("CallSid", "CA1234567890ABCDE"),
    ("Caller", "+14158675309"),
    ("Digits", "1234"),
    ("From", "+14158675309"),
    ("To", "+18005551212"),
]
ABOUT_THE_NUMBER_6 = {"404": "Not Found", "410": "Gone"}  # those that HTTP has by the same names

KEY_URL = "https://dives.example.org/inbound/shore/call/m-1/key"


def _documents() -> list[Element]:
    return [fromstring(asking_xml("Overdue.", code, KEY_URL)) for code in LANGUAGES] + [
        fromstring(closing_xml("Thank you.", code)) for code in LANGUAGES
    ]


def test_every_instruction_is_in_the_published_reference() -> None:
    """No verb, attribute or nesting of our own."""
    for document in _documents():
        assert (document.tag, document.attrib) == ("Response", {})
        assert {verb.tag for verb in document} <= {"Gather", "Say", "Hangup"}
        for gather in document.iter("Gather"):
            assert set(gather.attrib) <= GATHER_1
            assert {nested.tag for nested in gather} <= NESTED_1
        for say in document.iter("Say"):
            assert set(say.attrib) <= SAY_2
            assert len(say) == 0
        for hangup in document.iter("Hangup"):
            assert (hangup.attrib, len(hangup)) == ({}, 0)


def test_every_value_is_of_the_published_kind() -> None:
    """Numbers where numbers are wanted, words where words are."""
    for gather in (found for document in _documents() for found in document.iter("Gather")):
        assert int(gather.attrib["numDigits"]) >= 1
        assert int(gather.attrib["timeout"]) >= 1
        assert gather.attrib["method"] in {"GET", "POST"}
        assert gather.attrib["input"] in {"dtmf", "speech", "dtmf speech"}
    for say in (found for document in _documents() for found in document.iter("Say")):
        assert int(say.get("loop", "1")) >= 1
        assert say.attrib["language"] in LANGUAGES_2


def test_the_request_keeps_to_the_published_parameters() -> None:
    """Their names, the event, and the limits of length and ringing."""
    message = Outgoing("+441632960201", "Overdue.", "m-1", channel=Channel.CALL)
    form = call_form(message, "+441632960000", call_addresses("https://dives.example.org", "shore", "m-1"))

    assert set(form) <= PARAMETERS_4
    assert {"To", "From", "Twiml"} <= set(form)
    assert form["StatusCallbackEvent"] in EVENTS_4
    assert len(form["Twiml"]) <= XML_CHARACTERS_MAX == XML_MAX_4
    assert 0 < int(form["Timeout"]) <= TIMEOUT_MAX_4


def test_every_published_status_is_known() -> None:
    """And no other; those that end a call are failures, since only a key is an answer."""
    assert set(CALL_STATE_BY_WORD) == WORDS_4
    assert {word for word, state in CALL_STATE_BY_WORD.items() if state is ReceiptState.FAILED} == ENDS_4


def test_the_published_example_of_a_request_is_read() -> None:
    """Its signature is checked in test_webhook_signing.py; here, that its fields are those that we read."""
    pressed = read_key(EXAMPLE_5, datetime(2027, 6, 1, tzinfo=UTC))

    assert (pressed.provider_id, pressed.key) == ("CA1234567890ABCDE", "1234")


@pytest.mark.parametrize(("code", "phrase"), ABOUT_THE_NUMBER_6.items())
def test_sip_codes_mean_what_they_mean_in_the_standard(code: str, phrase: str) -> None:
    """SIP took these over from HTTP, names and all."""
    assert code in NUMBER_BY_SIP
    assert HTTPStatus(int(code)).phrase == phrase
