"""What gateways post: stored before it is acknowledged, answered after, never lost, never believed unsigned."""

from __future__ import annotations

from urllib.parse import quote_plus, urlencode

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from service.domain.dive import Phase
from service.gateways.form_post_inbound import signature
from service.operations import inbound as inbound_operations
from service.store.tables import Base, InboundTextRow, MessageRow, ReceiptRow
from tests.web.installation import ANNA, GATEWAY, PUBLIC_URL, RECEIVING, Site

FORM = "application/x-www-form-urlencoded"


def fields(body: str, sid: str = "SM1", sender: str = ANNA) -> list[tuple[str, str]]:
    """A text as a gateway posts it."""
    return [("MessageSid", sid), ("From", sender), ("To", RECEIVING), ("Body", body)]


def post(
    client: FlaskClient,
    pairs: list[tuple[str, str]],
    *,
    path: str = "/inbound/shore/text",
    token: str = GATEWAY.token,
    signed_path: str | None = None,
) -> TestResponse:
    """Post form fields, signed for the public address; the answer is read to its end and closed, as a gateway would."""
    header = signature(token, PUBLIC_URL + (signed_path or path), pairs)
    body = urlencode(pairs, errors="surrogateescape").encode()
    answer = client.post(path, data=body, content_type=FORM, headers={"X-Twilio-Signature": header})
    answer.get_data()
    answer.close()
    return answer


def table(at: Site, row: type[Base]) -> list[Base]:
    """All rows of a table."""

    def work(session: Session) -> list[Base]:
        return list(session.execute(select(row)).scalars())

    return at.service.read(work)


def texts(at: Site) -> list[tuple[str, bool, str]]:
    """Body, authenticity and state of every stored text."""
    return [(row.body, row.authentic, row.state) for row in table(at, InboundTextRow)]  # type: ignore[attr-defined]


def test_a_signed_text_is_stored_and_answered(at: Site, client: FlaskClient) -> None:
    """The gateway hears 200 with an empty answer; the text has done its work once the answer has left."""
    dive = at.filed()

    answer = post(client, fields("IN"))

    assert (answer.status_code, answer.text, answer.mimetype) == (200, "<Response/>", "text/xml")
    assert texts(at) == [("IN", True, "answered")]
    assert at.now_of(dive).phase is Phase.IN_WATER


def test_the_gateway_is_answered_before_the_text_is_read(at: Site, client: FlaskClient) -> None:
    """When the answer begins to leave, the text is committed and nothing has been decided yet."""
    dive = at.filed()
    pairs = fields("IN")
    header = {"X-Twilio-Signature": signature(GATEWAY.token, f"{PUBLIC_URL}/inbound/shore/text", pairs)}

    answer = client.post("/inbound/shore/text", data=urlencode(pairs), content_type=FORM, headers=header)

    assert answer.status_code == 200
    assert texts(at) == [("IN", True, "stored")]
    assert at.now_of(dive).phase is Phase.FILED
    answer.close()
    assert at.now_of(dive).phase is Phase.IN_WATER


def test_the_same_text_twice_is_done_once(at: Site, client: FlaskClient) -> None:
    """A gateway that repeats itself hears 200 again, and nothing doubles."""
    at.filed()

    first, second = post(client, fields("IN")), post(client, fields("IN"))

    assert (first.status_code, second.status_code) == (200, 200)
    assert len(texts(at)) == 1


def test_a_text_that_cannot_be_answered_now_is_kept_for_the_sweep(
    at: Site, client: FlaskClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault after the commit reaches the log, not the gateway; the stored text is found again."""

    def broken(*_: object) -> None:
        raise RuntimeError("broken on purpose")

    dive = at.filed()
    with monkeypatch.context() as patched:
        patched.setattr(inbound_operations, "answer", broken)
        answer = post(client, fields("IN"))
    assert answer.status_code == 200
    assert texts(at) == [("IN", True, "stored")]
    assert "inbound.not_answered_yet" in [record.message for record in caplog.records]

    at.clock.forward(1)
    inbound_operations.answer_waiting(at.service)

    assert at.now_of(dive).phase is Phase.IN_WATER


@pytest.mark.parametrize("token", ["forged", ""])
def test_an_unsigned_text_is_refused_and_kept_apart(at: Site, client: FlaskClient, token: str) -> None:
    """403, the clock does not move, and the log still has what was tried."""
    dive = at.filed()
    post(client, fields("IN"))

    answer = post(client, fields("OUT", sid="SM2"), token=token)

    assert answer.status_code == 403
    assert at.now_of(dive).phase is Phase.IN_WATER
    assert ("OUT", False, "answered") not in texts(at)
    assert [(body, authentic) for body, authentic, _ in texts(at)] == [("IN", True), ("OUT", False)]


def test_a_forged_copy_does_not_shadow_the_real_text(at: Site, client: FlaskClient) -> None:
    """With the same id the signed text still counts."""
    dive = at.filed()

    post(client, fields("IN"), token="forged")
    post(client, fields("IN"))

    assert at.now_of(dive).phase is Phase.IN_WATER


def test_unsigned_texts_do_not_fill_the_database(at: Site, client: FlaskClient) -> None:
    """A flood is refused one by one, and only the first of a minute are kept; large ones never."""
    for number in range(30):
        assert post(client, fields("x", sid=f"F{number}"), token="forged").status_code == 403
    assert len(texts(at)) == 20

    at.clock.forward(2)
    assert post(client, fields("y" * 9000, sid="F-large"), token="forged").status_code == 403

    assert len(texts(at)) == 20


def test_the_previous_token_signs_too(at: Site, client: FlaskClient) -> None:
    """While a token is being changed nothing is lost."""
    assert post(client, fields("IN"), token="gateway-token-of-before").status_code == 200
    assert len(texts(at)) == 1


def test_the_signature_covers_path_and_query_as_they_came(at: Site, client: FlaskClient) -> None:
    """An encoded query is signed as it is on the wire, and another path is another signature."""
    path = "/inbound/shore/text?a=%2Fb&c=&c=%C3%A9"

    assert post(client, fields("IN"), path=path).status_code == 200
    assert post(client, fields("IN", sid="SM3"), path=path, signed_path="/inbound/shore/text").status_code == 403


@pytest.mark.parametrize(
    "odd", ["  OUT  ", "a+b&c=d", "", "caf\u00e9 \U0001f30a", "line\r\nline", "=", "tab\tend "], ids=repr
)
def test_a_body_is_signed_and_kept_with_nothing_trimmed(at: Site, client: FlaskClient, odd: str) -> None:
    """Blanks, breaks, signs and empty fields arrive as they were sent."""
    assert post(client, [*fields(odd), ("Empty", ""), ("Twice", "1"), ("Twice", "2")]).status_code == 200
    assert [body for body, _, _ in texts(at)] == [odd]


def test_bytes_that_are_no_utf8_are_kept_with_a_mark(at: Site, client: FlaskClient) -> None:
    """A damaged letter does not lose the text."""
    pairs = fields("OUT \udce9")

    assert post(client, pairs).status_code == 200
    assert [body for body, _, _ in texts(at)] == ["OUT \ufffd"]


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        ([("From", ANNA), ("To", RECEIVING), ("Body", "IN")], "MessageSid is missing"),
        ([("MessageSid", "SM1"), ("To", RECEIVING), ("Body", "IN")], "From is missing"),
        ([("MessageSid", "SM1"), ("From", ANNA), ("To", RECEIVING)], "Body is missing"),
        ([*fields("IN"), ("Body", "OUT")], "given more than once"),
        ([("MessageSid", "S" * 200), *fields("IN")[1:]], "too long"),
    ],
)
def test_a_signed_post_that_is_no_text_is_refused_with_the_reason(
    at: Site, client: FlaskClient, caplog: pytest.LogCaptureFixture, pairs: list[tuple[str, str]], words: str
) -> None:
    """400 says what is wrong, and so does the log."""
    answer = post(client, pairs)

    assert answer.status_code == 400
    assert words in answer.text
    assert "inbound.malformed" in [record.message for record in caplog.records]
    assert texts(at) == []


def test_a_body_of_more_than_64_kib_is_refused(at: Site, client: FlaskClient) -> None:
    """Even a signed one; nothing of it is stored."""
    assert post(client, fields("x" * 66_000)).status_code == 413
    assert texts(at) == []


def test_a_form_of_too_many_fields_is_refused(client: FlaskClient) -> None:
    """The work for one post is bounded."""
    assert post(client, [*fields("IN"), *((f"f{n}", "") for n in range(200))]).status_code == 400


@pytest.mark.parametrize("content_type", ["application/json", "multipart/form-data; boundary=x", "text/plain"])
def test_what_is_no_form_is_refused(client: FlaskClient, content_type: str) -> None:
    """415, before anything is read."""
    answer = client.post("/inbound/shore/text", data=b"{}", content_type=content_type)

    assert answer.status_code == 415


def test_gateways_sign_each_with_their_own_token(client: FlaskClient) -> None:
    """The practice gateway's token does not open the other's address."""
    assert post(client, fields("IN"), path="/inbound/practice/text", token="practice-token").status_code == 200
    assert post(client, fields("IN"), path="/inbound/shore/text", token="practice-token").status_code == 403


@pytest.mark.parametrize("path", ["/inbound/shore/text", "/inbound/shore/receipt"])
def test_with_the_database_away_the_gateway_is_asked_to_try_again(at: Site, client: FlaskClient, path: str) -> None:
    """Never a false 200: what is not committed is not acknowledged."""
    with at.service.engine.begin() as connection:
        for name in ("inbound_texts", "receipts"):
            connection.exec_driver_sql(f"ALTER TABLE {name} RENAME TO {name}_away")

    answer = post(client, [*fields("OUT"), ("MessageStatus", "delivered")], path=path)

    assert answer.status_code == 503
    assert answer.headers["Retry-After"] == "5"


def test_a_signed_receipt_is_kept_and_moves_its_message(at: Site, client: FlaskClient) -> None:
    """One for a message that we do not know yet is kept as well."""
    pairs = [("MessageSid", "PM7"), ("MessageStatus", "delivered")]

    answer = post(client, pairs, path="/inbound/shore/receipt")

    assert (answer.status_code, answer.text) == (200, "<Response/>")
    assert [row.provider_id for row in table(at, ReceiptRow)] == ["PM7"]  # type: ignore[attr-defined]


def test_an_unsigned_receipt_is_refused(at: Site, client: FlaskClient) -> None:
    """Nobody but the gateway says that a text has been delivered."""
    pairs = [("MessageSid", "PM7"), ("MessageStatus", "delivered")]

    assert post(client, pairs, path="/inbound/shore/receipt", token="forged").status_code == 403
    assert table(at, ReceiptRow) == []


def test_a_malformed_receipt_is_refused_with_the_reason(client: FlaskClient) -> None:
    """A receipt without a status says nothing."""
    answer = post(client, [("MessageSid", "PM7")], path="/inbound/shore/receipt")

    assert answer.status_code == 400
    assert "MessageStatus is missing" in answer.text


def test_a_reply_is_queued_for_the_sender(at: Site, client: FlaskClient) -> None:
    """A text that is not understood is answered, and the clock is untouched."""
    post(client, fields("what is the weather"))

    (message,) = table(at, MessageRow)
    assert message.phone == ANNA  # type: ignore[attr-defined]
    assert quote_plus(ANNA) == "%2B447700900101"


def test_an_unreadable_text_is_kept(at: Site, client: FlaskClient) -> None:
    """Nonsense from an unknown number is in the database like any other text."""
    post(client, fields("\x00\u202e\x07 ???", sender="+447700900777"))

    assert len(texts(at)) == 1
