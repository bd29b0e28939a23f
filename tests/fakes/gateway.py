"""A fake message gateway over real HTTP, with its own journal and a script of misbehaviour.

In a test: `with FakeGateway(inbound_url=...) as gateway: ...`. As a process:
`python -m tests.fakes.gateway --port 0 --journal FILE` prints its port as JSON on the first line. It takes
orders by JSON at /control (GET: what happened; POST: see `Script.apply`), /control/text, /control/receipt,
/control/key and /control/call.
"""

from __future__ import annotations

import argparse
import base64
import http.client
import json
import signal
import threading
import time
import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict, dataclass
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any, Self
from urllib.parse import parse_qsl

from tests.fakes.answering import AnsweringHandler
from tests.fakes.behaviour import Behaviour, Script, refuse
from tests.fakes.calls import key_fields, spoken_in, status_fields
from tests.fakes.journal import CALL, TEXT, Journal, Taken
from tests.fakes.listing import Listing, Texted
from tests.fakes.posting import Posted, post_form, sign
from tests.fakes.stoppable import StoppableServer

ACCOUNT = "AC0123456789"
TOKEN = "practice-token-for-tests"
NUMBER = "+447700900000"


@dataclass(frozen=True, slots=True)
class Answered:
    """What was answered to one request; status None is a cut line. What was taken is in the journal."""

    at: float
    to: str
    status: int | None


class FakeGateway:
    """A gateway on loopback that takes texts and calls, keeps a journal, and posts texts, keys and receipts.

    With `receipts` a call to a number in `keys` is answered with that key, and any other rings until it ends.
    `lists` is how the list of messages behaves.
    """

    def __init__(
        self,
        *,
        port: int = 0,
        account: str = ACCOUNT,
        token: str = TOKEN,
        number: str = NUMBER,
        inbound_url: str | None = None,
        receipts: bool = False,
        receipt_delay_s: float = 0.05,
        journal_path: Path | None = None,
    ) -> None:
        self.account, self.token, self.number = account, token, number
        self.inbound_url = inbound_url
        self.receipts = receipts
        self._receipt_delay_s = receipt_delay_s
        self.journal = Journal(journal_path)
        self.script = Script()
        self.keys: dict[str, str] = {}
        self.lists = Behaviour(status=200)
        self.texted: list[Texted] = []
        self.answered: list[Answered] = []
        self.posted: list[Posted] = []
        self.stopping = threading.Event()
        self._receipt_posts = ThreadPoolExecutor(max_workers=4, thread_name_prefix="receipts")
        self._server = StoppableServer(("127.0.0.1", port), _handler_for(self))
        self._thread = threading.Thread(
            target=self._server.serve_forever,
            kwargs={"poll_interval": 0.05},
            name="fake-gateway",
            daemon=True,
        )

    @property
    def port(self) -> int:
        """The port it listens on."""
        return int(self._server.server_address[1])

    @property
    def base_url(self) -> str:
        """What to set as the gateway's base_url."""
        return f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stopping.set()
        self._receipt_posts.shutdown(cancel_futures=True)
        self._server.stop()
        self._thread.join()

    def text_from(
        self,
        sender: str,
        body: str,
        *,
        to: str | None = None,
        url: str | None = None,
        sid: str | None = None,
        token: str | None = None,
    ) -> Posted:
        """Post a text as if somebody had sent it. Another `token` forges it; a `sid` again is a repeat."""
        where = url or self.inbound_url
        if where is None:
            raise ValueError("no url to post texts to")
        sid = self.text_unposted(sender, body, to=to, sid=sid)
        fields = [("MessageSid", sid), ("From", sender), ("To", to or self.number), ("Body", body)]
        return self._post(where, sid, "text", fields, token)

    def text_unposted(self, sender: str, body: str, *, to: str | None = None, sid: str | None = None) -> str:
        """Have a text from somebody that is in the list only; gives its id."""
        sid = sid or new_sid()
        if all(one.sid != sid for one in self.texted):
            self.texted.append(Texted(time.time(), sender, to or self.number, body, sid))
        return sid

    def receipt(self, url: str, sid: str, word: str, *, code: str | None = None, token: str | None = None) -> Posted:
        """Post a delivery receipt with this status word."""
        fields = [("MessageSid", sid), ("MessageStatus", word)]
        return self._post(url, sid, word, fields + ([("ErrorCode", code)] if code else []), token)

    def key(self, sid: str, key: str, *, token: str | None = None) -> Posted:
        """Post that whoever took this call pressed a key."""
        taken = self.journal.of(sid)
        return self._post(str(taken.key_url), sid, f"key {key}", key_fields(taken, key), token)

    def call(
        self, sid: str, word: str, *, code: str | None = None, sip: str | None = None, token: str | None = None
    ) -> Posted:
        """Post what became of this call."""
        taken = self.journal.of(sid)
        return self._post(str(taken.status_callback), sid, word, status_fields(taken, word, code, sip), token)

    def take(self, form: dict[str, str]) -> str:
        """Take a text or a call: write it down, name it, and have what follows posted where there is an address."""
        spoken = spoken_in(form["Twiml"]) if "Twiml" in form else None
        taken = Taken(
            at=time.time(),
            to=form["To"],
            sender=form["From"],
            body=form["Body"] if spoken is None else spoken.words,
            sid=new_sid() if spoken is None else new_sid("CA"),
            status_callback=form.get("StatusCallback"),
            channel=TEXT if spoken is None else CALL,
            key_url=None if spoken is None else spoken.key_url,
            valid_for=form.get("ValidityPeriod"),
        )
        self.journal.append(taken)
        if self.receipts and taken.status_callback:
            self._receipt_posts.submit(self._follow_up, taken)
        return taken.sid

    def _follow_up(self, taken: Taken) -> None:
        self.stopping.wait(self._receipt_delay_s)
        if taken.channel == TEXT:
            self._until_taken(lambda: self.receipt(str(taken.status_callback), taken.sid, "delivered"))
            return
        key = self.keys.get(taken.to)
        if key is not None:
            self._until_taken(lambda: self.key(taken.sid, key))
        self._until_taken(lambda: self.call(taken.sid, "no-answer" if key is None else "completed"))

    def _until_taken(self, post: Callable[[], Posted]) -> None:
        """Post until it is taken, five times at most, as gateways do."""
        for _ in range(5):
            with suppress(OSError, http.client.HTTPException):
                if post().status < HTTPStatus.INTERNAL_SERVER_ERROR:
                    return
            if self.stopping.wait(0.5):
                return

    def _post(self, url: str, sid: str, word: str, fields: list[tuple[str, str]], token: str | None) -> Posted:
        signature = sign(token or self.token, url, fields)
        posted = Posted(url, sid, word, post_form(url, fields, signature=signature))
        self.posted.append(posted)
        return posted


def new_sid(prefix: str = "SM") -> str:
    """Return a new id of the usual look, of a message or (CA) of a call."""
    return f"{prefix}{uuid.uuid4().hex}"


class _Handler(AnsweringHandler, BaseHTTPRequestHandler):
    gateway: FakeGateway

    def do_GET(self) -> None:
        if self.path.startswith("/2010-04-01/"):
            self._list()
            return
        state = {
            "taken": [asdict(entry) for entry in self.gateway.journal.entries()],
            "answered": [asdict(entry) for entry in self.gateway.answered],
            "posted": [asdict(entry) for entry in self.gateway.posted],
        }
        self.answer(Behaviour(status=200, content=json.dumps(state)))

    def _list(self) -> None:
        listing = Listing(self.gateway.account, self.gateway.journal.entries(), self.gateway.texted)
        behaviour = self.gateway.lists if self._logged_in() else refuse(401, 20003)
        self.gateway.stopping.wait(behaviour.wait_s)
        self.answer(behaviour, listing.page(self.path))

    def do_POST(self) -> None:
        body = self.body()
        if self.path.startswith("/control"):
            self.answer(Behaviour(status=200, content=json.dumps(self._control(json.loads(body)))))
            return
        form = dict(parse_qsl(body, keep_blank_values=True))
        behaviour = self._fault(form) or self.gateway.script.take(form["To"])
        sid = self.gateway.take(form) if behaviour.takes else new_sid()
        self.gateway.stopping.wait(behaviour.wait_s)
        status = None if behaviour.cut else behaviour.status
        self.gateway.answered.append(Answered(time.time(), form.get("To", ""), status))
        self.answer(behaviour, json.dumps({"sid": sid, "status": "queued", "error_code": None}))

    def _logged_in(self) -> bool:
        login = f"{self.gateway.account}:{self.gateway.token}".encode()
        return self.headers.get("Authorization") == f"Basic {base64.b64encode(login).decode()}"

    def _fault(self, form: dict[str, str]) -> Behaviour | None:
        if not self._logged_in():
            return refuse(401, 20003)
        resource = self.path.removeprefix(f"/2010-04-01/Accounts/{self.gateway.account}/")
        words = {"Messages.json": "Body", "Calls.json": "Twiml"}.get(resource)
        if words is None:
            return refuse(404, 20404)
        return next((refuse(400, 21604) for key in ("To", "From", words) if not form.get(key)), None)

    def _control(self, orders: dict[str, Any]) -> dict[str, Any]:
        if self.path == "/control/text":
            return asdict(self.gateway.text_from(**orders))
        if self.path == "/control/receipt":
            return asdict(self.gateway.receipt(**orders))
        if self.path == "/control/key":
            return asdict(self.gateway.key(**orders))
        if self.path == "/control/call":
            return asdict(self.gateway.call(**orders))
        self.gateway.keys |= orders.pop("keys", {})
        self.gateway.script.apply(orders)
        return {}


def _handler_for(gateway: FakeGateway) -> type[_Handler]:
    return type("_BoundHandler", (_Handler,), {"gateway": gateway, "stopping": gateway.stopping})


def main() -> None:
    """Run as a process until SIGTERM or SIGINT."""
    parser = argparse.ArgumentParser(description="A fake message gateway for tests.")
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--journal", type=Path)
    parser.add_argument("--account", default=ACCOUNT)
    parser.add_argument("--token", default=TOKEN)
    parser.add_argument("--number", default=NUMBER)
    parser.add_argument("--inbound-url")
    parser.add_argument("--receipts", action="store_true")
    given = parser.parse_args()
    ended = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    with FakeGateway(
        port=given.port,
        account=given.account,
        token=given.token,
        number=given.number,
        inbound_url=given.inbound_url,
        receipts=given.receipts,
        journal_path=given.journal,
    ) as gateway:
        print(json.dumps({"port": gateway.port, "base_url": gateway.base_url}), flush=True)  # noqa: T201 - told to its parent
        ended.wait()


if __name__ == "__main__":
    main()
