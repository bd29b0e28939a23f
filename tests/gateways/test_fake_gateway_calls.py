"""The fake gateway's calls and its list, held to their word."""

from __future__ import annotations

import base64
import http.client
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, urlencode

import pytest

from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_calls import asking_xml
from service.gateways.form_post_inbound import is_authentic
from tests.fakes import behaviour
from tests.fakes.gateway import ACCOUNT, NUMBER, TOKEN, FakeGateway

CLEO = "+441632960201"
Arrived = list[tuple[str, dict[str, str], bool]]


@contextmanager
def _service() -> Iterator[tuple[str, Arrived, threading.Semaphore]]:
    """Stands where the service would: its address, what was posted (path, fields, authentic), and each arrival."""
    arrived: Arrived = []
    came = threading.Semaphore(0)
    config = FormPostConfig("fake", "http://127.0.0.1", ACCOUNT, TOKEN, NUMBER)

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"])).decode()
            pairs = parse_qsl(body, keep_blank_values=True)
            public = f"http://127.0.0.1:{server.server_address[1]}"
            signed = is_authentic(config, public, self.path, pairs, self.headers["X-Twilio-Signature"])
            arrived.append((self.path, dict(pairs), signed))
            self.send_response(200)
            self.end_headers()
            came.release()

        def log_message(self, *_: object) -> None:
            """Keep the test output clean."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
        thread.start()
        yield f"http://127.0.0.1:{server.server_address[1]}", arrived, came
        server.shutdown()
        thread.join()


def _request(gateway: FakeGateway, resource: str, form: dict[str, str] | None = None, token: str = TOKEN) -> Any:
    """Status and JSON of one request: a post where there is a form."""
    login = base64.b64encode(f"{ACCOUNT}:{token}".encode()).decode()
    headers = {"Authorization": f"Basic {login}", "Content-Type": "application/x-www-form-urlencoded"}
    connection = http.client.HTTPConnection("127.0.0.1", gateway.port, timeout=5)
    try:
        path = f"/2010-04-01/Accounts/{ACCOUNT}/{resource}"
        connection.request("GET" if form is None else "POST", path, None if form is None else urlencode(form), headers)
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read())
    finally:
        connection.close()


def _call(url: str) -> dict[str, str]:
    return {
        "To": CLEO,
        "From": NUMBER,
        "Twiml": asking_xml("Overdue.", "en", f"{url}/key"),
        "StatusCallback": f"{url}/status",
    }


def test_a_call_is_in_the_journal_with_what_is_spoken() -> None:
    """Under the id that was answered, with the address for a key."""
    with FakeGateway() as gateway:
        status, answer = _request(gateway, "Calls.json", _call("http://127.0.0.1:9"))
        (taken,) = gateway.journal.entries()

    assert (status, answer["sid"]) == (201, taken.sid)
    assert taken.sid.startswith("CA")
    assert (taken.channel, taken.body, taken.key_url) == ("call", "Overdue.", "http://127.0.0.1:9/key")


@pytest.mark.parametrize("missing", ["To", "From", "Twiml"])
def test_a_call_that_lacks_something_is_refused(missing: str) -> None:
    """And is not in the journal."""
    with FakeGateway() as gateway:
        status, _ = _request(gateway, "Calls.json", _call("http://127.0.0.1:9") | {missing: ""})

        assert (status, gateway.journal.entries()) == (400, ())


@pytest.mark.parametrize(("keys", "ended"), [({}, "no-answer"), ({CLEO: "1"}, "completed")])
def test_with_receipts_a_call_is_answered_by_the_key_set_for_it(keys: dict[str, str], ended: str) -> None:
    """A number without a key rings until it ends; all of it is signed."""
    with _service() as (url, arrived, came), FakeGateway(receipts=True, receipt_delay_s=0) as gateway:
        gateway.keys |= keys
        _, answer = _request(gateway, "Calls.json", _call(url))
        for _ in range(len(keys) + 1):
            assert came.acquire(timeout=5)

    assert all(signed for _, _, signed in arrived)
    assert {fields["CallSid"] for _, fields, _ in arrived} == {answer["sid"]}
    assert [fields["Digits"] for path, fields, _ in arrived if path == "/key"] == list(keys.values())
    assert [fields["CallStatus"] for path, fields, _ in arrived if path == "/status"] == [ended]


def test_a_test_can_post_keys_and_ends_itself() -> None:
    """Also forged ones, with codes."""
    with _service() as (url, arrived, _), FakeGateway() as gateway:
        _, answer = _request(gateway, "Calls.json", _call(url))
        gateway.key(answer["sid"], "1", token="forged")
        gateway.call(answer["sid"], "failed", code="13224", sip="404")

    (_, key, genuine), (_, end, signed) = arrived
    assert (key["Digits"], genuine) == ("1", False)
    assert (end["CallStatus"], end["ErrorCode"], end["SipResponseCode"], signed) == ("failed", "13224", "404", True)


def test_the_list_has_both_ways_and_no_calls() -> None:
    """The most recent first; what was never posted is there too."""
    with FakeGateway() as gateway:
        _request(gateway, "Messages.json", {"To": CLEO, "From": NUMBER, "Body": "Armed."})
        _request(gateway, "Calls.json", _call("http://127.0.0.1:9"))
        gateway.text_unposted(CLEO, "OK")

        _, whole = _request(gateway, "Messages.json")
        _, inbound = _request(gateway, f"Messages.json?{urlencode({'To': NUMBER})}")

    assert [(one["direction"], one["body"]) for one in whole["messages"]] == [
        ("inbound", "OK"),
        ("outbound-api", "Armed."),
    ]
    assert [one["body"] for one in inbound["messages"]] == ["OK"]


def test_the_list_comes_in_pages() -> None:
    """Each leads to the next."""
    with FakeGateway() as gateway:
        for number in range(3):
            gateway.text_unposted(CLEO, f"text {number}")
        _, first = _request(gateway, "Messages.json?PageSize=2")
        _, second = _request(gateway, first["next_page_uri"].rpartition("/")[2])

    assert [one["body"] for one in first["messages"]] == ["text 2", "text 1"]
    assert [one["body"] for one in second["messages"]] == ["text 0"]
    assert second["next_page_uri"] is None


def test_the_list_is_for_its_account_and_can_fail() -> None:
    """A wrong token sees nothing, and a list may be told to break."""
    with FakeGateway() as gateway:
        assert _request(gateway, "Messages.json", token="wrong")[0] == 401
        gateway.lists = behaviour.broken(503)
        assert _request(gateway, "Messages.json")[0] == 503
