"""A gateway that costs next to nothing, in a process of its own, so that what is measured is the courier.

It speaks just enough of form-post: every POST is taken and named; a GET gives how many that were. Its journal is kept
in memory and written when it ends, a line for each text in the order in which they came: instant, number, beginning.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qs
from urllib.request import urlopen

STARTS_WITHIN_S = 20.0
ENDS_WITHIN_S = 60.0


@dataclass(frozen=True)
class Taken:
    """One text in the journal. `at` is in seconds since the epoch."""

    at: float
    to: str
    body: str


class _Line(asyncio.Protocol):
    """One kept-alive connection."""

    def __init__(self, journal: list[tuple[float, bytes]], numbers: Iterator[int]) -> None:
        self._journal = journal
        self._numbers = numbers
        self._buffer = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep what is answered on."""
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Answer each request that is whole."""
        self._buffer += data
        while True:
            head, found, rest = self._buffer.partition(b"\r\n\r\n")
            if not found:
                return
            at = head.lower().find(b"content-length:")
            length = int(head[at + 15 :].split(b"\r\n", 1)[0]) if at >= 0 else 0
            if len(rest) < length:
                return
            self._buffer = rest[length:]
            if head.startswith(b"GET"):
                self._transport.write(_answer(b"%d" % len(self._journal)))  # type: ignore[attr-defined]
                continue
            self._journal.append((time.time(), rest[:length]))
            body = b'{"sid": "SM%032x", "status": "queued"}' % next(self._numbers)
            self._transport.write(_answer(body))  # type: ignore[attr-defined]


def _answer(body: bytes) -> bytes:
    head = b"HTTP/1.1 201 Created\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n"
    return head % len(body) + body


async def _serve(journal: list[tuple[float, bytes]]) -> None:
    loop = asyncio.get_running_loop()
    numbers = itertools.count(1)
    server = await loop.create_server(lambda: _Line(journal, numbers), "127.0.0.1", 0)
    ended = asyncio.Event()
    loop.add_signal_handler(signal.SIGTERM, ended.set)
    print(server.sockets[0].getsockname()[1], flush=True)
    await ended.wait()
    server.close()


def main() -> None:
    """Serve until SIGTERM, then write the journal to the file that is named; its last line is our processor time."""
    journal: list[tuple[float, bytes]] = []
    asyncio.run(_serve(journal))
    spent = time.process_time()
    with Path(sys.argv[1]).open("w", encoding="utf-8") as lines:
        for at, raw in journal:
            form = parse_qs(raw.decode(), keep_blank_values=True)
            lines.write(json.dumps([at, form["To"][0], form["Body"][0][:40]]) + "\n")
        lines.write(json.dumps([spent]) + "\n")


class Loopback:
    """The process, seen from outside."""

    def __init__(self, journal: Path) -> None:
        self._journal = journal
        command = [sys.executable, "-m", "tests.bench.loopback_gateway", str(journal)]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        self.base_url = f"http://127.0.0.1:{int(self._process.stdout.readline())}"
        self._process.stdout.close()  # it says no more
        self.cpu_s = 0.0

    @property
    def pid(self) -> int:
        """Its number."""
        return self._process.pid

    def count(self) -> int:
        """How many texts it has taken."""
        with urlopen(self.base_url, timeout=30) as answer:  # noqa: S310 - an address of ours
            return int(answer.read())

    def end(self) -> list[Taken]:
        """End it and read its journal."""
        self._process.terminate()
        self._process.wait(ENDS_WITHIN_S)
        *lines, last = self._journal.read_text(encoding="utf-8").splitlines()
        self.cpu_s = json.loads(last)[0]
        return [Taken(*json.loads(line)) for line in lines]

    def kill(self) -> None:
        """End it whatever it does; nothing when it has ended."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait(ENDS_WITHIN_S)


@contextmanager
def loopback(journal: Path) -> Iterator[Loopback]:
    """A gateway that runs meanwhile."""
    gateway = Loopback(journal)
    try:
        yield gateway
    finally:
        gateway.kill()


if __name__ == "__main__":
    main()
