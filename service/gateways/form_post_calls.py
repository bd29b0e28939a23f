"""Voice calls by the form-post wire format: what a gateway is asked, and the spoken XML that it follows.

Sources: for the request https://www.twilio.com/docs/voice/api/call-resource (create a call); for the XML
https://www.twilio.com/docs/voice/twiml/gather, .../say and .../hangup; for the characters that XML may hold,
XML 1.0 (https://www.w3.org/TR/xml/) section 2.2.

Machines are not told from people: detection keeps whoever answers waiting in silence for seconds, and only a key
that is pressed counts as an answer anyway.
"""

from __future__ import annotations

import logging
import re
from dataclasses import dataclass
from urllib.parse import quote
from xml.etree import ElementTree as ET

from service.domain.wording.in_call import no_key_was_pressed
from service.operations.gateway import Outgoing

XML_CHARACTERS_MAX = 4000
"""The longest that Twiml may be (Call resource, parameter Twiml)."""
RINGS_S = 40
"""Timeout. Published are 60 s as the default and 600 s at most. Ours is shorter, since "no answer" lets the search go
on; it is longer than the about 30 s after which a voicemail takes over, and lets somebody walk to a telephone."""
KEY_WITHIN_S = 10
"""Time for a key after the last word: for taking the phone from the ear, and for looking again."""
CALL_LASTS_S = 300
"""TimeLimit: a line that hangs open, as on a machine that keeps pressing keys, ends."""
SAID_TIMES = 2
STATUS_EVENT = "completed"
"""The only event that we ask for: it is posted however a call ends."""

SPOKEN_CUT = "gateway.spoken_cut"

VOICE_BY_LANGUAGE = {"de": "de-DE", "en": "en-GB", "es": "es-ES", "fr": "fr-FR", "it": "it-IT"}
"""BCP 47 tags in the published table of the Say verb; another language is asked for by its own tag."""

_NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class CallAddresses:
    """Where the gateway posts a pressed key, and how the call ended."""

    key: str
    status: str


def call_addresses(public_url: str, gateway: str, message_id: str) -> CallAddresses:
    """The two addresses of one call."""
    base = f"{public_url.rstrip('/')}/inbound/{gateway}/call/{quote(message_id, safe='')}"
    return CallAddresses(key=f"{base}/key", status=f"{base}/status")


def call_form(message: Outgoing, sender: str, at: CallAddresses) -> dict[str, str]:
    """The form fields that ask for this call."""
    return {
        "To": message.to,
        "From": sender,
        "Twiml": asking_xml(message.body, message.language, at.key),
        "StatusCallback": at.status,
        "StatusCallbackEvent": STATUS_EVENT,
        "Timeout": str(RINGS_S),
        "TimeLimit": str(CALL_LASTS_S),
    }


def asking_xml(spoken: str, language: str, key_url: str) -> str:
    """XML that says something twice while it waits for one key, and else says goodbye; within the published length."""
    words = _NOT_IN_XML.sub(" ", spoken).split()
    document = _asking(" ".join(words), language, key_url)
    whole = len(words)
    while len(document) > XML_CHARACTERS_MAX and words:
        words.pop()
        document = _asking(" ".join(words), language, key_url)
    if len(words) < whole:
        _log.error(SPOKEN_CUT, extra={"words_cut": whole - len(words)})
    return document


def closing_xml(spoken: str, language: str) -> str:
    """XML that says something and hangs up."""
    response = ET.Element("Response")
    _say(response, spoken, language)
    ET.SubElement(response, "Hangup")
    return _written(response)


def _asking(spoken: str, language: str, key_url: str) -> str:
    response = ET.Element("Response")
    asked = {"input": "dtmf", "numDigits": "1", "timeout": str(KEY_WITHIN_S), "action": key_url, "method": "POST"}
    gather = ET.SubElement(response, "Gather", asked)
    _say(gather, spoken, language, times=SAID_TIMES)
    # Whoever presses nothing comes here: also a machine, whose owner will then hear that we went on.
    _say(response, no_key_was_pressed(language), language)
    ET.SubElement(response, "Hangup")
    return _written(response)


def _say(parent: ET.Element, spoken: str, language: str, times: int = 1) -> None:
    say = ET.SubElement(parent, "Say", {"language": VOICE_BY_LANGUAGE.get(language, language)})
    if times > 1:
        say.set("loop", str(times))
    say.text = _NOT_IN_XML.sub(" ", spoken)


def _written(response: ET.Element) -> str:
    return '<?xml version="1.0" encoding="UTF-8"?>' + ET.tostring(response, encoding="unicode")
