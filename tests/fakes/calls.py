"""What a gateway reads out of the XML of a call, and the fields that it posts about one."""

from __future__ import annotations

from dataclasses import dataclass

from defusedxml.ElementTree import fromstring

from tests.fakes.journal import Taken

Fields = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Spoken:
    """What is said while a key is waited for, and where the key is posted."""

    words: str
    key_url: str


def spoken_in(xml: str) -> Spoken:
    """Read the XML. Raises whatever a reader of XML raises, and ValueError where no key is asked for."""
    gather = fromstring(xml).find("Gather")
    if gather is None or gather.get("action") is None:
        raise ValueError("no key is asked for")
    return Spoken(" ".join(gather.itertext()), gather.attrib["action"])


def key_fields(taken: Taken, key: str) -> Fields:
    """The fields of a pressed key."""
    return [*_call(taken), ("CallStatus", "in-progress"), ("Digits", key)]


def status_fields(taken: Taken, word: str, code: str | None, sip: str | None) -> Fields:
    """The fields that tell how a call stands."""
    more = [("ErrorCode", code)] if code else []
    return [*_call(taken), ("CallStatus", word), *more, *([("SipResponseCode", sip)] if sip else [])]


def _call(taken: Taken) -> Fields:
    return [("CallSid", taken.sid), ("From", taken.sender), ("To", taken.to), ("Direction", "outbound-api")]
