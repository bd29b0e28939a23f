"""Open boards and the real web process: they take no thread from anybody, and end when it is to stop."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.cli.serving import WEB_PROCESSES
from service.operations.service import Service
from service.settings import PREFIX
from service.store.engine import open_engine
from service.web.desk.board_streams import STREAMS_MAX
from tests.servers.ports import free_port
from tests.web.installation import ADMIN_EMAIL, ADMIN_PASSWORD, StillClock, seed

UP_WITHIN_S = 90.0
ENDS_WITHIN_S = 60.0
ASKED_FOR = WEB_PROCESSES * STREAMS_MAX + 3


@pytest.fixture
def web(
    environment: dict[str, str], migrated_sqlite_url: str, tmp_path: Path
) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """`linetender web` with a club, and where it listens."""
    engine = open_engine(migrated_sqlite_url)
    seed(Service(engine, StillClock(), "http://127.0.0.1", "test"), StillClock().now())
    engine.dispose()
    port = free_port()
    mine = environment | {
        "DATABASE_URL": migrated_sqlite_url,
        "PORT": str(port),
        "PUBLIC_URL": f"http://127.0.0.1:{port}",
    }
    settings = {PREFIX + name: value for name, value in mine.items()}
    with (tmp_path / "web.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "service.cli", "web"], env=os.environ | settings, stdout=log, stderr=log
        )
    try:
        yield mine["PUBLIC_URL"], process
    finally:
        process.kill() if process.poll() is None else None
        process.wait()


def up(url: str) -> None:
    """Wait until it answers."""
    until = time.monotonic() + UP_WITHIN_S
    while time.monotonic() < until:
        try:
            if httpx.get(f"{url}/healthz").status_code == httpx.codes.OK:
                return
        except httpx.TransportError:
            time.sleep(0.2)
    raise AssertionError("the web process did not come up")


def test_boards_that_stream_leave_the_process_its_threads_and_its_end(
    web: tuple[str, subprocess.Popen[bytes]],
) -> None:
    """More ask than there is room for; the rest is refused, pages go on, and SIGTERM ends each stream whole."""
    url, process = web
    up(url)
    with httpx.Client(base_url=url, headers={"Accept": "text/event-stream"}, timeout=ENDS_WITHIN_S) as client:
        client.post("/admin/sign-in", data={"email": ADMIN_EMAIL, "password": ADMIN_PASSWORD})
        boards = [Board(client) for _ in range(ASKED_FOR)]
        for board in boards:
            board.begun.wait(ENDS_WITHIN_S)

        streaming = [board for board in boards if board.status == httpx.codes.OK]
        assert {board.status for board in boards} == {httpx.codes.OK, httpx.codes.SERVICE_UNAVAILABLE}
        assert STREAMS_MAX <= len(streaming) <= WEB_PROCESSES * STREAMS_MAX
        assert [client.get("/plan").status_code for _ in range(8)] == [httpx.codes.OK] * 8

        process.send_signal(signal.SIGTERM)
        assert process.wait(ENDS_WITHIN_S) == 0
        for board in streaming:
            board.thread.join(ENDS_WITHIN_S)
        assert [board.ended for board in streaming] == ["whole"] * len(streaming)


class Board:
    """A browser that holds a stream open, on a thread of its own."""

    def __init__(self, client: httpx.Client) -> None:
        self.status = 0
        self.ended = "not yet"
        self.begun = threading.Event()
        self._client = client
        self.thread = threading.Thread(target=self._read)
        self.thread.start()

    def _read(self) -> None:
        try:
            with self._client.stream("GET", "/admin/board/stream") as answer:
                self.status = answer.status_code
                for _ in answer.iter_bytes():
                    self.begun.set()
            self.ended = "whole"
        except httpx.HTTPError as error:
            self.ended = repr(error)
        self.begun.set()
