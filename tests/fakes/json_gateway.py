"""A fake home-made gateway that speaks json-post over real HTTP, with a journal and a script of misbehaviour.

It does what docs/home-gateway.md asks of one: it takes a message once by its id, tells by that id whether it has it,
and signs what it posts. It shares no code with the service.
"""

from __future__ import annotations

import base64
import hmac
import http.client
import json
import threading
import time
import uuid
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler
from typing import Any, Self
from urllib.parse import unquote, urlsplit

from tests.fakes.answering import AnsweringHandler
from tests.fakes.behaviour import Behaviour, Script
from tests.fakes.journal import Journal, Taken
from tests.fakes.stoppable import StoppableServer

TOKEN = "home-token-for-tests"
SECRET = "whsec_dGVzdHMgb25seTogbm90IGEgc2VjcmV0ISEh"
NUMBER = "+447700900400"
PROBLEM = "application/problem+json"


def problem(status: int, code: str | None = None, **headers: str) -> Behaviour:
    """Take nothing and answer with problem details; headers by names with underscores."""
    document = {"title": "refused", "status": status} | ({} if code is None else {"code": code})
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return Behaviour(takes=False, status=status, content=json.dumps(document), content_type=PROBLEM, headers=named)


@dataclass(frozen=True, slots=True)
class PostedJson:
    """One post to the service: under which id, and what it answered."""

    webhook_id: str
    status: int
    answer: str


class JsonGateway:
    """A gateway on loopback that takes texts, keeps a journal, and posts texts and receipts."""

    def __init__(self, *, inbound_url: str | None = None, number: str = NUMBER) -> None:
        self.inbound_url, self.number = inbound_url, number
        self.journal = Journal()
        self.script = Script()
        self.lookups: Behaviour | None = None
        self.documents: list[dict[str, Any]] = []
        self.asked: list[str] = []
        self.stopping = threading.Event()
        self._taken: dict[str, str] = {}
        self._lock = threading.Lock()
        handler = type("_BoundHandler", (_Handler,), {"gateway": self, "stopping": self.stopping})
        self._server = StoppableServer(("127.0.0.1", 0), handler)
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, name="json-gateway", daemon=True
        )

    @property
    def base_url(self) -> str:
        """What to set as the gateway's base_url."""
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stopping.set()
        self._server.stop()
        self._thread.join()

    def take(self, document: dict[str, Any]) -> str:
        """Take a message, once for each id of the service's; gives our id of it."""
        with self._lock:
            theirs = str(document["id"])
            if theirs not in self._taken:
                self._taken[theirs] = f"home-{uuid.uuid4().hex[:12]}"
                sid = self._taken[theirs]
                self.journal.append(Taken(time.time(), document["to"], document["from"], document["body"], sid, None))
            return self._taken[theirs]

    def known(self, reference: str) -> str | None:
        """Our id of the message that the service knows under this one."""
        with self._lock:
            return self._taken.get(reference)

    def text_from(self, sender: str, body: str, *, webhook_id: str | None = None, **part: int | str) -> PostedJson:
        """Post a text as if somebody had sent it; with reference, number and of, as a part of a long one."""
        document: dict[str, Any] = {"from": sender, "to": self.number, "body": body} | ({"part": part} if part else {})
        return self._post("text", document, webhook_id)

    def receipt(self, our_id: str, status: str, *, code: str | None = None) -> PostedJson:
        """Post what became of a message."""
        return self._post("receipt", {"id": our_id, "status": status} | ({"code": code} if code else {}), None)

    def _post(self, what: str, document: dict[str, Any], webhook_id: str | None) -> PostedJson:
        if self.inbound_url is None:
            raise ValueError("no url to post to")
        body = json.dumps(document).encode()
        headers = signed_headers(SECRET, body, webhook_id=webhook_id)
        parts = urlsplit(f"{self.inbound_url}/{what}")
        connection = http.client.HTTPConnection(parts.hostname or "", parts.port or 80, timeout=10.0)
        try:
            connection.request("POST", parts.path, body, headers)
            answer = connection.getresponse()
            return PostedJson(headers["webhook-id"], answer.status, answer.read().decode())
        finally:
            connection.close()


def signed_headers(
    secret: str, body: bytes, *, webhook_id: str | None = None, timestamp: int | None = None
) -> dict[str, str]:
    """Headers that sign a body now, or at another time."""
    named = webhook_id or f"msg_{uuid.uuid4().hex}"
    at = int(time.time()) if timestamp is None else timestamp
    key = base64.b64decode(secret.removeprefix("whsec_"))
    signature = base64.b64encode(hmac.digest(key, f"{named}.{at}.".encode() + body, "sha256")).decode()
    return {
        "Content-Type": "application/json",
        "webhook-id": named,
        "webhook-timestamp": str(at),
        "webhook-signature": f"v1,{signature}",
    }


class _Handler(AnsweringHandler, BaseHTTPRequestHandler):
    gateway: JsonGateway

    def do_GET(self) -> None:
        if not self._may():
            self.answer(problem(401, "unauthorized"))
            return
        reference = unquote(self.path.removeprefix("/messages/"))
        self.gateway.asked.append(reference)
        our_id = self.gateway.known(reference)
        usual = problem(404, "not_found") if our_id is None else Behaviour(status=200)
        behaviour = self.gateway.lookups or usual
        self.gateway.stopping.wait(behaviour.wait_s)
        self.answer(behaviour, json.dumps({"id": our_id, "status": "sent"}))

    def do_POST(self) -> None:
        body = self.body()
        if not self._may():
            self.answer(problem(401, "unauthorized"))
            return
        if self.path != "/messages":
            self.answer(problem(404, "not_found"))
            return
        document = json.loads(body)
        self.gateway.documents.append(document)
        behaviour = self.gateway.script.take(document["to"])
        our_id = self.gateway.take(document) if behaviour.takes else "none"
        self.gateway.stopping.wait(behaviour.wait_s)
        self.answer(behaviour, json.dumps({"id": our_id}))

    def _may(self) -> bool:
        return self.headers.get("Authorization") == f"Bearer {TOKEN}"
