"""The demo's processes: started in groups of their own, started again when they die, ended in order."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

LIVED_LONG_S: Final = 30.0
WAITS_S: Final = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0)


def start_time(pid: int) -> str | None:
    """When a process began, in the system's own words; None when there is none.

    A number is given to another process one day; number and beginning together are not.
    """
    with suppress(OSError, IndexError):
        # https://man7.org/linux/man-pages/man5/proc_pid_stat.5.html: field 22, and the name may hold spaces.
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
        return None if fields[0] in "ZX" else fields[19]
    if Path("/proc/self/stat").exists():
        return None
    answer = subprocess.run(["/bin/ps", "-o", "lstart=", "-p", str(pid)], capture_output=True, text=True, check=False)
    return answer.stdout.strip() or None


def with_children(pid: int) -> list[int]:
    """A process and all that it started, as far as the system tells."""
    found = [pid]
    for known in found:
        with suppress(OSError):
            for thread in Path(f"/proc/{known}/task").iterdir():
                found += map(int, (thread / "children").read_text(encoding="utf-8").split())
    return found


@dataclass
class Child:
    """One process of the demo, under its role's name."""

    role: str
    command: Sequence[str]
    environment: Mapping[str, str]
    log: Path
    say: Callable[[str], None]
    process: subprocess.Popen[bytes] | None = None
    _born_at: float = 0.0
    _deaths: int = 0
    _start_at: float = field(default=0.0)

    @property
    def pid(self) -> int | None:
        """Its number while it runs."""
        return None if self.process is None else self.process.pid

    def start(self) -> None:
        """Start it. It has a session of its own, so that Ctrl-C reaches it only through us."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                list(self.command),
                env=dict(self.environment),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self._born_at = time.monotonic()

    def tend(self) -> bool:
        """Note a death, and start again once its wait is over; whether anything changed."""
        now = time.monotonic()
        if self.process is not None:
            if self.process.poll() is None:
                return False
            self._died(self.process.returncode, now)
            return True
        if now < self._start_at:
            return False
        self.start()
        return True

    def _died(self, code: int, now: float) -> None:
        if self.process is not None:
            end_group(self.process.pid)
        self.process = None
        self._deaths = 0 if now - self._born_at > LIVED_LONG_S else self._deaths + 1
        wait_s = WAITS_S[min(self._deaths, len(WAITS_S) - 1)]
        self._start_at = now + wait_s
        self.say(f"{self.role} ended ({_how(code)}) and is started again in {wait_s:g} s; its log is {self.log}")

    def ask_to_end(self) -> None:
        """Ask politely."""
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()

    def end(self, within_s: float) -> None:
        """Wait for its end, and after `within_s` seconds end it with all that it started."""
        if self.process is None:
            return
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(within_s)
        end_group(self.process.pid)
        self.process.wait()
        self.process = None


def end_group(pid: int) -> None:
    """End whatever is left in the group of a process that we started."""
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(pid, signal.SIGKILL)


def _how(code: int) -> str:
    return f"signal {-code}" if code < 0 else f"exit status {code}"


def end_left_over(known: Mapping[str, str | None], within_s: float) -> int:
    """End processes that a demo which is gone has left behind; how many.

    `known` is pid to start time as that demo wrote them down: only where both still match is it the same process.
    """
    left = [int(pid) for pid, began in known.items() if began is not None and start_time(int(pid)) == began]
    for pid in left:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGTERM)
    give_up_at = time.monotonic() + within_s
    while time.monotonic() < give_up_at and any(_same(pid, known) for pid in left):
        time.sleep(0.05)
    for pid in left:
        if _same(pid, known):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
    return len(left)


def _same(pid: int, known: Mapping[str, str | None]) -> bool:
    return start_time(pid) == known[str(pid)]
