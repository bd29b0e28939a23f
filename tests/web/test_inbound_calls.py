"""What gateways post about calls: a key is an answer and is kept before it is thanked for; any other end is none."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlencode
from xml.etree.ElementTree import Element

import pytest
from defusedxml.ElementTree import fromstring
from flask.testing import FlaskClient
from sqlalchemy import select
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from service.domain.dive import Phase
from service.gateways.form_post_inbound import signature
from service.store.tables import ReceiptRow
from tests.web.calls import CALL_SID, Called, at_distress, call_of, hand_over, handed_call
from tests.web.installation import GATEWAY, PUBLIC_URL, Site

FORM = "application/x-www-form-urlencoded"

Post = Callable[..., TestResponse]
Pairs = list[tuple[str, str]]


@pytest.fixture
def called(at: Site) -> Called:
    """A call at distress that the gateway has taken."""
    return handed_call(at)


@pytest.fixture
def post(client: FlaskClient) -> Post:
    """Post form fields, signed for the public address."""

    def send(path: str, pairs: Pairs, *, token: str = GATEWAY.token, signed_path: str | None = None) -> TestResponse:
        header = signature(token, PUBLIC_URL + (signed_path or path), pairs)
        return client.post(path, data=urlencode(pairs), content_type=FORM, headers={"X-Twilio-Signature": header})

    return send


def key(digits: str) -> Pairs:
    """A key as a gateway posts it."""
    return [("CallSid", CALL_SID), ("CallStatus", "in-progress"), ("Digits", digits)]


def ended(word: str) -> Pairs:
    """An end as a gateway posts it."""
    return [("CallSid", CALL_SID), ("CallStatus", word), ("CallDuration", "20")]


def spoken(answer: TestResponse) -> list[Element]:
    """The instructions in an answer."""
    assert (answer.status_code, answer.mimetype) == (200, "text/xml")
    return list(fromstring(answer.text))


def receipts(at: Site) -> list[tuple[str, str | None, str | None]]:
    """State, code and message of every receipt, first to last."""

    def work(session: Session) -> list[tuple[str, str | None, str | None]]:
        found = select(ReceiptRow.state, ReceiptRow.code, ReceiptRow.message_id).order_by(ReceiptRow.id)
        return [(row.state, row.code, row.message_id) for row in session.execute(found)]

    return at.service.read(work)


def who_has_it(at: Site, called: Called) -> list[str]:
    """Who has answered the alarm."""
    return [told.key for told in at.now_of(called.dive).acknowledged]


def test_key_1_is_an_answer(at: Site, called: Called, post: Post) -> None:
    """The contact has the alarm, the call counts as delivered, and the voice thanks and says what to do."""
    say, hangup = spoken(post(f"{called.path}/key", key("1")))

    assert (say.tag, hangup.tag) == ("Say", "Hangup")
    assert str(say.text).startswith("Thank you. You have it.")
    assert who_has_it(at, called) == ["contact-0"]
    assert call_of(at, called.dive).state == "delivered"


def test_the_same_key_twice_is_as_once(at: Site, called: Called, post: Post) -> None:
    """A gateway that repeats itself hears the same."""
    first, second = post(f"{called.path}/key", key("1")), post(f"{called.path}/key", key("1"))

    assert first.text == second.text
    assert len(who_has_it(at, called)) == 1


@pytest.mark.parametrize("other", ["2", "0", "*", "#", "9"])
def test_another_key_is_no_answer_and_hears_the_message_again(at: Site, called: Called, post: Post, other: str) -> None:
    """The message is asked again, behind words about the key, and the search goes on."""
    gather, goodbye, _ = spoken(post(f"{called.path}/key", key(other)))

    assert gather.attrib["action"] == f"{PUBLIC_URL}{called.path}/key"
    assert str(gather.findtext("Say")).endswith(called.message.body)
    assert str(gather.findtext("Say")) != called.message.body
    assert goodbye.tag == "Say"
    assert who_has_it(at, called) == []
    assert call_of(at, called.dive).state == "handed"


def test_key_1_after_another_key_is_an_answer(at: Site, called: Called, post: Post) -> None:
    """Whoever missed the key once is not lost."""
    post(f"{called.path}/key", key("2"))
    post(f"{called.path}/key", key("1"))

    assert who_has_it(at, called) == ["contact-0"]


def test_a_key_before_we_know_the_call_is_an_answer(at: Site, post: Post) -> None:
    """The address names the message, so it may overtake our own commit, and the end that waited is no news."""
    dive = at_distress(at)
    called = Called(dive, call_of(at, dive))

    spoken(post(f"{called.path}/key", key("1")))
    post(f"{called.path}/status", ended("completed"))

    assert who_has_it(at, called) == ["contact-0"]
    assert call_of(at, dive).state == "delivered"


@pytest.mark.parametrize(
    ("word", "code"),
    [
        ("completed", "call-no-key"),
        ("busy", "call-busy"),
        ("no-answer", "call-no-answer"),
        ("failed", "call-failed"),
        ("canceled", "call-canceled"),
    ],
)
def test_a_call_that_ends_without_a_key_has_failed(at: Site, called: Called, post: Post, word: str, code: str) -> None:
    """Voicemail and no answer are not answers; the receipt is kept and the contact counts as not reached."""
    answer = post(f"{called.path}/status", ended(word))

    assert (answer.status_code, answer.text) == (200, "<Response/>")
    assert receipts(at) == [("failed", code, called.message.id)]
    assert call_of(at, called.dive).state == "failed"
    assert who_has_it(at, called) == []


@pytest.mark.parametrize("word", ["queued", "initiated", "ringing", "in-progress"])
def test_a_call_under_way_has_neither_failed_nor_been_heard(at: Site, called: Called, post: Post, word: str) -> None:
    """It is kept, and nothing follows from it."""
    post(f"{called.path}/status", ended(word))

    assert receipts(at) == [("sent", None, called.message.id)]
    assert call_of(at, called.dive).state == "handed"


@pytest.mark.parametrize("order", [("key", "status"), ("status", "key"), ("status", "status", "key", "status")])
def test_a_key_stands_in_whatever_order_things_come(
    at: Site, called: Called, post: Post, order: tuple[str, ...]
) -> None:
    """A call ends after its key, and the two may come in either order, and twice."""
    for what in order:
        post(f"{called.path}/{what}", key("1") if what == "key" else ended("completed"))

    assert who_has_it(at, called) == ["contact-0"]
    assert call_of(at, called.dive).state == "delivered"


def test_an_end_before_our_own_commit_waits_for_it(at: Site, post: Post) -> None:
    """Kept without a message until the gateway's id is known."""
    dive = at_distress(at)
    message = call_of(at, dive)

    post(f"/inbound/shore/call/{message.id}/status", ended("no-answer"))

    assert receipts(at) == [("failed", "call-no-answer", None)]
    hand_over(at, message)
    assert call_of(at, dive).state == "handed"


def test_a_key_after_the_dive_has_closed_changes_nothing(at: Site, called: Called, post: Post) -> None:
    """The voice says that it is over."""
    client = at.app.test_client()
    out = [("MessageSid", "SM1"), ("From", "+447700900101"), ("To", "+447700900000"), ("Body", "OUT 2")]
    header = {"X-Twilio-Signature": signature(GATEWAY.token, f"{PUBLIC_URL}/inbound/shore/text", out)}
    with client.post("/inbound/shore/text", data=urlencode(out), content_type=FORM, headers=header) as answer:
        answer.get_data()
    assert at.now_of(called.dive).phase is Phase.CLOSED

    say, _ = spoken(post(f"{called.path}/key", key("1")))

    assert "over" in str(say.text)
    assert who_has_it(at, called) == []


def test_a_key_of_an_unknown_call_is_answered_and_loud(at: Site, post: Post, caplog: pytest.LogCaptureFixture) -> None:
    """After a restore from a backup a person may hold a call that we do not know: what they heard still holds."""
    say, hangup = spoken(post("/inbound/shore/call/none/key", key("1")))

    assert (say.tag, hangup.tag) == ("Say", "Hangup")
    assert "key_in_unknown_call" in [record.message for record in caplog.records]


@pytest.mark.parametrize("what", ["key", "status"])
@pytest.mark.parametrize("token", ["forged", "practice-token", ""])
def test_what_is_not_signed_by_its_gateway_is_refused(
    at: Site, called: Called, post: Post, caplog: pytest.LogCaptureFixture, what: str, token: str
) -> None:
    """Nobody but the gateway says that somebody pressed a key, or that nobody did."""
    pairs = key("1") if what == "key" else ended("busy")

    answer = post(f"{called.path}/{what}", pairs, token=token)

    assert answer.status_code == 403
    assert receipts(at) == []
    assert who_has_it(at, called) == []
    assert "inbound.unauthentic" in [record.message for record in caplog.records]


def test_a_signature_for_one_call_does_not_open_another(at: Site, called: Called, post: Post) -> None:
    """The address is signed too, so a key cannot be moved to another contact's call."""
    answer = post(f"{called.path}/key", key("1"), signed_path="/inbound/shore/call/other/key")

    assert answer.status_code == 403
    assert who_has_it(at, called) == []


@pytest.mark.parametrize(
    ("what", "pairs", "words"),
    [
        ("key", [("CallSid", "CA1")], "Digits is missing"),
        ("key", [("Digits", "1")], "CallSid is missing"),
        ("status", [("CallSid", "CA1")], "CallStatus is missing"),
    ],
)
def test_what_cannot_be_read_is_refused_with_the_reason(
    called: Called, post: Post, what: str, pairs: Pairs, words: str
) -> None:
    """400, as for texts."""
    answer = post(f"{called.path}/{what}", pairs)

    assert (answer.status_code, answer.text) == (400, words)


@pytest.mark.parametrize("what", ["key", "status"])
def test_limits_are_those_of_texts(client: FlaskClient, post: Post, what: str) -> None:
    """An unknown gateway, another type, too many fields, too large a body."""
    path = f"/inbound/shore/call/m/{what}"

    assert post(f"/inbound/other/call/m/{what}", key("1")).status_code == 404
    assert client.post(path, data=b"{}", content_type="application/json").status_code == 415
    assert post(path, [(f"f{n}", "") for n in range(200)]).status_code == 400
    assert post(path, [("CallSid", "x" * 66_000)]).status_code == 413
    assert client.get(path).status_code == 405


def test_with_the_database_away_a_key_is_not_thanked_for(at: Site, called: Called, post: Post) -> None:
    """What is kept nowhere is not acknowledged: the gateway hears 503 and the call counts as unanswered."""
    with at.service.engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE receipts RENAME TO receipts_away")

    assert post(f"{called.path}/key", key("1")).status_code == 503
    assert post(f"{called.path}/status", ended("busy")).status_code == 503
