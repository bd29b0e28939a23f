"""Processes that a bench starts, with all that they fork: how much memory they hold, and their end."""

from __future__ import annotations

import os
import signal
import subprocess
from collections import defaultdict
from contextlib import suppress

ENDS_WITHIN_S = 30.0


def _processes() -> dict[int, tuple[int, int]]:
    """The parent and the resident memory in KiB of every process, by its id."""
    told = subprocess.run(["ps", "-A", "-o", "pid=,ppid=,rss="], capture_output=True, text=True, check=True).stdout  # noqa: S607 - as the shell finds it
    rows = (map(int, line.split()) for line in told.splitlines())
    return {pid: (parent, resident) for pid, parent, resident in rows}


def _tree(root: int, known: dict[int, tuple[int, int]]) -> list[int]:
    """The process and all that descend from it, parents first."""
    children = defaultdict(list)
    for pid, (parent, _) in known.items():
        children[parent].append(pid)
    found = [root]
    for pid in found:
        found += children[pid]
    return found


def resident_KiB(running: list[subprocess.Popen[str]]) -> int:  # noqa: N802 - the unit
    """What they and their descendants hold in memory, in KiB; pages that they share are counted for each."""
    known = _processes()
    return sum(known[pid][1] for process in running for pid in _tree(process.pid, known) if pid in known)


def kill(running: list[subprocess.Popen[str]]) -> None:
    """End them with all their descendants by signal 9, parents first so that nothing is started again."""
    known = _processes()
    for process in running:
        for pid in _tree(process.pid, known):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
    for process in running:
        process.wait(ENDS_WITHIN_S)
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                stream.close()
