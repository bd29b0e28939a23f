"""What a run of many days shows: sizes, speed, kinds of fault, how late alarms were, and what did not hold."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from tests.simulation.faults import KINDS, PEOPLE
from tests.simulation.figures import Alarm, Played
from tests.simulation.world import HOURS

KINDS_WANTED, KINDS_WANTED_FROM = 40, 2_000  # so many kinds in a run of so many seeds
AT_ONCE = 3
UNDER = {
    "none": "no fault",
    "single": "one kind of fault",
    "away": "both gateways or the database away",
    "several": "several kinds at once",
}


@dataclass
class Report:
    """All days of a run together."""

    days: list[Played] = field(default_factory=list)
    cpu_s: float = 0.0
    wall_s: float = 0.0
    planted: str = ""

    @property
    def broken(self) -> dict[int, list[str]]:
        """By seed what did not hold."""
        return {day.seed: day.broken for day in self.days if day.broken}

    @property
    def counts(self) -> Counter[str]:
        """How often each kind of fault occurred."""
        return sum((day.counts for day in self.days), Counter())

    @property
    def people(self) -> Counter[str]:
        """How often people behaved so."""
        return sum((day.people for day in self.days), Counter())

    @property
    def alarms(self) -> list[Alarm]:
        """All alarms whose lateness can be told."""
        return [alarm for day in self.days for alarm in day.alarms]

    @property
    def short(self) -> list[str]:
        """What the run itself lacks."""
        seeds = len(self.days)
        found = []
        if seeds >= KINDS_WANTED_FROM and len(self.counts) < KINDS_WANTED:
            found.append(f"only {len(self.counts)} kinds of fault occurred")
        if seeds >= KINDS_WANTED_FROM and self._share_at_once() < 0.3:
            found.append(f"only in {self._share_at_once():.0%} of the seeds {AT_ONCE} kinds were at once")
        if self.planted and not self.planted.startswith("found"):
            found.append(f"the planted violation was {self.planted}")
        return found

    def _share_at_once(self) -> float:
        return sum(day.most_at_once >= AT_ONCE for day in self.days) / max(len(self.days), 1)

    def lines(self) -> list[str]:
        """The report for people."""
        days, hours = self.days, HOURS * len(self.days)
        sizes = {
            "seeds": len(days),
            "simulated hours": hours,
            "dives": sum(day.dives for day in days),
            "canary dives": sum(day.canary_dives for day in days),
            "texts to us": sum(day.texts for day in days),
            "messages": sum(day.messages for day in days),
            "alarms of the clock": len(self.alarms),
            "seconds": round(self.wall_s),
            "CPU seconds a seed": round(self.cpu_s / max(len(days), 1), 2),
            "times real time": round(hours * 3600 / max(self.wall_s, 1e-9)),
        }
        lines = [
            ", ".join(f"{name} {size:,}" for name, size in sizes.items()),
            f"{AT_ONCE} or more kinds of fault at once in {self._share_at_once():.0%} of the seeds",
            f"{len(self.counts)} of {len(KINDS)} kinds of fault occurred:",
            *_table(self.counts, tuple(KINDS)),
            *_never(self.counts, tuple(KINDS)),
            f"{len(self.people)} of {len(PEOPLE)} ways of people occurred:",
            *_table(self.people, tuple(PEOPLE)),
            *_never(self.people, tuple(PEOPLE)),
            "due to accepted, in seconds:",
        ]
        for under, words in UNDER.items():
            took = sorted(alarm.took_s for alarm in self.alarms if alarm.under == under)
            figures = f"median {statistics.median(took):.1f}, longest {took[-1]:.1f}" if took else "none"
            lines.append(f"  {words}: {len(took)} alarms, {figures}")
        lines.append(f"planted violation: {self.planted or 'none was planted'}")
        lines += [f"MISSING: {words}" for words in self.short]
        for seed, broken in self.broken.items():
            lines += [f"SEED {seed}: {line}" for line in broken[:5]]
            lines.append(f"  play it again: make simulate SEED={seed}")
        lines.append(f"violations: {sum(len(broken) for broken in self.broken.values())} in {len(self.broken)} seeds")
        return lines


def _table(counts: Counter[str], names: Sequence[str]) -> list[str]:
    cells = [f"{name} {counts[name]}" for name in names if counts[name]]
    return [f"  {', '.join(cells[at : at + 6])}" for at in range(0, len(cells), 6)]


def _never(counts: Counter[str], names: Sequence[str]) -> list[str]:
    missing = [name for name in names if not counts[name]]
    return [f"  never: {', '.join(missing)}"] if missing else []
