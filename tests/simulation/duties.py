"""Who does what when: sweepers and couriers as soon as there is something to do, the keeper when nobody did it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from service.operations.inbound import WAITING_AFTER_S
from service.operations.long_texts import WAIT_S
from tests.simulation.processes import Life, sweeps

if TYPE_CHECKING:
    from tests.simulation.world import World

LOOKS_AFTER_S = 10.0  # the keeper
HELD_MOST_S = 10.0
CLOCKS_APART = timedelta(seconds=2)  # at most
EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)
EACH_S = 1.0
RETRIES_S = 25.0


@dataclass
class Duty:
    """One kind of work: what the clock showed when it was last done, and until when it is not done again."""

    least_s: float
    spread_s: float
    shown: datetime = EARLIEST
    seen: object = None
    held_s: float = EACH_S
    held_until_at: datetime = EARLIEST
    drawn_for: datetime | None = None
    delay: timedelta = timedelta(0)

    def hold(self, now: datetime, shown: datetime, seen: object) -> None:
        """Done. What is still there afterwards is come back to after a second, then more rarely."""
        self.held_s = min(self.held_s * 2, HELD_MOST_S) if seen == self.seen else EACH_S
        self.seen, self.shown = seen, shown
        self.held_until_at = now + timedelta(seconds=self.held_s)

    def free(self, now: datetime) -> None:
        """Whoever could not do it can again."""
        self.held_until_at = min(self.held_until_at, now + timedelta(seconds=EACH_S))
        self.held_s = EACH_S


class Duties:
    """The next sweep, the next carrying and the next look of the keeper."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._sweep, self._carry, self._keep = Duty(0.0, EACH_S), Duty(0.0, EACH_S), Duty(LOOKS_AFTER_S, 5.0)
        self._moments: tuple[datetime | None, ...] = ()
        self._missed: set[str] = set()  # roles of which nobody was there
        self._next: tuple[datetime, Duty] | None = None

    def next_at(self) -> datetime | None:
        """When the next of them is to be done."""
        world = self._world
        if world.changed:
            world.changed = False
            self._moments = world.database.next_moments()
            self._plan()
        return None if self._next is None else self._next[0]

    def free(self) -> None:
        """A clock was set, or somebody can work again."""
        for duty in (self._sweep, self._carry, self._keep):
            duty.free(self._world.loop.now)
        self._world.changed = True

    def is_back(self, role: str) -> None:
        """A process is done with what it did; if somebody of its role was missed, it comes to that now."""
        if role in self._missed:
            self._missed.discard(role)
            self.free()

    def _plan(self) -> None:
        due, receipt, stored, part, urgent, queued, leased, expires = self._moments
        waiting = None if stored is None else stored + timedelta(seconds=WAITING_AFTER_S)
        parts = None if part is None else part + timedelta(seconds=WAIT_S)
        planned = [
            self._when(self._sweep, (due, receipt, waiting, parts, expires, self._world.spool.kept_at)),
            self._when(self._carry, (queued, leased)),
            self._when(self._keep, (due, urgent)),
        ]
        self._next = min((one for one in planned if one is not None), default=None, key=lambda one: one[0])

    def _when(self, duty: Duty, moments: tuple[datetime | None, ...]) -> tuple[datetime, Duty] | None:
        """When a duty comes: soon after what is new falls due; for what it left behind, when it is held to."""
        known = [one for one in moments if one is not None]
        found = []
        if any(one <= duty.shown for one in known):
            found.append(duty.held_until_at)
        coming = min((one for one in known if one > duty.shown), default=None)
        if coming is not None:
            if duty.drawn_for != coming:
                duty.drawn_for = coming
                duty.delay = timedelta(seconds=duty.least_s + self._world.chance.random() * duty.spread_s)
            found.append(self._world.believed.when(coming + duty.delay))
        return (min(found), duty) if found else None

    def do(self) -> None:
        """Do what is next."""
        assert self._next is not None
        _, duty = self._next
        world, now = self._world, self._world.loop.now
        self._world.changed = True
        seen, shown = self._moments, world.believed.now()
        if duty is self._keep:
            duty.hold(now, shown, seen)
            if world.keeper.free:
                world.keeper.act(looks)
            return
        duty.hold(now, shown, seen)
        if world.strikes("broker_away"):
            duty.held_until_at = now + timedelta(seconds=RETRIES_S)
            return
        if world.weather.about("database_away", now):
            duty.held_until_at = now + timedelta(seconds=RETRIES_S)  # it is tried, and once more when it is back
        if duty is self._sweep:
            self.sweep()
        else:
            self.carry()

    def sweep(self) -> None:
        """One sweeper sweeps, or both do."""
        world = self._world
        free = [one for one in world.sweepers if one.free]
        if not free:
            self._missed.add("sweeper")
        count = 2 if len(free) == 2 and world.strikes("two_sweeps") else 1
        for process in world.chance.sample(free, min(count, len(free))):
            world.sign_of_life()
            process.act(sweeps)

    def carry(self) -> None:
        """One courier carries, or both do: the first carries what is urgent alone. Where nothing waits, nobody need."""
        world = self._world
        waiting = [one for one in world.database.next_moments()[5:7] if one is not None]
        if not any(one <= world.believed.now() + CLOCKS_APART for one in waiting):
            return
        free = [one for one in world.couriers if one.free]
        if not free:
            self._missed.add("courier")
        count = 2 if len(free) == 2 and (world.strikes("two_couriers") or self._urgent_waits()) else 1
        chosen = free if count == 2 else free[-1:]
        for process in chosen:
            process.act(urgent if process is world.couriers[0] else everything)

    def _urgent_waits(self) -> bool:
        urgent = self._moments[4] if self._moments else None
        return urgent is not None and urgent <= self._world.believed.now() and self._world.chance.random() < 0.2


def urgent(life: Life) -> None:
    """What the task of urgent couriers does."""
    life.courier.carry(urgent_only=True)


def everything(life: Life) -> None:
    """What the task of the other couriers does."""
    life.courier.carry()


def looks(life: Life) -> None:
    """One round of the keeper."""
    life.world.sign_of_life()
    life.keeper._look_anyhow()
