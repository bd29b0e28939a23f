"""What a gateway posts about calls: every word of theirs, what it means to us, and what cannot be read."""

from __future__ import annotations

import logging
from datetime import UTC, datetime

import pytest

from service.gateways.answers import UNKNOWN_ERROR_CODE
from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_inbound_calls import read_call_status, read_key
from service.gateways.posted_fields import MalformedInbound
from service.gateways.posted_words import UNKNOWN_STATUS_WORD
from service.operations.gateway import Blame, DeliveryReceipt, ReceiptState

AT = datetime(2027, 6, 1, 10, 0, tzinfo=UTC)
CONFIG = FormPostConfig(
    name="shore", base_url="https://texts.example.org", account="AC1", token="t", sender="+447700900000"
)

Pairs = list[tuple[str, str]]


def _status(word: str, *more: tuple[str, str]) -> DeliveryReceipt:
    return read_call_status(CONFIG, [("CallSid", "CA1"), ("CallStatus", word), *more], AT)


@pytest.mark.parametrize(
    ("word", "state", "code"),
    [
        ("queued", ReceiptState.SENT, None),
        ("initiated", ReceiptState.SENT, None),
        ("ringing", ReceiptState.SENT, None),
        ("in-progress", ReceiptState.SENT, None),
        ("completed", ReceiptState.FAILED, "call-no-key"),
        ("busy", ReceiptState.FAILED, "call-busy"),
        ("no-answer", ReceiptState.FAILED, "call-no-answer"),
        ("failed", ReceiptState.FAILED, "call-failed"),
        ("canceled", ReceiptState.FAILED, "call-canceled"),
        ("Completed", ReceiptState.FAILED, "call-no-key"),
    ],
)
def test_a_call_that_ends_without_a_key_has_reached_nobody(word: str, state: ReceiptState, code: str | None) -> None:
    """Answered is not an answer: a machine answers too. No word of a call is delivery."""
    receipt = _status(word)

    assert (receipt.gateway, receipt.provider_id, receipt.received_at) == ("shore", "CA1", AT)
    assert (receipt.state, receipt.code, receipt.blame) == (state, code, None)


def test_an_unknown_word_is_loud_and_no_delivery(caplog: pytest.LogCaptureFixture) -> None:
    """It is kept as it came."""
    with caplog.at_level(logging.ERROR):
        receipt = _status("teleported")

    assert (receipt.state, receipt.code, receipt.raw["CallStatus"]) == (ReceiptState.UNKNOWN, None, "teleported")
    assert [record.message for record in caplog.records] == [UNKNOWN_STATUS_WORD]


@pytest.mark.parametrize(
    ("more", "code", "blame"),
    [
        ([("ErrorCode", "13224")], "13224", Blame.NUMBER),
        ([("ErrorCode", "13227")], "13227", Blame.NO_ROUTE),
        ([("ErrorCode", "0")], "call-failed", None),
        ([("ErrorCode", "")], "call-failed", None),
        ([("SipResponseCode", "404")], "call-failed", Blame.NUMBER),
        ([("SipResponseCode", "410")], "call-failed", Blame.NUMBER),
        ([("SipResponseCode", "484")], "call-failed", Blame.NUMBER),
        ([("SipResponseCode", "604")], "call-failed", Blame.NUMBER),
        ([("SipResponseCode", "503")], "call-failed", None),
        ([("ErrorCode", "13227"), ("SipResponseCode", "404")], "13227", Blame.NO_ROUTE),
    ],
)
def test_a_failed_call_names_its_cause(
    more: Pairs, code: str, blame: Blame | None, caplog: pytest.LogCaptureFixture
) -> None:
    """By the error code first, then by what the telephone network said of the number."""
    receipt = _status("failed", *more)

    assert (receipt.state, receipt.code, receipt.blame) == (ReceiptState.FAILED, code, blame)
    assert caplog.records == []


def test_an_unknown_error_code_is_loud(caplog: pytest.LogCaptureFixture) -> None:
    """No number is written off because of it."""
    with caplog.at_level(logging.ERROR):
        receipt = _status("failed", ("ErrorCode", "99999"))

    assert (receipt.code, receipt.blame) == ("99999", None)
    assert [record.message for record in caplog.records] == [UNKNOWN_ERROR_CODE]


@pytest.mark.parametrize("key", list("0123456789*#ABCD"))
def test_every_key_is_read(key: str) -> None:
    """Under the id of its call, with all that was posted."""
    pressed = read_key([("CallSid", "CA1"), ("Digits", key), ("CallStatus", "in-progress")], AT)

    assert (pressed.provider_id, pressed.key) == ("CA1", key)
    assert pressed.raw == {"CallSid": "CA1", "Digits": key, "CallStatus": "in-progress"}


@pytest.mark.parametrize(
    ("pairs", "reason"),
    [
        ([("Digits", "1")], "CallSid is missing"),
        ([("CallSid", "CA1")], "Digits is missing"),
        ([("CallSid", "CA1"), ("Digits", "")], "Digits is missing"),
        ([("CallSid", "CA1"), ("Digits", "one")], "Digits is too long or has characters that do not belong there"),
        ([("CallSid", "CA1"), ("Digits", "1"), ("Digits", "2")], "Digits is given more than once"),
    ],
)
def test_what_is_no_key_is_refused_with_the_reason(pairs: Pairs, reason: str) -> None:
    """It is never taken for an answer."""
    with pytest.raises(MalformedInbound, match=f"^{reason}"):
        read_key(pairs, AT)


@pytest.mark.parametrize(
    ("pairs", "reason"),
    [
        ([("CallStatus", "busy")], "CallSid is missing"),
        ([("CallSid", "CA1")], "CallStatus is missing"),
        ([("CallSid", "x" * 101), ("CallStatus", "busy")], "CallSid is too long"),
        ([("CallSid", "CA1"), ("CallStatus", "busy"), ("CallStatus", "completed")], "CallStatus is given more than"),
    ],
)
def test_what_is_no_status_is_refused_with_the_reason(pairs: Pairs, reason: str) -> None:
    """Whoever posts it learns what is wrong."""
    with pytest.raises(MalformedInbound, match=f"^{reason}"):
        read_call_status(CONFIG, pairs, AT)
