"""The practice gateway's calls: made as a real one would, or refused with a real one's code."""

from __future__ import annotations

import base64

import pytest

from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_inbound_calls import read_call_status, read_key
from service.gateways.practice import (
    PracticeAnswer,
    PracticeCall,
    Spoken,
    call_status_fields,
    check_call,
    key_fields,
    read_spoken,
)
from service.operations.gateway import ReceiptState
from tests.operations.stage import BEGIN_AT

LOGIN = f"Basic {base64.b64encode(b'AC1:token').decode()}"
KEY_URL = "http://127.0.0.1:8000/inbound/practice/call/m1/key"
ASKING = (
    f'<Response><Gather action="{KEY_URL}"><Say>Anna Holt is  overdue.</Say><Say>Press 1.</Say></Gather></Response>'
)
FORM = {"To": "+447700900101", "From": "+447700900000", "Twiml": ASKING, "StatusCallback": "http://127.0.0.1:8000/s"}
CONFIG = FormPostConfig("practice", "http://127.0.0.1:8000", "AC1", "token", "+447700900000")


def test_a_call_is_made_with_what_it_says_and_where_its_key_goes() -> None:
    """As the phone on the page speaks it."""
    assert check_call(LOGIN, "AC1", "token", FORM) == PracticeCall(
        "+447700900101", "+447700900000", "Anna Holt is overdue. Press 1.", KEY_URL
    )


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"To": ""}, 21201),
        ({"From": ""}, 21213),
        ({"Twiml": ""}, 21205),
        ({"StatusCallback": ""}, 21205),
        ({"Twiml": "<Response><Say>"}, 12100),
        ({"Twiml": '<!DOCTYPE x [<!ENTITY a "b">]><Response>&a;</Response>'}, 12100),
        ({"Twiml": "<Response><Say>Nobody is asked.</Say></Response>"}, 21205),
    ],
)
def test_a_call_that_cannot_be_made_is_refused_with_its_code(changes: dict[str, str], code: int) -> None:
    """A missing field, a document that cannot be read, and one that asks for no key."""
    answer = check_call(LOGIN, "AC1", "token", FORM | changes)

    assert isinstance(answer, PracticeAnswer)
    assert (answer.status, answer.document["code"]) == (400, code)


def test_a_call_with_a_wrong_login_is_not_made() -> None:
    """As for texts."""
    answer = check_call(None, "AC1", "token", FORM)

    assert isinstance(answer, PracticeAnswer)
    assert answer.status == 401


def test_what_closes_a_call_is_spoken_and_asks_for_nothing() -> None:
    """The words after a key."""
    assert read_spoken("<Response><Say>Thank you.</Say></Response>") == Spoken("Thank you.", None)


def test_a_key_and_the_end_of_a_call_are_read_by_the_service() -> None:
    """Both ways it is the format of a real gateway."""
    pressed = read_key(key_fields(sid="CA1", key="1"), BEGIN_AT)
    ended = read_call_status(CONFIG, call_status_fields(sid="CA1", status="no-answer"), BEGIN_AT)

    assert (pressed.key, pressed.provider_id) == ("1", "CA1")
    assert (ended.provider_id, ended.state) == ("CA1", ReceiptState.FAILED)
