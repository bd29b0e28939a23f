"""What a failed test of real processes leaves to understand it by: it is printed, and pytest shows that."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.fakes.journal import Taken

SHOWN_OF_A_LOG = 6_000  # characters, from its end


@contextmanager
def shown_on_failure(*tell: Callable[[], str]) -> Iterator[None]:
    """Let each of `tell` say what it knows when the block fails, however it fails.

    One that fails itself hides neither the others nor what the block raised.
    """
    try:
        yield
    except BaseException:
        for one in tell:
            try:
                said = one()
            except Exception as error:  # noqa: BLE001 - what the block raised matters more
                said = f"(nothing to show: {error!r})"
            sys.stdout.write(f"{said}\n")
        raise


def ends_of_logs(directory: Path) -> str:
    """The last of what each process wrote."""
    logs = sorted(directory.glob("*.log"))
    return "\n".join(f"--- the end of {path.name}\n{end_of(path)}" for path in logs) or f"(no log in {directory})"


def end_of(path: Path) -> str:
    """The last of a file, from the beginning of a line."""
    whole = path.read_text(encoding="utf-8", errors="replace")
    if len(whole) <= SHOWN_OF_A_LOG:
        return whole
    return "..." + whole[-SHOWN_OF_A_LOG:].partition("\n")[2]


def told_of_journal(taken: Sequence[Taken]) -> str:
    """What the gateway took, with the times."""
    lines = [f"{one.taken_at:%H:%M:%S.%f} {one.to}: {one.body}" for one in taken]
    return "\n".join(["--- what the gateway took", *lines])
