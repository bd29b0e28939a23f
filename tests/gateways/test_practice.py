"""The practice gateway speaks the same format as a real one, both ways."""

from __future__ import annotations

import base64
from datetime import UTC, datetime

import pytest

from service.gateways.answers import Answer
from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_inbound import SIGNATURE_HEADER, is_authentic, read_receipt, read_text
from service.gateways.form_post_outcome import outcome_of_answer
from service.gateways.practice import (
    PracticeAnswer,
    PracticeRequest,
    answer_accepted,
    check_request,
    inbound_fields,
    receipt_fields,
    signed_headers,
)
from service.operations.gateway import Accepted, Blame, ReceiptState, Refused

PUBLIC_URL = "http://127.0.0.1:8000"
AT = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
CONFIG = FormPostConfig("practice", PUBLIC_URL, "AC1", "token", "+447700900000")
FORM = {"To": "+447700900101", "From": "+447700900000", "Body": "Armed."}


def _login(account: str, token: str) -> str:
    return f"Basic {base64.b64encode(f'{account}:{token}'.encode()).decode()}"


def test_a_text_with_the_right_login_is_carried() -> None:
    """What the phones get is what was sent, with the address for a receipt if there is one."""
    with_callback = FORM | {"StatusCallback": f"{PUBLIC_URL}/inbound/practice/receipt"}

    assert check_request(_login("AC1", "token"), "AC1", "token", FORM) == PracticeRequest(
        "+447700900101", "+447700900000", "Armed.", None
    )
    carried = check_request(_login("AC1", "token"), "AC1", "token", with_callback)
    assert isinstance(carried, PracticeRequest)
    assert carried.status_callback == f"{PUBLIC_URL}/inbound/practice/receipt"


@pytest.mark.parametrize(
    "header",
    [None, "", "Basic", "Basic !", "Bearer token", _login("AC1", "other"), _login("AC2", "token"), "Basic é"],
)
def test_a_wrong_login_is_answered_as_a_real_gateway_would(header: str | None) -> None:
    """The sending side reads the answer as its own fault."""
    answer = check_request(header, "AC1", "token", FORM)

    assert isinstance(answer, PracticeAnswer)
    assert (answer.status, answer.document["code"]) == (401, 20003)


@pytest.mark.parametrize(("key", "code"), [("To", 21604), ("From", 21603), ("Body", 21602)])
def test_a_missing_field_is_answered_with_its_code(key: str, code: int) -> None:
    """Empty counts as missing."""
    answer = check_request(_login("AC1", "token"), "AC1", "token", FORM | {key: ""})

    assert isinstance(answer, PracticeAnswer)
    assert (answer.status, answer.document["code"]) == (400, code)


def test_its_answers_are_read_by_the_sending_side() -> None:
    """Accepted under its id, or refused with a known code."""
    accepted = answer_accepted("SM1")
    refused = check_request(None, "AC1", "token", FORM)
    assert isinstance(refused, PracticeAnswer)

    assert outcome_of_answer("practice", Answer(accepted.status, accepted.body())) == Accepted("SM1")
    outcome = outcome_of_answer("practice", Answer(refused.status, refused.body()))
    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.GATEWAY


def test_a_text_from_a_practice_phone_is_authentic_and_read() -> None:
    """A practice phone takes the same way in as a real one, signature included."""
    fields = inbound_fields(sid="SM2", sender="+447700900101", receiver="+447700900000", body="Out 2")
    headers = signed_headers("token", f"{PUBLIC_URL}/inbound/practice/text", fields)

    assert is_authentic(CONFIG, PUBLIC_URL, "/inbound/practice/text", fields, headers[SIGNATURE_HEADER])
    text = read_text(CONFIG, fields, AT)
    assert (text.provider_id, text.sender, text.receiver, text.body) == (
        "SM2",
        "+447700900101",
        "+447700900000",
        "Out 2",
    )


@pytest.mark.parametrize(
    ("status", "error_code", "state"),
    [("delivered", None, ReceiptState.DELIVERED), ("failed", "30006", ReceiptState.FAILED)],
)
def test_a_receipt_of_the_practice_gateway_is_read(status: str, error_code: str | None, state: ReceiptState) -> None:
    """A phone that is switched off in practice fails as a real one does."""
    receipt = read_receipt(CONFIG, receipt_fields(sid="SM1", status=status, error_code=error_code), AT)

    assert (receipt.provider_id, receipt.state, receipt.code) == ("SM1", state, error_code)
