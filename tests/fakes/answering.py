"""Answering an HTTP request as a behaviour says: whole, in drips, with padding, or not at all."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from email.utils import formatdate
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler

from tests.fakes.behaviour import Behaviour


class AnsweringHandler(BaseHTTPRequestHandler):
    """A handler of a fake; `stopping` is set when the fake ends, so that nothing goes on dripping."""

    stopping: threading.Event
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True

    def log_message(self, *_: object) -> None:
        """Keep the test output clean."""

    def body(self) -> str:
        """The body of the request."""
        return self.rfile.read(int(self.headers.get("Content-Length", "0"))).decode()

    def answer(self, behaviour: Behaviour, usual: str = "") -> None:
        """Answer like this; `usual` is the content of a behaviour that brings none of its own."""
        if behaviour.cut:
            self.close_connection = True
            return
        content = (usual if behaviour.content is None else behaviour.content).encode()
        head = {
            "Date": formatdate(usegmt=True),
            "Content-Type": behaviour.content_type,
            "Content-Length": str(len(content) + behaviour.padding_bytes),
        } | dict(behaviour.headers)
        lines = "".join(f"{name}: {value}\r\n" for name, value in head.items())
        reason = HTTPStatus(behaviour.status).phrase
        whole = f"HTTP/1.1 {behaviour.status} {reason}\r\n{lines}\r\n".encode() + content
        # In one write where it can be: two would wait for each other's acknowledgement.
        for piece in self._pieces(whole, behaviour):
            self.wfile.write(piece)

    def _pieces(self, whole: bytes, behaviour: Behaviour) -> Iterator[bytes]:
        if not behaviour.drip_s:
            yield whole + b" " * behaviour.padding_bytes
            return
        for position in range(len(whole)):
            if self.stopping.wait(behaviour.drip_s):
                return
            yield whole[position : position + 1]
