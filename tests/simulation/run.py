"""Plays many simulated days and reports; with one seed it prints that day. `make simulate` runs it."""

from __future__ import annotations

import argparse
import gc
import logging
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.servers.memory import write_to_memory
from tests.servers.postgres import start_postgres
from tests.simulation.database import Database
from tests.simulation.figures import Played
from tests.simulation.planting import plant
from tests.simulation.report import Report
from tests.simulation.world import World

HASHES = "PYTHONHASHSEED"
PLAIN = "plain"
REGRESSIONS = Path(__file__).parent / "regressions.txt"
TOLD_EVERY_S = 30.0

_here: list[Database] = []  # this process's database, made at its first day


def regressions() -> list[tuple[int, bool]]:
    """Seeds that once failed, and whether that was a plain day."""
    lines = REGRESSIONS.read_text(encoding="utf-8").splitlines()
    words = [line.split() for line in lines if line.strip() and not line.startswith("#")]
    return [(int(seed), rest[:1] == [PLAIN]) for seed, *rest in words]


def play(seed: int) -> tuple[Played, float]:
    """One day in this process, and the CPU seconds that it took."""
    if not _here:
        logging.disable(logging.ERROR - 1)
        _here.append(Database())
        World(0, _here[0]).play()  # what is learned once is no part of a day
        gc.collect()
        gc.freeze()
    began = time.process_time()
    return World(seed, _here[0]).play(), time.process_time() - began


def play_many(seeds: list[int], jobs: int) -> Report:
    """All of these, in so many processes."""
    report, began, told = Report(), time.monotonic(), time.monotonic()
    with _days(seeds, jobs) as days:
        for day, cpu_s in days:
            report.days.append(day)
            report.cpu_s += cpu_s
            if day.broken:
                print(f"SEED {day.seed}: {day.broken[0]}", flush=True)
            if time.monotonic() - told > TOLD_EVERY_S:
                told = time.monotonic()
                print(f"{len(report.days)} of {len(seeds)} seeds", flush=True)
    report.days.sort(key=lambda day: day.seed)
    report.wall_s = time.monotonic() - began
    return report


def play_on_postgresql(seeds: list[int]) -> Report:
    """All of these, one after the other, each in a database of its own."""
    report, began, cpu_began = Report(), time.monotonic(), time.process_time()
    server = start_postgres()
    try:
        for seed in seeds:
            report.days.append(World(seed, Database(server.url(server.create_database()))).play())
    finally:
        server.remove()
    report.wall_s, report.cpu_s = time.monotonic() - began, time.process_time() - cpu_began
    return report


@contextmanager
def _days(seeds: list[int], jobs: int) -> Iterator[Iterator[tuple[Played, float]]]:
    if jobs == 1:
        yield map(play, seeds)
        return
    with multiprocessing.get_context("fork").Pool(jobs) as pool:
        yield pool.imap_unordered(play, seeds, chunksize=4)


def show(seed: int, database: Database, *, plain: bool) -> bool:
    """Play one day and print it; whether all held."""
    trace: list[str] = []
    world = World(seed, database, trace=trace, cases=() if plain else None)
    played = world.play()
    print("\n".join(trace))
    spells = [f"  {one.begin:%d %H:%M} to {one.end:%d %H:%M} {one.kind} {one.rate:.2f}" for one in world.weather.spells]
    print("\n".join([f"seed {seed}, weather:", *sorted(spells)]))
    report = Report([played], wall_s=1.0)
    print("\n".join(report.lines()))
    return not played.broken


def main() -> int:
    """1 when anything did not hold."""
    parser = argparse.ArgumentParser(prog="make simulate", description=__doc__)
    parser.add_argument("--seeds", type=int, default=2_000, help="how many days")
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--jobs", type=int, default=2, help="processes at once")
    parser.add_argument("--seed", type=int, help="play this one day and print it")
    parser.add_argument("--plain", action="store_true", help="that day without cases, as in regressions.txt")
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    given = parser.parse_args()
    write_to_memory()  # what processes keep on a disk is synced often
    if given.seed is not None:
        return int(not _show_on(given.seed, given.database, plain=given.plain))
    seeds = list(range(given.first, given.first + given.seeds))
    report = play_on_postgresql(seeds) if given.database == "postgresql" else play_many(seeds, given.jobs)
    report.planted, _ = plant(Database(), given.first)
    print("\n".join(report.lines()))
    return int(bool(report.broken or report.short))


def _show_on(seed: int, database: str, *, plain: bool) -> bool:
    if database == "sqlite":
        return show(seed, Database(), plain=plain)
    server = start_postgres()
    try:
        return show(seed, Database(server.url(server.create_database())), plain=plain)
    finally:
        server.remove()


if __name__ == "__main__":
    if os.environ.get(HASHES) != "0":  # sets of words must have one order in every process
        os.environ[HASHES] = "0"
        os.execv(sys.executable, [sys.executable, "-m", "tests.simulation.run", *sys.argv[1:]])  # noqa: S606 - itself
    sys.exit(main())
