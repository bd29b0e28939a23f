"""A TCP proxy on loopback that can be ill: refuse, swallow, leave lines half open, reset, cut commits.

As a process, `python -m tests.faults.proxy PORT TO`: each line on its input is the mode from now on; "ready" on its
output says that the mode holds.
"""

from __future__ import annotations

import asyncio
import socket
import struct
import subprocess
import sys
from contextlib import suppress
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
CHUNK = 64 * 1024
COMMIT = b"COMMIT"


class Mode(StrEnum):
    """How the proxy is."""

    PASS = "pass"
    REFUSE = "refuse"  # every line is cut, and a new one is cut at once
    SWALLOW = "swallow"  # lines stay, new ones are accepted, and nothing ever comes of what is sent
    HALF_OPEN = "half_open"  # lines that are there are silent for ever, from the middle of a send; new ones work
    RESET = "reset"  # lines that are there are reset, new ones work
    CUT_COMMITS = "cut_commits"  # of commits every other is passed on and its answer lost, every other is lost itself


@dataclass(eq=False)
class _Line:
    """One connection through the proxy."""

    near: asyncio.StreamWriter
    far: asyncio.StreamWriter | None = None
    silent: bool = False
    torn: bool = False  # of what was sent when it fell silent the first half arrived
    tasks: list[asyncio.Task[None]] = field(default_factory=list)

    def reset(self) -> None:
        """Cut it with a reset, so that both ends notice."""
        for end in (self.near, self.far):
            if end is None:
                continue
            with suppress(OSError, AttributeError):
                end.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            end.transport.abort()


class Proxy:
    """The proxy itself."""

    def __init__(self, to: int) -> None:
        self._to = to
        self._mode = Mode.PASS
        self._lines: set[_Line] = set()
        self._commits = 0

    async def serve(self, port: int) -> None:
        """Serve until the input ends."""
        server = await asyncio.start_server(self._accept, "127.0.0.1", port)
        loop = asyncio.get_running_loop()
        say("ready")
        while line := await loop.run_in_executor(None, sys.stdin.readline):
            self.become(Mode(line.strip()))
            say("ready")
        server.close()

    def become(self, mode: Mode) -> None:
        """From now on be like this."""
        healed = self._mode is not Mode.PASS and mode is Mode.PASS
        self._mode = mode
        if mode in (Mode.REFUSE, Mode.RESET):
            self._reset_all()
        if mode is Mode.HALF_OPEN:
            for line in self._lines:
                line.silent = True
        if healed:
            # Lines whose bytes were lost are of no use to anybody; those that hang half open stay so.
            for line in [line for line in self._lines if line.far is None]:
                line.reset()

    def _reset_all(self) -> None:
        for line in tuple(self._lines):
            line.reset()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        line = _Line(writer)
        if self._mode is Mode.REFUSE:
            line.reset()
            return
        self._lines.add(line)
        try:
            if self._mode is Mode.SWALLOW:
                while await reader.read(CHUNK):
                    pass
                return
            far_reader, line.far = await asyncio.open_connection("127.0.0.1", self._to)
            back = asyncio.create_task(self._pump(line, far_reader, writer))
            await self._pump(line, reader, line.far, sends=True)
            await back
        except OSError:
            line.reset()
        finally:
            self._lines.discard(line)
            line.reset()

    async def _pump(
        self, line: _Line, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, sends: bool = False
    ) -> None:
        with suppress(OSError):
            while data := await reader.read(CHUNK):
                if line.silent or self._mode is Mode.SWALLOW:
                    if sends and not line.torn and self._mode is Mode.HALF_OPEN:
                        line.torn = True
                        writer.write(data[: len(data) // 2])
                        await writer.drain()
                    line.silent = line.silent or self._mode is Mode.SWALLOW
                    continue
                if sends and self._mode is Mode.CUT_COMMITS and COMMIT in data:
                    self._commits += 1
                    if self._commits % 2:
                        line.silent = True  # it arrives, and its answer does not
                        writer.write(data)
                        await writer.drain()
                        await asyncio.sleep(0.05)
                    line.reset()
                    return
                writer.write(data)
                await writer.drain()
        if not line.silent:
            line.reset()


def say(word: str) -> None:
    """Tell whoever started this process."""
    sys.stdout.write(f"{word}\n")
    sys.stdout.flush()


class ProxyProcess:
    """A proxy in a process of its own, as its parent has it."""

    def __init__(self, port: int, to: int) -> None:
        self.port = port
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.proxy", str(port), str(to)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        self._heard()

    def become(self, mode: Mode) -> None:
        """Make it so, and return when it is."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{mode}\n")
        self._process.stdin.flush()
        self._heard()

    def _heard(self) -> None:
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "ready\n", "the proxy ended"

    def end(self) -> None:
        """End it."""
        self._process.kill()
        self._process.communicate()


if __name__ == "__main__":
    asyncio.run(Proxy(int(sys.argv[2])).serve(int(sys.argv[1])))
