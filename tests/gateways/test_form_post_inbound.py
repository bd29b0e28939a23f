"""Texts and receipts as they are posted to us: authentic or forged, well formed or not."""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import UTC, datetime
from urllib.parse import parse_qsl

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.gateways.answers import UNKNOWN_ERROR_CODE
from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_inbound import (
    is_authentic,
    read_receipt,
    read_text,
    signature,
)
from service.gateways.posted_fields import BODY_CHARACTERS_MAX, MalformedInbound
from service.gateways.posted_words import CUT_NOTE, INBOUND_TEXT_CUT, UNKNOWN_STATUS_WORD
from service.operations.gateway import Blame, DeliveryReceipt, InboundText, ReceiptState

PUBLIC_URL = "https://dives.example.org"
PATH = "/inbound/shore/text"
AT = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
CONFIG = FormPostConfig(
    name="shore",
    base_url="https://texts.example.org",
    account="AC1",
    token="present-token",
    previous_token="previous-token",
    sender="+447700900000",
)
TEXT = [("MessageSid", "SM1"), ("From", "+447700900101"), ("To", "+447700900000"), ("Body", "Out 2")]
RECEIPT = [("MessageSid", "SM2"), ("MessageStatus", "delivered")]
SIGNED = signature(CONFIG.token, PUBLIC_URL + PATH, TEXT)


def _with(fields: list[tuple[str, str]], name: str, value: str | None) -> list[tuple[str, str]]:
    """Return the fields with one changed, or left out."""
    return [pair for pair in fields if pair[0] != name] + ([] if value is None else [(name, value)])


def test_a_text_signed_with_the_token_is_authentic() -> None:
    """The usual case."""
    assert is_authentic(CONFIG, PUBLIC_URL, PATH, TEXT, SIGNED)


def test_a_slash_after_the_public_url_makes_no_difference() -> None:
    """People write it both ways in settings."""
    assert is_authentic(CONFIG, f"{PUBLIC_URL}/", PATH, TEXT, SIGNED)


def test_a_public_url_below_a_path_is_signed_with_it() -> None:
    """The service may live below a path of its host."""
    signed = signature(CONFIG.token, f"{PUBLIC_URL}/dives{PATH}?a=b%20c", TEXT)

    assert is_authentic(CONFIG, f"{PUBLIC_URL}/dives", f"{PATH}?a=b%20c", TEXT, signed)
    assert not is_authentic(CONFIG, PUBLIC_URL, f"{PATH}?a=b%20c", TEXT, signed)


def test_the_previous_token_counts_only_while_it_is_set() -> None:
    """A token can be changed without losing a text, and the old one ends when it is taken out."""
    signed = signature("previous-token", PUBLIC_URL + PATH, TEXT)

    assert is_authentic(CONFIG, PUBLIC_URL, PATH, TEXT, signed)
    assert not is_authentic(replace(CONFIG, previous_token=None), PUBLIC_URL, PATH, TEXT, signed)


@pytest.mark.parametrize("empty", ["", None])
def test_an_empty_previous_token_is_no_key(empty: str | None) -> None:
    """Nobody can sign with the token that is not there."""
    signed = signature("", PUBLIC_URL + PATH, TEXT)

    assert not is_authentic(replace(CONFIG, previous_token=empty), PUBLIC_URL, PATH, TEXT, signed)


@pytest.mark.parametrize(
    "header",
    [
        pytest.param(None, id="none"),
        pytest.param("", id="empty"),
        pytest.param("junk", id="junk"),
        pytest.param(SIGNED[:-1], id="shortened"),
        pytest.param(SIGNED + " ", id="longer"),
        pytest.param(SIGNED.swapcase(), id="other-case"),
        pytest.param("ü\ud800", id="not-ascii"),
        pytest.param("A" * 100_000, id="huge"),
        pytest.param(signature("another-token", PUBLIC_URL + PATH, TEXT), id="other-token"),
    ],
)
def test_a_forged_signature_is_not_authentic(header: str | None) -> None:
    """Whatever stands in the header, it is refused without an exception."""
    assert not is_authentic(CONFIG, PUBLIC_URL, PATH, TEXT, header)


@pytest.mark.parametrize(
    "path", ["/inbound/shore/receipt", "/inbound/other/text", "", "@evil:99x/", "//[", "https://x", "/\ud800"]
)
def test_a_signature_is_good_for_its_own_address_only(path: str) -> None:
    """A signed text cannot be posted to another gateway's address, and odd paths raise nothing."""
    assert not is_authentic(CONFIG, PUBLIC_URL, path, TEXT, SIGNED)


@given(
    name=st.sampled_from([name for name, _ in TEXT] + ["NumMedia", ""]),
    value=st.text(max_size=30) | st.none(),
)
def test_any_changed_added_or_removed_field_spoils_the_signature(name: str, value: str | None) -> None:
    """Every field is covered."""
    changed = _with(TEXT, name, value)

    same_signed_bytes = sorted(set(changed)) == sorted(TEXT) or (name, value) == ("", "")
    assert is_authentic(CONFIG, PUBLIC_URL, PATH, changed, SIGNED) is (same_signed_bytes or changed == TEXT)


@given(fields=st.lists(st.tuples(st.text(max_size=10), st.text(max_size=40)), max_size=8))
def test_what_we_sign_ourselves_is_always_authentic(fields: list[tuple[str, str]]) -> None:
    """Any characters, empty values and repeated names."""
    signed = signature(CONFIG.token, PUBLIC_URL + PATH, fields)

    assert is_authentic(CONFIG, PUBLIC_URL, PATH, reversed(fields), signed)


def test_a_text_is_read_field_by_field() -> None:
    """Nothing of the body is changed: reading it is somebody else's work."""
    fields = [*_with(TEXT, "Body", "  Out 2\n"), ("NumMedia", "0")]

    assert read_text(CONFIG, fields, AT) == InboundText(
        gateway="shore",
        provider_id="SM1",
        sender="+447700900101",
        receiver="+447700900000",
        body="  Out 2\n",
        raw=dict(fields),
        received_at=AT,
    )


def test_an_empty_body_is_a_text() -> None:
    """A picture without words is something heard from that phone."""
    assert read_text(CONFIG, _with(TEXT, "Body", ""), AT).body == ""


@pytest.mark.parametrize(
    ("name", "value", "reason"),
    [
        ("From", None, "From is missing"),
        ("From", "", "From is missing"),
        ("From", " ", "From is missing"),
        ("From", "4" * 41, "From is too long or has characters that do not belong there"),
        ("From", "+44770\n0900101", "From is too long or has characters that do not belong there"),
        ("To", None, "To is missing"),
        ("To", "x" * 41, "To is too long or has characters that do not belong there"),
        ("Body", None, "Body is missing"),
        ("MessageSid", None, "MessageSid is missing"),
        ("MessageSid", "x" * 101, "MessageSid is too long or has characters that do not belong there"),
        ("MessageSid", "SM 1", "MessageSid is too long or has characters that do not belong there"),
        ("MessageSid", "SM\x001", "MessageSid is too long or has characters that do not belong there"),
    ],
)
def test_a_malformed_text_is_refused_with_its_reason(name: str, value: str | None, reason: str) -> None:
    """The reason names the field, for the log."""
    with pytest.raises(MalformedInbound) as refusal:
        read_text(CONFIG, _with(TEXT, name, value), AT)

    assert str(refusal.value) == reason


@pytest.mark.parametrize("name", ["From", "To", "Body", "MessageSid"])
def test_a_field_given_twice_must_not_contradict_itself(name: str) -> None:
    """Two senders or two bodies in one text are nobody's; the same twice is only said twice."""
    once = dict(TEXT)[name]

    assert read_text(CONFIG, [*TEXT, (name, once)], AT).provider_id == "SM1"
    with pytest.raises(MalformedInbound, match=f"^{name} is given more than once, with different values$"):
        read_text(CONFIG, [*TEXT, (name, "+447700900999")], AT)


def test_nothing_at_all_is_malformed() -> None:
    """An empty form is refused like any other half of one."""
    with pytest.raises(MalformedInbound, match=r"^From is missing$"):
        read_text(CONFIG, [], AT)


@pytest.mark.parametrize(
    ("length", "kept", "characters_cut"),
    [(1599, 1599, 0), (1600, 1600, 0), (1601, 1560, 41), (60_000, 1560, 58_440)],
)
def test_a_long_body_is_cut_and_says_so(
    length: int, kept: int, characters_cut: int, caplog: pytest.LogCaptureFixture
) -> None:
    """Up to 1,600 characters a body is whole; beyond, the cut is in the body, the record and the log."""
    text = read_text(CONFIG, _with(TEXT, "Body", "x" * length), AT)

    assert text.body.count("x") == kept
    assert len(text.body) <= BODY_CHARACTERS_MAX
    assert text.raw["Body"] == text.body
    assert int(text.raw.get(CUT_NOTE, 0)) == characters_cut
    assert [record.msg for record in caplog.records] == ([INBOUND_TEXT_CUT] if characters_cut else [])


def test_a_cut_body_never_looks_like_a_whole_one() -> None:
    """What stands after two thousand spaces may be the point; the first word must not be read as all."""
    text = read_text(CONFIG, _with(TEXT, "Body", "out" + " " * 2000 + "of air"), AT)

    assert text.body.endswith("[cut here: 449 more characters]")


@pytest.mark.parametrize(
    ("body", "stored"),
    [
        pytest.param("out\x00", "out", id="padding"),
        pytest.param("\x00out\x00\x00", "out", id="padding-both-ends"),
        pytest.param("no\x00t out", "no\ufffdt out", id="nul-inside"),
        pytest.param("out \ud83d", "out \ufffd", id="half-a-pair"),
        pytest.param("\udc00out", "\ufffdout", id="other-half"),
        pytest.param("out 👍", "out 👍", id="whole-pair"),
    ],
)
def test_what_a_database_refuses_is_taken_out_of_a_body(body: str, stored: str) -> None:
    """A lost character keeps its place, so that a damaged text does not become a whole one."""
    text = read_text(CONFIG, _with(TEXT, "Body", body), AT)

    assert (text.body, text.raw["Body"]) == (stored, stored)


@given(fields=st.lists(st.tuples(st.sampled_from(["From", "Body", "x"]), st.text(max_size=50)), max_size=5))
def test_every_form_is_read_or_refused_and_can_be_stored(fields: list[tuple[str, str]]) -> None:
    """No bytes of a stranger end in any other exception, nor in something that cannot be written down."""
    try:
        text = read_text(CONFIG, [("To", "1"), ("MessageSid", "1"), *fields], AT)
    except MalformedInbound as refusal:
        assert str(refusal)  # noqa: PT017 - either is right, and both are looked at
    else:
        stored = text.body + "".join(text.raw) + "".join(text.raw.values())
        assert "\x00" not in stored
        assert stored.encode()


def test_the_record_of_a_huge_form_stays_small() -> None:
    """Ten thousand fields of any length are a nuisance, not a way to fill the disk."""
    many = [(f"{'n' * 200}{number}", "v" * 5000) for number in range(10_000)]

    raw = read_text(CONFIG, [*TEXT, *many], AT).raw

    assert sum(len(name) + len(value) for name, value in raw.items()) < 64 * 1024 * 2


def test_a_receipt_is_read_field_by_field() -> None:
    """The usual good news."""
    assert read_receipt(CONFIG, RECEIPT, AT) == DeliveryReceipt(
        gateway="shore",
        provider_id="SM2",
        state=ReceiptState.DELIVERED,
        code=None,
        blame=None,
        raw=dict(RECEIPT),
        received_at=AT,
    )


@pytest.mark.parametrize(
    ("word", "state"),
    [
        ("accepted", ReceiptState.SENT),
        ("scheduled", ReceiptState.SENT),
        ("queued", ReceiptState.SENT),
        ("sending", ReceiptState.SENT),
        ("sent", ReceiptState.SENT),
        ("Delivered", ReceiptState.DELIVERED),
        ("read", ReceiptState.DELIVERED),
        ("undelivered", ReceiptState.FAILED),
        ("failed", ReceiptState.FAILED),
        ("canceled", ReceiptState.FAILED),
    ],
)
def test_a_status_word_becomes_one_of_ours(word: str, state: ReceiptState, caplog: pytest.LogCaptureFixture) -> None:
    """Known words are read in any case, and quietly."""
    assert read_receipt(CONFIG, _with(RECEIPT, "MessageStatus", word), AT).state is state
    assert caplog.records == []


def test_an_unknown_status_word_is_kept_and_loud(caplog: pytest.LogCaptureFixture) -> None:
    """A word of next year is not taken for delivered, and somebody is told to look."""
    receipt = read_receipt(CONFIG, _with(RECEIPT, "MessageStatus", "partially_delivered"), AT)

    assert (receipt.state, receipt.unrecognised) == (ReceiptState.UNKNOWN, "partially_delivered")
    assert receipt.raw["MessageStatus"] == "partially_delivered"
    (record,) = caplog.records
    assert (record.msg, record.levelno) == (UNKNOWN_STATUS_WORD, logging.ERROR)
    assert record.status_word == "partially_delivered"


@pytest.mark.parametrize(
    ("word", "code", "read_code", "blame"),
    [
        pytest.param("failed", "30006", "30006", Blame.NUMBER, id="landline"),
        pytest.param("undelivered", "30003", "30003", Blame.TRANSIENT, id="out-of-reach"),
        pytest.param("undelivered", "30007", "30007", Blame.FILTERED, id="filtered"),
        pytest.param("failed", "21610", "21610", Blame.OPTED_OUT, id="opted-out"),
        pytest.param("failed", "", None, None, id="no-code"),
        pytest.param("failed", "0", None, None, id="zero"),
        pytest.param("delivered", "30006", "30006", None, id="delivered-all-the-same"),
    ],
)
def test_a_failed_receipt_says_what_it_is_about(
    word: str, code: str, read_code: str | None, blame: Blame | None
) -> None:
    """A failure with a known code has a blame; what did not fail has none."""
    fields = [("MessageSid", "SM2"), ("MessageStatus", word), ("ErrorCode", code)]

    receipt = read_receipt(CONFIG, fields, AT)

    assert (receipt.code, receipt.blame, receipt.unrecognised) == (read_code, blame, None)


def test_an_unknown_code_in_a_receipt_is_loud(caplog: pytest.LogCaptureFixture) -> None:
    """It stays a failure; only what it is about is not known."""
    fields = [("MessageSid", "SM2"), ("MessageStatus", "failed"), ("ErrorCode", "39999")]

    receipt = read_receipt(CONFIG, fields, AT)

    assert (receipt.state, receipt.code, receipt.blame) == (ReceiptState.FAILED, "39999", None)
    assert receipt.unrecognised == "39999"
    assert [record.msg for record in caplog.records] == [UNKNOWN_ERROR_CODE]


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ([], "MessageSid is missing"),
        ([("MessageSid", "SM2")], "MessageStatus is missing"),
        ([("MessageStatus", "sent")], "MessageSid is missing"),
        (
            [*RECEIPT, ("MessageStatus", "failed")],
            "MessageStatus is given more than once, with different values",
        ),
    ],
)
def test_a_malformed_receipt_is_refused_with_its_reason(fields: list[tuple[str, str]], reason: str) -> None:
    """A receipt that could be for any text, or say anything, is not guessed at."""
    with pytest.raises(MalformedInbound) as refusal:
        read_receipt(CONFIG, fields, AT)

    assert str(refusal.value) == reason


@pytest.mark.parametrize(("read", "fields"), [(read_text, TEXT), (read_receipt, RECEIPT)])
def test_a_naive_time_is_refused(read: object, fields: list[tuple[str, str]]) -> None:
    """A time without a zone never enters the record, whoever passes it."""
    naive = AT.replace(tzinfo=None)

    with pytest.raises(ValueError, match=r"^received_at has no time zone$"):
        read(CONFIG, fields, naive)


def test_a_form_off_the_wire_is_read_as_it_was_typed() -> None:
    """A plus, an ampersand and letters beyond ASCII survive the encoding of forms."""
    wire = "MessageSid=SM1&From=%2B447700900101&To=%2B447700900000&Body=Caf%C3%A9+%2B+1+%26+out"

    text = read_text(CONFIG, parse_qsl(wire, keep_blank_values=True), AT)

    assert (text.sender, text.body) == ("+447700900101", "Café + 1 & out")
