"""What a chaos run showed: how late alarms were, with no fault and under each; and what does not hold."""

from __future__ import annotations

import json
import statistics
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.leases import LOST
from service.store.tables import AttemptRow, DiveRow, MessageRow
from tests.faults.fault import SINGLE_S
from tests.faults.journals import TakenText
from tests.faults.rig import Rig

RECOVERS_S = 15.0  # after a fault is over what falls due is still counted to it
OUT_WITHIN_S = 5.0  # so long an alarm may take with no fault: what strikes by then strikes it too
TAKEN_UP_S = 35.0
NO_FAULT = "no fault"
ALARMS = ("alert", "distress")


@dataclass
class Window:
    """A time in which one fault held, or several. Instants are wall time in seconds since 1970."""

    names: tuple[str, ...]
    within_s: float
    began_s: float
    ended_s: float = 0.0
    told_s: float | None = None  # until an admin heard of a fault

    @property
    def name(self) -> str:
        """How it is called in the table."""
        return " + ".join(self.names)

    def covers(self, at_s: float) -> bool:
        """Whether what is due then is due under it."""
        return self.began_s <= at_s <= self.ended_s + RECOVERS_S

    def strikes(self, at_s: float) -> bool:
        """Whether it holds then, or comes before what is due then has had the time to be out."""
        return self.began_s - OUT_WITHIN_S <= at_s <= self.ended_s + RECOVERS_S


@dataclass
class Figures:
    """All that was measured."""

    late: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    taken_up_s: list[float] = field(default_factory=list)
    told: dict[str, float] = field(default_factory=dict)
    posts: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    broken: list[str] = field(default_factory=list)

    def table(self) -> str:
        """The figures for a person."""
        lines = [f"{'due to accepted, in seconds':<52}{'dives':>6}{'median':>9}{'largest':>9}"]
        for name in sorted(self.late, key=lambda name: (name != NO_FAULT, "+" in name, name)):
            late = self.late[name]
            lines.append(f"{name:<52}{len(late):>6}{statistics.median(late):>9.2f}{max(late):>9.2f}")
        lines.append(
            f"crashed deliveries taken up: {len(self.taken_up_s)}, after {_largest(self.taken_up_s)} s at most"
        )
        lines += [f"a person heard of {name} after {s:.1f} s" for name, s in sorted(self.told.items())]
        for name, took in sorted(self.posts.items()):
            lines.append(f"texts taken under {name}: {len(took)}, within {_largest(took)} s each")
        return "\n".join([*lines, *(f"DOES NOT HOLD: {words}" for words in self.broken)])

    def document(self) -> dict[str, Any]:
        """The figures for a program."""
        late = {
            name: {"dives": len(late), "median_s": round(statistics.median(late), 3), "largest_s": round(max(late), 3)}
            for name, late in sorted(self.late.items())
        }
        posts = {name: {"texts": len(took), "largest_s": round(max(took), 3)} for name, took in self.posts.items()}
        return {
            "due_to_accepted": late,
            "taken_up": {"count": len(self.taken_up_s), "largest_s": max(self.taken_up_s, default=None)},
            "told_s": self.told,
            "texts": posts,
            "does_not_hold": self.broken,
        }


def _largest(values: list[float]) -> str:
    return f"{max(values):.2f}" if values else "-"


def measure(
    rig: Rig, windows: list[Window], taken: list[TakenText], posts: list[tuple[float, float]], figures: Figures
) -> None:
    """Add what this run showed, and what was later than it may be."""
    with Session(rig.engine) as session:
        dives = session.execute(select(DiveRow).where(DiveRow.raise_by_at.is_not(None))).scalars().all()
        messages = {row.id: row for row in session.execute(select(MessageRow)).scalars()}
        lost = session.execute(select(AttemptRow).where(AttemptRow.detail.startswith(LOST))).scalars().all()
    accepted: dict[str, float] = {}
    for one in taken:
        message = messages.get(one.reference)
        if message is not None and message.kind in ALARMS and message.dive_id:
            accepted[message.dive_id] = min(accepted.get(message.dive_id, one.at.timestamp()), one.at.timestamp())
    for dive in dives:
        _measure_dive(dive, accepted.get(dive.id), windows, figures)
    for attempt in lost:
        if attempt.ended_at is not None:
            took_s = (attempt.ended_at - attempt.started_at).total_seconds()
            window = _window(windows, attempt.started_at.timestamp())
            if window is not None and len(window.names) == 1 and window.within_s == SINGLE_S:
                figures.taken_up_s.append(took_s)
    for at_s, took_s in posts:
        window = _window(windows, at_s)
        if window is None or at_s <= window.ended_s:
            figures.posts[NO_FAULT if window is None else window.name].append(took_s)
    figures.told |= {window.name: window.told_s for window in windows if window.told_s is not None}


def _measure_dive(dive: DiveRow, accepted_s: float | None, windows: list[Window], figures: Figures) -> None:
    if dive.raise_by_at is None or dive.raise_by_at > datetime.now(UTC):
        return
    due_s = dive.raise_by_at.timestamp()
    window = _window(windows, due_s)
    if accepted_s is None:
        if dive.closed_at is None:
            figures.broken.append(f"dive {dive.id} was due and no gateway took its alarm")
            return
        if dive.closed_at.timestamp() - due_s < SINGLE_S:
            return  # over before an alarm had to be out
        accepted_s = dive.closed_at.timestamp()
    late_s = accepted_s - due_s
    name = NO_FAULT if window is None else window.name
    figures.late[name].append(late_s)
    struck = [one for one in windows if one.strikes(due_s)]
    limit_s = max((one.within_s for one in struck), default=SINGLE_S)
    alone = sum(len(one.names) for one in struck) <= 1
    if alone and late_s > limit_s:
        figures.broken.append(f"the alarm of dive {dive.id} was taken {late_s:.1f} s after it was due, under {name}")


def _window(windows: list[Window], at_s: float) -> Window | None:
    found = [window for window in windows if window.covers(at_s)]
    return found[-1] if found else None


def write(document: dict[str, Any], path: Path) -> None:
    """Keep the figures as JSON."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")
