"""The fake gateway is itself held to its word, since every end-to-end test rests on its journal."""

from __future__ import annotations

import base64
import http.client
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qsl, urlencode

import pytest

from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_inbound import is_authentic
from tests.fakes import behaviour
from tests.fakes.gateway import ACCOUNT, NUMBER, TOKEN, FakeGateway
from tests.fakes.journal import read_journal

FORM = {"To": "+447700900101", "From": NUMBER, "Body": "Armed."}
ROOT = Path(__file__).resolve().parents[2]


class Service:
    """Stands where the service would: keeps what is posted, and answers with the statuses it is given."""

    def __init__(self, statuses: list[int]) -> None:
        self.statuses = statuses
        self.arrived: list[tuple[str, list[tuple[str, str]], str | None]] = []
        self.changed = threading.Condition()
        self.url = ""

    def wait_for(self, count: int) -> None:
        """Wait until so many posts have arrived."""
        with self.changed:
            assert self.changed.wait_for(lambda: len(self.arrived) >= count, timeout=5)


@contextmanager
def _service(*statuses: int) -> Iterator[Service]:
    service = Service(list(statuses))

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"])).decode()
            fields = parse_qsl(body, keep_blank_values=True)
            with service.changed:
                service.arrived.append((self.path, fields, self.headers["X-Twilio-Signature"]))
                status = service.statuses.pop(0) if service.statuses else 200
                service.changed.notify_all()
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Keep the test output clean."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        service.url = f"http://127.0.0.1:{server.server_address[1]}"
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
        thread.start()
        yield service
        server.shutdown()
        thread.join()


def _send(port: int, form: dict[str, str], *, token: str = TOKEN, account: str = ACCOUNT) -> tuple[int, bytes]:
    login = base64.b64encode(f"{ACCOUNT}:{token}".encode()).decode()
    headers = {"Authorization": f"Basic {login}", "Content-Type": "application/x-www-form-urlencoded"}
    return _request(port, f"/2010-04-01/Accounts/{account}/Messages.json", urlencode(form), headers)


def _request(port: int, path: str, body: str | None = None, headers: dict[str, str] | None = None) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        connection.request("GET" if body is None else "POST", path, body, headers or {})
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def test_the_journal_holds_what_was_taken_and_not_what_was_answered(tmp_path: Path) -> None:
    """A text that was taken behind a cut line is in the journal, in memory and in the file."""
    path = tmp_path / "journal.jsonl"
    with FakeGateway(journal_path=path) as fake:
        fake.script.once(behaviour.accept_then_cut(), behaviour.refuse(400, 21211))
        with pytest.raises(http.client.RemoteDisconnected):
            _send(fake.port, FORM)
        _send(fake.port, FORM)

        (taken,) = fake.journal.entries()

    assert (taken.to, taken.sender, taken.body) == (FORM["To"], NUMBER, "Armed.")
    assert [entry.status for entry in fake.answered] == [None, 400]
    assert read_journal(path) == (taken,)


@pytest.mark.parametrize(
    ("form", "login", "status", "code"),
    [
        pytest.param(FORM, {"token": "another"}, 401, 20003, id="wrong-token"),
        pytest.param(FORM, {"account": "AC2"}, 404, 20404, id="wrong-account"),
        pytest.param(FORM | {"Body": ""}, {}, 400, 21604, id="no-body"),
    ],
)
def test_a_wrong_request_is_not_taken(form: dict[str, str], login: dict[str, str], status: int, code: int) -> None:
    """The fake gateway is as strict as a real one, whatever the script says."""
    with FakeGateway() as fake:
        answered, document = _send(fake.port, form, **login)

        assert fake.journal.entries() == ()
    assert (answered, json.loads(document)["code"]) == (status, code)


def test_behaviours_come_once_then_by_number_then_always() -> None:
    """A script can say what happens next, to whom, and otherwise."""
    with FakeGateway() as fake:
        fake.script.always(behaviour.broken(503))
        fake.script.for_number(FORM["To"], behaviour.refuse(400))
        fake.script.once(behaviour.ACCEPT)

        statuses = [_send(fake.port, form)[0] for form in (FORM, FORM, FORM | {"To": "+447700900102"})]
        fake.script.forget()
        statuses.append(_send(fake.port, FORM)[0])

    assert statuses == [201, 400, 503, 201]


def test_waiting_for_the_journal_ends_with_what_there_is() -> None:
    """A test that waits in vain says what did arrive."""
    with FakeGateway() as fake:
        _send(fake.port, FORM)

        assert len(fake.journal.wait_for(lambda entries: len(entries) == 1)) == 1
        with pytest.raises(TimeoutError, match=r"\+447700900101: Armed\."):
            fake.journal.wait_for(lambda entries: len(entries) == 2, timeout_s=0.05)


def test_a_receipt_is_posted_signed_until_it_is_taken() -> None:
    """A service that answers 503 gets its receipt again."""
    with _service(503) as service, FakeGateway(receipts=True) as fake:
        _send(fake.port, FORM | {"StatusCallback": f"{service.url}/inbound/shore/receipt"})
        service.wait_for(2)

    (sid,) = (taken.sid for taken in fake.journal.entries())
    path, fields, header = service.arrived[1]
    assert path == "/inbound/shore/receipt"
    assert fields == [("MessageSid", sid), ("MessageStatus", "delivered")]
    config = FormPostConfig("shore", fake.base_url, ACCOUNT, TOKEN, NUMBER)
    assert is_authentic(config, service.url, path, fields, header)


def test_texts_are_posted_signed_or_forged_or_again() -> None:
    """The two codes that sign and verify share nothing, and agree."""
    config = FormPostConfig("shore", "http://127.0.0.1", ACCOUNT, TOKEN, NUMBER)
    with (
        _service(200, 403, 200) as service,
        FakeGateway(inbound_url=f"{service.url}/inbound/shore/text") as fake,
    ):
        right = fake.text_from("+447700900101", "Out 2 é")
        forged = fake.text_from("+447700900101", "Out 2", token="guessed")
        again = fake.text_from("+447700900101", "Out 2 é", sid=right.sid)

    assert (right.status, forged.status, again.sid) == (200, 403, right.sid)
    authentic = [is_authentic(config, service.url, path, fields, header) for path, fields, header in service.arrived]
    assert authentic == [True, False, True]
    assert dict(service.arrived[0][1]) == {
        "MessageSid": right.sid,
        "From": "+447700900101",
        "To": NUMBER,
        "Body": "Out 2 é",
    }


def test_it_runs_as_a_process_that_takes_orders(tmp_path: Path) -> None:
    """Its port is on its first line, its journal in the file, and its orders come over HTTP."""
    path = tmp_path / "journal.jsonl"
    command = [sys.executable, "-m", "tests.fakes.gateway", "--port", "0", "--journal", str(path)]
    with (
        _service() as service,
        subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, env=dict(os.environ)) as process,
    ):
        try:
            assert process.stdout is not None
            port = json.loads(process.stdout.readline())["port"]
            _request(port, "/control", json.dumps({"once": [{"takes": False, "status": 503}]}))
            statuses = [_send(port, FORM)[0] for _ in range(2)]
            order = {"sender": "+447700900101", "body": "Out 2", "url": f"{service.url}/inbound/shore/text"}
            posted = json.loads(_request(port, "/control/text", json.dumps(order))[1])
            state = json.loads(_request(port, "/control")[1])
        finally:
            process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=10) == 0

    assert statuses == [503, 201]
    assert [taken.body for taken in read_journal(path)] == ["Armed."]
    assert posted["status"] == 200
    assert [entry["status"] for entry in state["answered"]] == [503, 201]
    assert dict(service.arrived[0][1])["Body"] == "Out 2"
