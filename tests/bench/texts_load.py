"""Texts at a steady rate from a process of its own: each is sent when it is due, however slow the ones before are.

Called with a JSON object on standard input: address, token, seconds, per_s. It prints a JSON list: for each text the
milliseconds from when it was due to its whole answer, and the status; 0 where none came within 15 s.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from dataclasses import dataclass
from urllib.parse import urlencode, urlsplit

from service.gateways.form_post_inbound import SIGNATURE_HEADER, signature

LINES = 32
ANSWERS_WITHIN_S = 15.0
RECEIVER = "+447700900500"
PHONES = 400


@dataclass
class Line:
    """One kept-alive connection."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    async def ask(self, request: bytes) -> int:
        """Send, and read the whole answer; its status."""
        self.writer.write(request)
        head = await self.reader.readuntil(b"\r\n\r\n")
        at = head.lower().find(b"content-length:")
        await self.reader.readexactly(int(head[at + 15 :].split(b"\r\n", 1)[0]))
        return int(head[9:12])


def requests_for(address: str, token: str, count: int) -> list[bytes]:
    """The signed posts, made beforehand."""
    parts = urlsplit(address)
    made = []
    for number in range(count):
        fields = [
            ("MessageSid", f"SM{time.time_ns():x}{number:08x}"),
            ("From", f"+4477009{number % PHONES:05d}"),
            ("To", RECEIVER),
            ("Body", "status"),
        ]
        body = urlencode(fields).encode()
        head = (
            f"POST {parts.path} HTTP/1.1\r\nHost: {parts.netloc}\r\nContent-Length: {len(body)}\r\n"
            f"Content-Type: application/x-www-form-urlencoded\r\n"
            f"{SIGNATURE_HEADER}: {signature(token, address, fields)}\r\n\r\n"
        )
        made.append(head.encode() + body)
    return made


async def load(address: str, token: str, seconds: float, per_s: float) -> list[tuple[float, int]]:
    """Send them all; what came of each."""
    parts = urlsplit(address)
    free: asyncio.Queue[Line | None] = asyncio.Queue()
    for _ in range(LINES):
        free.put_nowait(Line(*await asyncio.open_connection(parts.hostname, parts.port)))
    taken: list[tuple[float, int]] = []

    async def one(request: bytes, due_s: float) -> None:
        line = await free.get()
        status = 0
        try:
            async with asyncio.timeout(ANSWERS_WITHIN_S):
                line = line or Line(*await asyncio.open_connection(parts.hostname, parts.port))
                status = await line.ask(request)
        except (OSError, asyncio.IncompleteReadError):
            if line is not None:
                line.writer.close()
            line = None  # the next text opens it anew
        taken.append(((time.monotonic() - due_s) * 1000, status))
        free.put_nowait(line)

    made = requests_for(address, token, int(seconds * per_s))
    begins_s = time.monotonic() + 0.2
    under_way = []
    for number, request in enumerate(made):
        due_s = begins_s + number / per_s
        await asyncio.sleep(max(due_s - time.monotonic(), 0))
        under_way.append(asyncio.create_task(one(request, due_s)))
    await asyncio.gather(*under_way)
    return taken


if __name__ == "__main__":
    print(json.dumps(asyncio.run(load(**json.load(sys.stdin)))))
