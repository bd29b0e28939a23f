"""From exceptions and HTTP answers to outcomes: every exception of the libraries, every code and status."""

from __future__ import annotations

import inspect
import json
import logging

import httpcore
import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.gateways.answers import (
    UNFORESEEN_FAULT,
    UNKNOWN_ERROR_CODE,
    Answer,
    outcome_of_fault,
    retry_after_s,
)
from service.gateways.form_post_codes import BLAME_BY_CODE, blame_for
from service.gateways.form_post_outcome import outcome_of_answer
from service.operations.gateway import Accepted, Blame, Refused, Unknown

NOT_SENT = {
    "ConnectError",
    "ConnectTimeout",
    "PoolTimeout",
    "ProxyError",
    "UnsupportedProtocol",
    "LocalProtocolError",
    "InvalidURL",
    "ConnectionNotAvailable",
}
PERHAPS_SENT = {
    "CloseError",
    "CookieConflict",
    "DecodingError",
    "HTTPError",
    "HTTPStatusError",
    "NetworkError",
    "ProtocolError",
    "ReadError",
    "ReadTimeout",
    "RemoteProtocolError",
    "RequestError",
    "RequestNotRead",
    "ResponseNotRead",
    "StreamClosed",
    "StreamConsumed",
    "StreamError",
    "TimeoutException",
    "TooManyRedirects",
    "TransportError",
    "WriteError",
    "WriteTimeout",
}


def _exceptions(library: object) -> list[type[Exception]]:
    return [
        member
        for _, member in inspect.getmembers(library, inspect.isclass)
        if issubclass(member, Exception) and not issubclass(member, Warning)
    ]


LIBRARY_EXCEPTIONS = [*_exceptions(httpx), *_exceptions(httpcore)]


def _raised(kind: type[Exception]) -> Exception:
    """Return an exception of this kind; what its constructor wants does not matter here."""
    fault = kind.__new__(kind)
    Exception.__init__(fault, "what went wrong")
    return fault


@pytest.mark.parametrize("kind", LIBRARY_EXCEPTIONS, ids=lambda kind: f"{kind.__module__}.{kind.__name__}")
def test_every_exception_of_the_http_libraries_has_its_outcome(
    kind: type[Exception], caplog: pytest.LogCaptureFixture
) -> None:
    """An exception is either certain not to have sent anything, or unknown; a new one is in neither list."""
    outcome = outcome_of_fault("shore", _raised(kind))

    assert (kind.__name__ in NOT_SENT) != (kind.__name__ in PERHAPS_SENT), "decide what this one means"
    if kind.__name__ in NOT_SENT:
        assert isinstance(outcome, Refused)
        assert outcome.blame is Blame.TRANSIENT
    else:
        assert isinstance(outcome, Unknown)
    assert UNFORESEEN_FAULT not in caplog.messages


def test_the_lists_hold_no_exception_that_does_not_exist() -> None:
    """A name that the libraries dropped is dropped here too."""
    assert {kind.__name__ for kind in LIBRARY_EXCEPTIONS} == NOT_SENT | PERHAPS_SENT


def test_any_other_exception_is_unknown_and_loud(caplog: pytest.LogCaptureFixture) -> None:
    """What nobody thought of may have come after sending, and somebody has to look at it."""
    outcome = outcome_of_fault("shore", ZeroDivisionError("odd"))

    assert isinstance(outcome, Unknown)
    (record,) = caplog.records
    assert (record.msg, record.levelno) == (UNFORESEEN_FAULT, logging.ERROR)
    assert (record.gateway, record.fault) == ("shore", "ZeroDivisionError")


@pytest.mark.parametrize(("code", "blame"), BLAME_BY_CODE.items())
@pytest.mark.parametrize("written", [int, str], ids=["as-number", "as-text"])
def test_a_known_code_decides_the_blame(
    code: str, blame: Blame, written: type, caplog: pytest.LogCaptureFixture
) -> None:
    """The code in the error document is more exact than the status, and known ones are not loud."""
    body = json.dumps({"status": 400, "code": written(code), "message": "no"}).encode()

    assert outcome_of_answer("shore", Answer(400, body)) == Refused(blame, code, "HTTP 400: no")
    assert caplog.records == []


@pytest.mark.parametrize(
    ("status", "blame"),
    [
        (401, Blame.GATEWAY),
        (402, Blame.GATEWAY),
        (403, Blame.GATEWAY),
        (404, Blame.GATEWAY),
        (405, Blame.GATEWAY),
        (407, Blame.GATEWAY),
        (410, Blame.GATEWAY),
        (408, Blame.TRANSIENT),
        (425, Blame.TRANSIENT),
        (429, Blame.THROTTLED),
        (301, Blame.GATEWAY),
        (307, Blame.GATEWAY),
        (308, Blame.GATEWAY),
    ],
)
def test_without_a_code_the_status_decides(status: int, blame: Blame, caplog: pytest.LogCaptureFixture) -> None:
    """A known status with a page for people, or with nothing, is refused with its blame."""
    for body in (b"", b"<html>no</html>", b"[]", b"null"):
        outcome = outcome_of_answer("shore", Answer(status, body))

        assert isinstance(outcome, Refused)
        assert (outcome.blame, outcome.code) == (blame, f"http-{status}")
    assert caplog.records == []


@pytest.mark.parametrize("status", [100, 199, 204, 206, 300, 302, 303, 304, 500, 502, 503, 504, 599, 600, 999])
def test_a_status_that_does_not_say_whether_is_unknown(status: int) -> None:
    """Neither a server's fault nor an empty success nor "see other" tells whether the text was taken."""
    assert isinstance(outcome_of_answer("shore", Answer(status, b"")), Unknown)


def test_a_server_fault_stays_unknown_even_with_a_known_code() -> None:
    """A 5xx that names a code has still lost control of what it did."""
    assert isinstance(outcome_of_answer("shore", Answer(500, b'{"code": 21211}')), Unknown)


@pytest.mark.parametrize(
    ("status", "code", "blame"),
    [
        pytest.param(400, 99999, Blame.TRANSIENT, id="unknown-code"),
        pytest.param(418, None, Blame.TRANSIENT, id="unknown-status"),
        pytest.param(403, 99999, Blame.GATEWAY, id="unknown-code-known-status"),
    ],
)
def test_an_unknown_refusal_is_loud_and_writes_off_no_phone(
    status: int, code: int | None, blame: Blame, caplog: pytest.LogCaptureFixture
) -> None:
    """What is in no table is tried again, and logged as an error with the facts as fields."""
    body = json.dumps({} if code is None else {"code": code}).encode()

    outcome = outcome_of_answer("shore", Answer(status, body))

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.unrecognised) == (blame, "http-418" if code is None else "99999")
    (record,) = caplog.records
    assert (record.msg, record.levelno) == (UNKNOWN_ERROR_CODE, logging.ERROR)
    assert (record.gateway, record.status) == ("shore", status)
    assert record.code == (None if code is None else str(code))


@pytest.mark.parametrize("status", [200, 201, 202])
@pytest.mark.parametrize(
    "document",
    [
        {"sid": "SM1", "status": "queued"},
        {"sid": "SM1", "status": "accepted", "error_code": None},
        {"sid": "SM1", "status": "a word of next year", "error_code": 0},
        {"sid": "SM1"},
    ],
)
def test_a_success_that_names_the_text_is_accepted(status: int, document: dict[str, object]) -> None:
    """The id is what counts."""
    assert outcome_of_answer("shore", Answer(status, json.dumps(document).encode())) == Accepted("SM1")


@pytest.mark.parametrize("alphabet", ["utf-8", "utf-8-sig", "latin-1", "cp1252", "utf-16"])
def test_words_in_another_alphabet_do_not_hide_the_id(alphabet: str) -> None:
    """A server that gives our own words back in an old alphabet has taken the text: it is not sent again and again."""
    body = '{"sid": "SM1", "status": "queued", "body": "\u00dcberf\u00e4llig: Bj\u00f6rn"}'.encode(alphabet)

    assert outcome_of_answer("shore", Answer(201, body)) == Accepted("SM1")


@pytest.mark.parametrize("sid", [None, "", " ", 12, True, [], {}, "two words", "x" * 101, "\ud800", "naïve"])
def test_a_success_without_a_usable_id_is_unknown(sid: object) -> None:
    """A text that was taken but cannot be matched with its receipt is not called accepted."""
    body = json.dumps({"sid": sid, "status": "queued"}).encode()

    assert isinstance(outcome_of_answer("shore", Answer(201, body)), Unknown)


@pytest.mark.parametrize(
    ("document", "blame", "code"),
    [
        pytest.param({"code": 21610, "message": "no"}, Blame.OPTED_OUT, "21610", id="error-document-with-200"),
        pytest.param({"sid": "SM1", "status": "failed", "error_code": 30006}, Blame.NUMBER, "30006", id="failed"),
        pytest.param({"sid": "SM1", "status": "undelivered"}, Blame.TRANSIENT, "http-200", id="no-code"),
        pytest.param({"sid": "SM1", "status": "Failed"}, Blame.TRANSIENT, "http-200", id="in-capitals"),
    ],
)
def test_a_success_that_says_it_failed_is_refused(document: dict[str, object], blame: Blame, code: str) -> None:
    """HTTP 200 around an error is no success."""
    outcome = outcome_of_answer("shore", Answer(200, json.dumps(document).encode()))

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (blame, code)


def test_a_success_with_both_an_id_and_an_error_is_unknown() -> None:
    """An answer that contradicts itself decides nothing."""
    body = json.dumps({"sid": "SM1", "status": "queued", "error_code": 30007}).encode()

    assert isinstance(outcome_of_answer("shore", Answer(201, body)), Unknown)


@given(status=st.integers(100, 999), body=st.binary(max_size=200), retry_after=st.text(max_size=40))
def test_no_answer_whatever_raises(status: int, body: bytes, retry_after: str) -> None:
    """Every status, body and header has an outcome, and only a success can be accepted."""
    outcome = outcome_of_answer("shore", Answer(status, body, retry_after=retry_after, date=retry_after))

    assert isinstance(outcome, Accepted | Refused | Unknown)
    assert not isinstance(outcome, Accepted) or 200 <= status < 300


@pytest.mark.parametrize(
    "body",
    [b"[" * 65536, b'{"sid": ' + b"9" * 5000 + b"}", b"\xff\xfe\x00", b'{"code": 1e999}', b'{"code": NaN}'],
    ids=["deep", "long-number", "not-text", "infinite", "not-a-number"],
)
def test_a_hostile_document_is_unknown(body: bytes) -> None:
    """JSON made to break a reader breaks nothing."""
    assert isinstance(outcome_of_answer("shore", Answer(201, body)), Unknown)


AT = "Tue, 01 Jun 2027 09:00:00 GMT"


@pytest.mark.parametrize(
    ("value", "date", "seconds"),
    [
        pytest.param("0", AT, 0.0, id="none"),
        pytest.param("1", None, 1.0, id="one"),
        pytest.param(" 3600 ", AT, 3600.0, id="an-hour"),
        pytest.param("1.5", AT, 1.5, id="fraction"),
        pytest.param("Tue, 01 Jun 2027 09:00:30 GMT", AT, 30.0, id="date"),
        pytest.param("Tue, 01 Jun 2027 10:00:30 +0100", AT, 30.0, id="date-with-offset"),
        pytest.param("Tue, 01 Jun 2027 08:00:00 GMT", AT, 0.0, id="date-in-the-past"),
        pytest.param("Tue, 01 Jun 2027 09:00:30 GMT", None, None, id="date-without-a-date-to-measure-from"),
        pytest.param("Tue, 01 Jun 2027 09:00:30 GMT", "junk", None, id="date-with-junk-to-measure-from"),
        pytest.param(None, AT, None, id="not-given"),
        pytest.param("", AT, None, id="empty"),
        pytest.param("-5", AT, None, id="negative"),
        pytest.param("soon", AT, None, id="junk"),
        pytest.param("inf", AT, None, id="infinite"),
        pytest.param("1e9", AT, None, id="exponent"),
        pytest.param("9" * 400, AT, None, id="too-long"),
        pytest.param("٣", AT, None, id="digits-of-another-script"),
        pytest.param("Tue, 99 Jun 2027 09:00:30 GMT", AT, None, id="no-such-date"),
    ],
)
def test_retry_after_is_read_as_seconds_or_as_nothing(
    value: str | None, date: str | None, seconds: float | None
) -> None:
    """Seconds, or a date against the answer's own; anything else asks for nothing (RFC 9110 10.2.3)."""
    assert retry_after_s(value, date) == seconds


def test_details_hold_no_whole_phone_number_and_nothing_unprintable() -> None:
    """What a gateway explains goes into our log and database: cut short, on one line, numbers masked."""
    message = "The number +447700900123 is\nnot valid\x00 " + "x" * 500
    body = json.dumps({"code": 21211, "message": message}).encode()

    outcome = outcome_of_answer("shore", Answer(400, body))

    assert isinstance(outcome, Refused)
    assert outcome.detail.startswith("HTTP 400: The number ...123 is not valid")
    assert outcome.detail.isprintable()
    assert len(outcome.detail) <= 200


def test_a_code_is_asked_before_a_status() -> None:
    """A 403 with the code of an opt-out is about the number."""
    assert blame_for("21610", 403) is Blame.OPTED_OUT
    assert blame_for(None, 403) is Blame.GATEWAY
    assert blame_for("99999", 400) is None
