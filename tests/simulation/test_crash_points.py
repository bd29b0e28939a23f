"""Every point at which a process can be killed in a script, one after the other: nothing is lost, whichever it is."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.operations import claiming
from service.operations.spooling import Spool
from service.store.outbox import EXPIRED, FAILED
from service.store.tables import MessageRow
from tests.checker.questions import violations
from tests.fakes.drawn import drawn_by
from tests.operations.stage import BEGIN_AT, HandMovedClock, stage_on
from tests.simulation.crash_scenarios import SCENARIOS, SECRET, Scenario, World, begin, play, prepared
from tests.simulation.crashes import at_number
from tests.simulation.saving import Saved, engine_in_memory, save

COPIES_MAX = 3
ALARMS = ("distress", "alert")


@pytest.fixture(scope="module")
def engine() -> Iterator[Engine]:
    """A database in memory that every world uses in turn."""
    with engine_in_memory() as engine:
        yield engine


@pytest.fixture(scope="module")
def empty(engine: Engine) -> Saved:
    """The club before any dive."""
    return save(stage_on(engine, HandMovedClock(BEGIN_AT)))


@pytest.fixture
def spool(tmp_path: Path) -> Spool:
    """A spool that outlives our processes."""
    spool = Spool(tmp_path / "spool", SECRET)
    spool.make()
    return spool


class Killing:
    """One script, and its plays: alive, and killed at each of its points."""

    def __init__(self, scenario: Scenario, empty: Saved, engine: Engine, spool: Spool) -> None:
        self.scenario, self.engine, self.spool = scenario, engine, spool
        with drawn_by(random.Random(f"before: {scenario.name}")):
            self.saved = prepared(scenario, empty, engine)

    def points(self) -> tuple[list[int], World]:
        """The numbers of the points to be killed at, and the world in which nobody was.

        Of points between which nothing was committed, sent or put on the disk only the first: a process that is
        killed leaves the same behind at each of them.
        """
        world = begin(self.saved, self.engine, self.spool)
        first: dict[tuple[object, ...], int] = {}

        def note(number: int, _: str) -> bool:
            first.setdefault(world.outlasting(), number)
            return False

        world.crashes.dies = note
        self.play(world)
        return list(first.values()), world

    def killed_at(self, number: int) -> World:
        """The world after a kill at that point, and the calm."""
        world = begin(self.saved, self.engine, self.spool)
        world.crashes.dies = at_number(number)
        self.play(world)
        assert world.crashes.deaths == 1
        return world

    def play(self, world: World) -> None:
        """The same names and codes in every play."""
        with drawn_by(random.Random(f"played: {self.scenario.name}")):
            play(self.scenario, world)

    def wrong(self, world: World) -> list[str]:
        """What does not hold in a world after the calm."""
        found = violations(world.stage.engine, world.stage.journal, world.stage.clock.at)
        with Session(world.stage.engine) as session:
            alarms = session.execute(select(MessageRow).where(MessageRow.kind.in_(ALARMS))).scalars().all()
        for alarm in alarms:
            copies = sum(one.reference == alarm.id for one in world.stage.journal)
            if copies > COPIES_MAX or (copies == 0 and alarm.state not in (EXPIRED, FAILED)):
                found.append(f"{alarm.step} to {alarm.person_key} was taken {copies} times and is {alarm.state}")
        return found if self.scenario.holds(world) else [*found, "what the script was for has not come about"]

    def broken(self) -> dict[str, list[str]]:
        """What does not hold, by the point of the kill."""
        numbers, alive = self.points()
        found = {"alive": self.wrong(alive)}
        for number in numbers:
            world = self.killed_at(number)
            found[f"{number}, {world.crashes.passed[number - 1]}"] = self.wrong(world)
        assert len(found) >= 3  # alive, before a commit, after it
        return {point: wrong for point, wrong in found.items() if wrong}


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda one: one.name)
def test_a_process_may_die_anywhere(scenario: Scenario, empty: Saved, engine: Engine, spool: Spool) -> None:
    """Killed at its first point, at its second, and so on: what must hold holds, and every alarm got through."""
    assert Killing(scenario, empty, engine, spool).broken() == {}


def test_an_alarm_that_died_with_its_courier_would_be_seen(
    empty: Saved, engine: Engine, spool: Spool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With leases that never run out nobody takes up what a dead courier had in hand."""
    monkeypatch.setattr(claiming, "LEASE_S", 1_000_000.0)
    [batch] = [one for one in SCENARIOS if one.name == "a batch of alarms is carried"]

    broken = Killing(batch, empty, engine, spool).broken()

    assert any("taken 0 times and is leased" in line for lines in broken.values() for line in lines)
    assert "alive" not in broken
