"""Texts, parts and receipts as a json-post gateway posts them: authentic or forged, well formed or not."""

from __future__ import annotations

import base64
import json
import logging
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.gateways.answers import UNKNOWN_ERROR_CODE
from service.gateways.inbound_format import Doubt, Post
from service.gateways.json_post import JsonPostConfig
from service.gateways.json_post_codes import BLAME_BY_CODE
from service.gateways.json_post_inbound import JsonPostInbound
from service.gateways.posted_fields import BODY_CHARACTERS_MAX, MalformedInbound
from service.gateways.posted_words import CUT_NOTE, UNKNOWN_STATUS_WORD
from service.operations.gateway import Blame, DeliveryReceipt, ReceiptState, TextPart
from tests.fakes.json_gateway import SECRET, TOKEN, signed_headers

AT = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
OLD_SECRET = f"whsec_{base64.b64encode(b'the secret of before this one').decode()}"
CONFIG = JsonPostConfig(
    name="boathouse",
    base_url="https://boathouse.example.org",
    token=TOKEN,
    secret=SECRET,
    previous_secret=OLD_SECRET,
    sender="+447700900400",
)
HOME = JsonPostInbound(CONFIG)
TEXT = {"from": "+447700900101", "to": "+447700900400", "body": "Out 2"}


def post(
    document: object, *, secret: str = SECRET, webhook_id: str = "msg_1", at: datetime = AT, real_at: datetime = AT
) -> Post:
    """A post that was signed at one time, and arrives at another."""
    body = document if isinstance(document, bytes) else json.dumps(document).encode()
    headers = signed_headers(secret, body, webhook_id=webhook_id, timestamp=int(at.timestamp()))
    return Post("/inbound/boathouse/text", {k.lower(): v for k, v in headers.items()}, body, real_at)


def changed(one: Post, header: str, value: str | None) -> Post:
    """A post with another header, or without it."""
    headers = {name: given for name, given in one.headers.items() if name != header}
    return replace(one, headers=headers if value is None else headers | {header: value})


@pytest.mark.parametrize("secret", [SECRET, OLD_SECRET], ids=["present", "previous"])
def test_what_is_signed_with_a_secret_of_ours_is_believed(secret: str) -> None:
    """While the secret is being changed nothing is lost."""
    assert HOME.doubt(post(TEXT, secret=secret)) is None


def test_the_previous_secret_ends_with_its_setting() -> None:
    """Once the change is over only the present one counts."""
    home = JsonPostInbound(replace(CONFIG, previous_secret=None))

    assert home.doubt(post(TEXT, secret=OLD_SECRET)) == Doubt("webhook-signature is missing or wrong")


WRONG = "webhook-signature is missing or wrong"
ID_WRONG = "webhook-id is missing, or has spaces or full stops"
TIME_WRONG = "webhook-timestamp is missing, or is not in whole seconds since 1970"


@pytest.mark.parametrize(
    ("forged", "why"),
    [
        pytest.param(post(TEXT, secret=f"whsec_{'A' * 32}"), WRONG, id="another-secret"),
        pytest.param(replace(post(TEXT), body=post(TEXT).body + b" "), WRONG, id="another-body"),
        pytest.param(changed(post(TEXT), "webhook-id", "msg_2"), WRONG, id="another-id"),
        pytest.param(changed(post(TEXT), "webhook-timestamp", "1811840401"), WRONG, id="another-time"),
        pytest.param(changed(post(TEXT), "webhook-signature", None), WRONG, id="no-signature"),
        pytest.param(changed(post(TEXT), "webhook-signature", "v1,\udce9 \u00e9"), WRONG, id="no-base64"),
        pytest.param(changed(post(TEXT), "webhook-signature", TOKEN), WRONG, id="the-bearer-token"),
        pytest.param(changed(post(TEXT), "webhook-id", None), ID_WRONG, id="no-id"),
        pytest.param(post(TEXT, webhook_id="msg.1"), ID_WRONG, id="full-stop-in-id"),
        pytest.param(post(TEXT, webhook_id="msg 1"), ID_WRONG, id="blank-in-id"),
        pytest.param(post(TEXT, webhook_id="m" * 101), ID_WRONG, id="long-id"),
        pytest.param(changed(post(TEXT), "webhook-timestamp", None), TIME_WRONG, id="no-time"),
        pytest.param(changed(post(TEXT), "webhook-timestamp", "yesterday"), TIME_WRONG, id="a-word-for-a-time"),
        pytest.param(changed(post(TEXT), "webhook-timestamp", "1811840400.5"), TIME_WRONG, id="half-a-second"),
        pytest.param(changed(post(TEXT), "webhook-timestamp", "\u0661\u0662"), TIME_WRONG, id="other-digits"),
    ],
)
def test_a_forged_post_is_doubted_with_the_reason(forged: Post, why: str) -> None:
    """Whoever builds a gateway learns what is missing, and nobody how near they were."""
    assert HOME.doubt(forged) == Doubt(why)


@pytest.mark.parametrize(
    ("late", "why"),
    [
        (timedelta(minutes=5), None),
        (timedelta(minutes=-5), None),
        (timedelta(minutes=5, seconds=1), "webhook-timestamp is 301 s behind our clock"),
        (timedelta(minutes=-5, seconds=-1), "webhook-timestamp is 301 s ahead of our clock"),
        (timedelta(days=400), "webhook-timestamp is 34560000 s behind our clock"),
    ],
    ids=str,
)
def test_a_post_counts_for_five_minutes(late: timedelta, why: str | None) -> None:
    """One that is played again later is refused, and a phone whose clock is wrong is told by how much."""
    assert HOME.doubt(post(TEXT, real_at=AT + late)) == (None if why is None else Doubt(why, wrong_time=True))


def test_a_forged_post_is_not_told_what_our_clock_says() -> None:
    """The signature is looked at before the time."""
    assert HOME.doubt(post(TEXT, secret=f"whsec_{'A' * 32}", real_at=AT + timedelta(hours=1))) == Doubt(WRONG)


def test_a_text_is_read_with_what_was_signed() -> None:
    """The id that was signed is its id, so that the same post twice is one text."""
    text = HOME.text(post(TEXT, webhook_id="msg_77"), AT)

    assert (text.gateway, text.provider_id) == ("boathouse", "msg_77")
    assert (text.sender, text.receiver, text.body) == ("+447700900101", "+447700900400", "Out 2")
    assert (text.received_at, text.signed_at, text.part) == (AT, AT, None)
    assert text.raw == {"webhook-id": "msg_77", "webhook-timestamp": str(int(AT.timestamp())), **TEXT}


@pytest.mark.parametrize("reference", [7, "7"], ids=["number", "text"])
def test_a_part_of_a_long_text_says_which(reference: object) -> None:
    """Its reference may be a number or a text; a text of one part is whole."""
    part = {"reference": reference, "number": 2, "of": 3}

    assert HOME.text(post(TEXT | {"part": part}), AT).part == TextPart("7", 2, 3)
    assert HOME.text(post(TEXT | {"part": {"reference": reference, "number": 1, "of": 1}}), AT).part is None
    assert HOME.text(post(TEXT | {"part": None}), AT).part is None


def test_a_damaged_reference_of_a_part_can_be_kept() -> None:
    """Half of a pair of surrogates stands in no database and no file, and a 400 would be posted again for ever."""
    part = {"reference": "\ud800", "number": 1, "of": 2}

    assert HOME.text(post(TEXT | {"part": part}), AT).part == TextPart("\ufffd", 1, 2)


@pytest.mark.parametrize(
    ("document", "reason"),
    [
        pytest.param(b"", "the body is not JSON", id="nothing"),
        pytest.param(b"from=1&body=out", "the body is not JSON", id="a-form"),
        pytest.param(b"[" * 50_000, "the body is not JSON", id="nesting-without-end"),
        pytest.param([TEXT], "the body is not a JSON object", id="a-list"),
        pytest.param(b'{"body": "OUT", "body": "IN"}', "a name is given more than once in one object", id="twice"),
        pytest.param(b'{"part": {"of": 1, "of": 2}}', "a name is given more than once in one object", id="in-part"),
        *[
            pytest.param({k: v for k, v in TEXT.items() if k != name}, f"{name} is missing", id=f"no-{name}")
            for name in TEXT
        ],
        pytest.param(TEXT | {"body": None}, "body is missing", id="body-null"),
        pytest.param(TEXT | {"from": 447700900101}, "from must be a text, in quotes", id="from-a-number"),
        pytest.param(TEXT | {"body": ["OUT"]}, "body must be a text, in quotes", id="body-a-list"),
        pytest.param(
            TEXT | {"to": "x" * 41}, "to is too long or has characters that do not belong there", id="to-long"
        ),
        pytest.param(TEXT | {"part": 2}, "part must be an object with reference, number and of", id="part-a-number"),
        *[
            pytest.param(
                TEXT | {"part": {"reference": 7, "number": 1, "of": 2} | wrong},
                "the number of a part must be from 1 to how many there are, which is 255 at most",
                id=f"part-{wrong}",
            )
            for wrong in (
                {"number": 0},
                {"number": 3},
                {"of": 0},
                {"of": 256},
                {"of": "2"},
                {"number": True},
                {"of": None},
            )
        ],
        pytest.param(
            TEXT | {"part": {"number": 1, "of": 2}},
            "the reference of a part must be a number or a text",
            id="no-reference",
        ),
        pytest.param(
            TEXT | {"part": {"reference": "", "number": 1, "of": 2}},
            "the reference of a part must be short",
            id="empty-reference",
        ),
    ],
)
def test_what_is_no_text_is_refused_with_the_reason(document: object, reason: str) -> None:
    """The reason says what would be right."""
    with pytest.raises(MalformedInbound) as fault:
        HOME.text(post(document), AT)

    assert str(fault.value) == reason


def test_a_damaged_letter_does_not_lose_the_text() -> None:
    """Bytes that are no UTF-8, NULs and halves of pairs are kept with a mark in their place."""
    damaged = b'{"from": "+447700900101", "to": "+447700900400", "body": "OUT \xe9 \\u0000. \\ud83d"}'

    assert HOME.text(post(damaged), AT).body == "OUT \ufffd \ufffd. \ufffd"


def test_a_body_beyond_the_limit_is_cut_and_says_so() -> None:
    """What is kept never looks like a whole text."""
    text = HOME.text(post(TEXT | {"body": "OUT " * 1000}), AT)

    assert len(text.body) <= BODY_CHARACTERS_MAX
    assert text.body.endswith("more characters]")
    assert int(text.raw[CUT_NOTE]) > 2000


@given(st.dictionaries(st.text(max_size=10), st.recursive(st.none() | st.booleans() | st.text(), st.lists), max_size=8))
def test_whatever_else_is_posted_is_kept_or_refused(more: dict[str, object]) -> None:
    """No document breaks the reader, and nothing in it takes the place of what was signed."""
    document = more | {"webhook-id": "msg_other"} | TEXT

    try:
        text = HOME.text(post(document), AT)
    except MalformedInbound:
        return
    assert text.provider_id == "msg_1"


@pytest.mark.parametrize(
    ("word", "code", "state", "blame"),
    [
        ("sent", None, ReceiptState.SENT, None),
        ("delivered", None, ReceiptState.DELIVERED, None),
        ("Delivered", "not_delivered", ReceiptState.DELIVERED, None),
        ("failed", None, ReceiptState.FAILED, None),
        *[("failed", code, ReceiptState.FAILED, blame) for code, blame in BLAME_BY_CODE.items()],
    ],
)
def test_a_receipt_is_read_in_our_words(word: str, code: str | None, state: ReceiptState, blame: Blame | None) -> None:
    """Each status word and each code of the guide."""
    document = {"id": "home-1", "status": word} | ({} if code is None else {"code": code})

    receipt = HOME.receipt(post(document), AT)

    assert isinstance(receipt, DeliveryReceipt)
    assert (receipt.gateway, receipt.provider_id, receipt.received_at) == ("boathouse", "home-1", AT)
    assert (receipt.state, receipt.code, receipt.blame) == (state, code, blame)
    assert receipt.raw["status"] == word


@pytest.mark.parametrize(
    ("document", "event", "state"),
    [
        ({"id": "home-1", "status": "lost"}, UNKNOWN_STATUS_WORD, ReceiptState.UNKNOWN),
        ({"id": "home-1", "status": "failed", "code": "eaten"}, UNKNOWN_ERROR_CODE, ReceiptState.FAILED),
    ],
)
def test_an_unknown_word_or_code_is_loud_and_alarming(
    caplog: pytest.LogCaptureFixture, document: dict[str, str], event: str, state: ReceiptState
) -> None:
    """It is never taken for delivered, and writes no phone off."""
    receipt = HOME.receipt(post(document), AT)

    assert (receipt.state, receipt.blame) == (state, None)
    assert event in [record.message for record in caplog.records if record.levelno == logging.ERROR]


@pytest.mark.parametrize(
    ("document", "reason"),
    [
        ({"status": "sent"}, "id is missing"),
        ({"id": "home-1"}, "status is missing"),
        ({"id": 5, "status": "sent"}, "id must be a text, in quotes"),
        ({"id": "two words", "status": "sent"}, "id is too long or has characters that do not belong there"),
        ({"id": "home-1", "status": "sent", "code": 7}, "code must be a text, in quotes"),
    ],
)
def test_what_is_no_receipt_is_refused_with_the_reason(document: dict[str, object], reason: str) -> None:
    """The reason says what would be right."""
    with pytest.raises(MalformedInbound) as fault:
        HOME.receipt(post(document), AT)

    assert str(fault.value) == reason
