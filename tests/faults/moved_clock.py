"""A clock that a test moves in other processes: the machine's, and how far it is off, which stands in a file."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

VARIABLE = "CLOCK_OF_THE_TEST"


@dataclass(frozen=True, slots=True)
class MovedClock:
    """The wall clock, as far off as the file says, or standing still since an instant; read at each look."""

    file: Path

    def now(self) -> datetime:
        """What this clock shows."""
        return shown(json.loads(self.file.read_text(encoding="utf-8")), time.time())


def shown(setting: dict[str, float | None], real_s: float) -> datetime:
    """What a clock with this setting shows at a real instant in seconds since 1970."""
    stopped_s = setting["stopped_s"]
    seconds = (real_s if stopped_s is None else stopped_s) + float(setting["off_s"] or 0.0)
    return datetime.fromtimestamp(seconds, UTC)


class ClockSetter:
    """Moves the clock, and knows what it showed at each moment of the run."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._settings: list[tuple[float, dict[str, float | None]]] = []
        self.set(off_s=0.0)

    def set(self, *, off_s: float | None = None, stopped: bool = False) -> None:
        """Put the clock so far off, or where it was; from now on it goes, or stands still."""
        now_s = time.time()
        before_s = float(self._settings[-1][1]["off_s"] or 0.0) if self._settings else 0.0
        setting = {"off_s": before_s if off_s is None else off_s, "stopped_s": now_s if stopped else None}
        new = self.file.with_suffix(".new")
        new.write_text(json.dumps(setting), encoding="utf-8")
        new.replace(self.file)
        self._settings.append((now_s, setting))

    def now(self) -> datetime:
        """What it shows."""
        return self.shown_at(time.time())

    @property
    def moved(self) -> bool:
        """Whether it was ever anything but right."""
        return any(setting != {"off_s": 0.0, "stopped_s": None} for _, setting in self._settings)

    def shown_at(self, real_s: float) -> datetime:
        """What it showed then."""
        return shown(self._setting_at(real_s), real_s)

    def latest_shown(self, real_s: float) -> datetime:
        """The latest that it showed, or would show now as it was set at any time before.

        A process does not follow its clock back, so this is what the service's own clocks show.
        """
        settings = [setting for at_s, setting in self._settings if at_s <= real_s] or [self._settings[0][1]]
        return max(shown(setting, real_s) for setting in settings) + timedelta(milliseconds=1)

    def _setting_at(self, real_s: float) -> dict[str, float | None]:
        known = [setting for at_s, setting in self._settings if at_s <= real_s]
        return known[-1] if known else self._settings[0][1]
