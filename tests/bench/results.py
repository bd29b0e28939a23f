"""What the benches measured, kept as they go: printed at once, and all of it as JSON in build/bench.json.

A figure is the median of several runs. Absolute figures of one machine say little about another, so whatever has a
rival or a yardstick is measured side by side with it in the same run and told as a ratio.
"""

from __future__ import annotations

import json
import os
import platform
import statistics
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

WRITTEN_TO = Path(os.environ.get("BENCH_RESULTS", "build/bench.json"))


@dataclass(frozen=True)
class Result:
    """One figure. `beside` is the yardstick's figure in the same run and unit, `ratio` ours to it."""

    name: str
    figure: float
    unit: str
    runs: tuple[float, ...] = ()
    beside: float | None = None
    beside_name: str | None = None
    more: dict[str, object] = field(default_factory=dict)

    @property
    def ratio(self) -> float | None:
        """How many times the yardstick."""
        return self.figure / self.beside if self.beside else None


def note(
    name: str,
    runs: Sequence[float],
    unit: str,
    *,
    beside: Sequence[float] = (),
    beside_name: str | None = None,
    **more: object,
) -> Result:
    """Keep the median of our runs, beside that of the yardstick's, and print one line."""
    result = Result(
        name,
        statistics.median(runs),
        unit,
        tuple(runs),
        statistics.median(beside) if beside else None,
        beside_name,
        more,
    )
    _keep(result)
    words = f"{name}: {result.figure:.4g} {unit}"
    if result.ratio is not None:
        words += f"; {beside_name}: {result.beside:.4g} {unit}; ratio {result.ratio:.2f}"
    print("\n" + words + "".join(f"; {key} {value}" for key, value in more.items()))
    return result


def _keep(result: Result) -> None:
    """Add it to the file; a figure of the same name gives way."""
    known = json.loads(WRITTEN_TO.read_text()) if WRITTEN_TO.exists() else {"results": {}}
    known["machine"] = {"python": platform.python_version(), "system": platform.platform(), "cores": os.cpu_count()}
    known["results"][result.name] = {
        **asdict(result),
        "ratio": result.ratio,
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    WRITTEN_TO.parent.mkdir(parents=True, exist_ok=True)
    WRITTEN_TO.write_text(json.dumps(known, indent=1, default=str) + "\n")


def timed(work: Callable[[], object], clock: Callable[[], float]) -> float:
    """How much of the clock one run of the work takes, in seconds."""
    began = clock()
    work()
    return clock() - began
