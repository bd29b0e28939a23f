"""A chaos run: `make chaos MINUTES=3 SEED=1`. Real processes, random faults one at a time and together, then calm.

While faults come and go dives are filed, started, forgotten and ended, and fall due all the time. Then everything is
healed, everybody comes out, and the checker is asked whether all that was promised has come about. It prints the
figures, writes them as JSON, and ends with 1 where something does not hold. All that is random comes from the seed;
what the machine does meanwhile does not, so a seed plays the same faults and not the same run.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.end_to_end.evidence import ends_of_logs
from tests.faults.all_faults import FAULTS
from tests.faults.asking import broken_promises
from tests.faults.crowd import Crowd
from tests.faults.dealing import deal, heal
from tests.faults.fault import POSTGRESQL, SQLITE, Fault
from tests.faults.figures import Figures, Window, measure, write
from tests.faults.journals import taken_texts
from tests.faults.rig import Rig, rigged

TOGETHER = 0.3  # the share of windows with more than one fault
FILLS_S = 35.0  # until dives fall due all the time
CALM_S = 8.0
SETTLES_WITHIN_S = 150.0
LEFT = Path("build/chaos")
FAULT_WORDS = "Linetender fault"


class Run:
    """One run on one kind of database."""

    def __init__(self, rig: Rig, kind: str, seed: int, only: Sequence[str]) -> None:
        self.rig, self.kind = rig, kind
        self.chance = random.Random(f"chaos {kind} {seed}")
        self.crowd = Crowd(rig, seed)
        self.windows: list[Window] = []
        known = [fault for fault in FAULTS if kind in fault.on]
        self._kinds = [fault for fault in known if not only or fault.name() in only]
        self._bag: list[type[Fault]] = []
        self._together = 0.0 if only else TOGETHER

    def rain(self, minutes: float) -> None:
        """Let faults come and go for so long."""
        self.crowd.start()
        self._pass(FILLS_S)
        until = time.monotonic() + minutes * 60
        while time.monotonic() < until:
            together = self.chance.random() < self._together
            self.play([self._draw() for _ in range(self.chance.choice((2, 3)) if together else 1)])
            self._pass(CALM_S + self.chance.uniform(0, CALM_S))

    def _draw(self) -> Fault:
        """Each kind once before any comes again."""
        if not self._bag:
            self._bag = self.chance.sample(self._kinds, len(self._kinds))
        return self._bag.pop()(self.chance)

    def play(self, faults: Sequence[Fault], lasts_s: float | None = None) -> Window:
        """Have these faults hold at once for a while, and heal them."""
        names = tuple(sorted({fault.name() for fault in faults}))
        window = Window(names, max(fault.within_s for fault in faults), time.time())
        lasts_s = lasts_s or self.chance.uniform(*max(fault.lasts_s for fault in faults))
        say(f"{self.kind:<11}{lasts_s:5.0f} s of {window.name}")
        told = len(self._told())
        try:
            deal(faults, lambda fault, rig: fault.inject(rig), self.rig)
            until = time.monotonic() + lasts_s
            while time.monotonic() < until:
                time.sleep(1)
                deal(faults, lambda fault, rig: fault.go_on(rig), self.rig)
                self.rig.tend()
                if window.told_s is None and len(self._told()) > told:
                    window.told_s = time.time() - window.began_s
        finally:
            heal(faults, self.rig)
        window.ended_s = time.time()
        self.windows.append(window)
        return window

    def _told(self) -> list[str]:
        return [one.body for one in self.rig.admin_texts() if FAULT_WORDS in one.body]

    def _pass(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            time.sleep(1)
            self.rig.tend()

    def come_to_rest(self) -> bool:
        """Everybody comes out; whether all that is due was done and all that waits was carried in time."""
        self.crowd.stop()
        self.rig.heal_lines()
        self._pass(FILLS_S)
        self.crowd.end()
        give_up_at = time.monotonic() + SETTLES_WITHIN_S
        while time.monotonic() < give_up_at:
            self._pass(2)
            if self.rig.at_rest():
                return True
        return False

    def judge(self, figures: Figures, *, at_rest: bool) -> None:
        """Add what was measured, and what does not hold."""
        taken = taken_texts(self.rig)
        measure(self.rig, self.windows, taken, self.crowd.posts, figures)
        if not at_rest:
            figures.broken.append("not all that was due was done within the time to come to rest")
        figures.broken += [f"a text was never taken: {words}" for words in self.crowd.lost]
        figures.broken += [f"somebody's part broke: {fault!r}" for fault in self.crowd.faults]
        figures.broken += broken_promises(self.rig, taken)


def run(kind: str, minutes: float, seed: int, only: Sequence[str], figures: Figures, logs: Path) -> None:
    """One run; its figures are added. Where something does not hold, its logs, journals and database are kept."""
    before = len(figures.broken)
    with rigged(on_postgres=kind == POSTGRESQL) as rig:
        this = Run(rig, kind, seed, only)
        well = False
        try:
            this.rain(minutes)
            this.judge(figures, at_rest=this.come_to_rest())
            well = len(figures.broken) == before
            for words in figures.broken[before:]:
                say(f"DOES NOT HOLD on {kind}: {words}")
        finally:
            this.crowd.end()
            if not well:
                keep(rig, logs / kind)
        say(f"{kind}: {len(this.crowd.dives)} dives, {len(this.windows)} times of faults")


def keep(rig: Rig, where: Path) -> None:
    """Keep what a run left, and show the ends of its logs."""
    say(ends_of_logs(rig.directory))
    where.mkdir(parents=True, exist_ok=True)
    for path in (*rig.directory.glob("*.log"), *rig.directory.glob("*.jsonl")):
        shutil.copy(path, where)
    rig.keep_database(where)
    say(f"logs, journals and database are in {where}")


def say(words: str) -> None:
    """Tell whoever waits."""
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


def main() -> int:
    """Run on both kinds of database, each for half of the time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=3.0, help="how long faults come and go, in all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--on", choices=(POSTGRESQL, SQLITE), help="one kind of database; both where not given")
    parser.add_argument("--only", action="append", default=[], help="only faults of this name; may be repeated")
    parser.add_argument("--json", type=Path, default=LEFT / "figures.json", help="where the figures go")
    parser.add_argument("--logs", type=Path, default=LEFT / "logs", help="where logs go, if something does not hold")
    given = parser.parse_args()
    kinds = (given.on,) if given.on else (POSTGRESQL, SQLITE)
    figures = Figures()
    say(f"chaos with seed {given.seed}: {given.minutes:g} minutes on {' and '.join(kinds)}")
    for kind in kinds:
        run(kind, given.minutes / len(kinds), given.seed, given.only, figures, given.logs)
    say(figures.table())
    write({"seed": given.seed, "minutes": given.minutes, "on": kinds} | figures.document(), given.json)
    return 1 if figures.broken else 0


if __name__ == "__main__":
    sys.exit(main())
