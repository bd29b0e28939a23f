"""Our processes: a life may end or stand still at any edge, and the next one remembers nothing."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy.orm import Session

from service.clock import SteadyClock
from service.operations.carrying import Courier
from service.operations.clock_mark import MarkFollower
from service.operations.gateway import InboundText, OwnNumber
from service.operations.inbound import answer_text
from service.operations.intake import Intake, drain_quietly
from service.operations.receiving import receive_text
from service.operations.service import Service
from service.operations.spooling import Brought, Spool, SpoolError
from service.operations.sweeping import sweep
from service.store.outbox import LeaseLost
from tests.operations.stage import OURS
from tests.simulation.clocks import ProcessClock
from tests.simulation.database import busy, is_injected
from tests.simulation.loop import Death, SimulatedFuture, SimulatedPool
from workers.keeper import Keeper

if TYPE_CHECKING:
    from tests.simulation.world import World

T = TypeVar("T")

SECOND_NUMBER = "+447700900601"  # what the second gateway sends from
OWN_NUMBERS = (OwnNumber("second", SECOND_NUMBER, OURS),)
FROZEN_S = (20.0, 600.0)
SWEPT_AFTER = timedelta(seconds=15)
RESTART_S = (1.0, 15.0)
HANGS_S = (1.5, 8.0)
AWAY_ROLES = {"sweeper": "sweepers_dead", "courier": "couriers_dead", "web": "web_dead", "keeper": "keeper_dead"}


@dataclass(frozen=True)
class WatchedService(Service):
    """The service of one life: around each transaction something may happen."""

    life: Life = None  # type: ignore[assignment]  # after fields with defaults, and always given

    def write(self, work: Callable[[Session], T]) -> T:
        """As the service does, with all that can go wrong before, in and after it."""
        life, world = self.life, self.life.world
        life.before_transaction()
        if world.strikes("connection_lost"):
            world.database.lose_after = world.chance.randint(1, 15)
        world.database.lose_answer = world.strikes("commit_answer_lost")

        def inside(session: Session) -> T:
            life.reach_database()
            result = work(session)
            if world.strikes("killed_before_commit"):
                life.die()
            return result

        try:
            result = super().write(inside)
        finally:
            world.database.lose_after, world.database.lose_answer = 0, False
            world.changed = True
        if world.strikes("killed_after_commit"):
            life.die()
        return result

    def read(self, work: Callable[[Session], T]) -> T:
        """As the service does, where the database can be reached."""
        self.life.reach_database()
        return super().read(work)


class Life:
    """One process from its start to its end."""

    def __init__(self, world: World, process: Process, number: int) -> None:
        self.world = world
        self.process = process
        self.name = name = f"{process.name}-{number}"
        self.dead = False
        self.busy = False
        self.frozen_until_at: datetime | None = None
        clock = SteadyClock(process.clock.now, world.loop.monotonic)
        self.service = WatchedService(
            world.database.engine,
            clock,
            "https://dive.example",
            name,
            world.nudge,
            world.channels,
            OWN_NUMBERS,
            life=self,
        )
        self.follow_mark = MarkFollower(self.service, world.loop.monotonic)
        self.has_looked = False  # for the mark
        self._courier: Courier | None = None
        self._keeper: Keeper | None = None
        self._intake: Intake | None = None

    def pool(self) -> Any:
        """In place of threads of its own."""
        return SimulatedPool(self.world.loop, self)

    @property
    def courier(self) -> Courier:
        """Its courier, which waits in simulated time."""
        if self._courier is None:
            loop = self.world.loop
            courier = Courier(self.service, self.world.gateways, self.world.loop.monotonic, loop.sleep)
            courier._pool.shutdown()
            courier._asking._pool.shutdown()
            courier._pool, courier._asking._pool = self.pool(), self.pool()
            self._courier = courier
        return self._courier

    @property
    def keeper(self) -> Keeper:
        """The keeper of this process."""
        if self._keeper is None:
            world = self.world
            keeper = Keeper(
                self.service, self.courier, world.loop.monotonic, gateways=world.gateways, spool=world.spool
            )
            keeper._thread.shutdown()
            keeper._asking.shutdown()
            keeper._thread, keeper._asking = self.pool(), self.pool()
            self._keeper = keeper
        return self._keeper

    @property
    def intake(self) -> Intake:
        """What takes texts and receipts in the web."""
        if self._intake is None:
            self._intake = Intake(self.service, self.world.spool)
            together = self._intake._together
            self._intake._threads = together._threads = self.pool()
            together._promise = partial(SimulatedFuture, self.world.loop)
            together._pause = self.world.loop.sleep
        return self._intake

    def before_transaction(self) -> None:
        """Between two transactions a process may stand still, or have to wait."""
        world = self.world
        if world.strikes("frozen"):
            self.freeze(*FROZEN_S)
        if world.strikes("database_hangs"):
            world.loop.sleep(world.chance.uniform(*HANGS_S))

    def reach_database(self) -> None:
        """Raises what the driver would where it is locked."""
        if self.world.strikes("database_busy"):
            raise busy()

    def freeze(self, least_s: float, most_s: float) -> None:
        """Stand still, with all that it does."""
        world = self.world
        self.frozen_until_at = world.loop.now + timedelta(seconds=world.chance.uniform(least_s, most_s))
        world.stood.append((self.name, world.loop.now, self.frozen_until_at))
        world.note(f"{self.name} stands still until {self.frozen_until_at:%H:%M:%S}")
        # Sweeps go on every few seconds: what it writes down late is looked at soon.
        world.loop.at(self.frozen_until_at + SWEPT_AFTER, world.duties.sweep)
        world.loop.sleep_until(self.frozen_until_at)

    def end(self) -> None:
        """Whatever it does ends, and what the system held for it is free."""
        self.dead = True
        standby = self._keeper._standby if self._keeper is not None else None
        if standby is not None and standby._lock is not None:
            os.close(standby._lock)

    def die(self) -> None:
        """End here and now; another one is started after a while."""
        self.world.note(f"{self.name} dies")
        self.process.kill(self.world.loop.now + timedelta(seconds=self.world.chance.uniform(*RESTART_S)))
        raise Death


class Process:
    """A place in which one life follows the other."""

    def __init__(self, world: World, role: str, number: int) -> None:
        self.world = world
        self.role = role
        self.name = f"{role}-{number}"
        self.clock = ProcessClock(world.machine)
        self.life: Life | None = None
        self.up_at = world.loop.now
        self._born = 0

    @property
    def running(self) -> bool:
        """Whether it lives and moves."""
        now, life = self.world.loop.now, self.life
        if now < self.up_at:
            return False
        return life is None or life.frozen_until_at is None or life.frozen_until_at <= now

    @property
    def free(self) -> bool:
        """Whether it can begin something."""
        return self.running and (self.life is None or not self.life.busy)

    def kill(self, until: datetime) -> None:
        """End it, and do not start it again before then."""
        self.world.marks.leave()
        if self.life is not None:
            self.life.end()
            self.life = None
        self.up_at = max(self.up_at, until)
        self.world.marks.one_has_ended()

    def act(self, work: Callable[[Life], object], failed: Callable[[], None] | None = None) -> None:
        """Begin something in it; `failed` is called where it came to no good end."""
        if self.life is None:
            self._born += 1
            self.life = Life(self.world, self, self._born)
        life = self.life
        life.busy = self.role != "web"  # the web has many threads

        def run() -> None:
            done = False
            try:
                self.world.marks.follow(life)
                work(life)
                self.world.marks.heed_keeper(life)
                done = True
            except Exception as fault:  # noqa: BLE001 - a process goes on, and the day looks at what it was
                self.world.raised(life.name, fault)
            finally:
                life.busy = False
                self.world.marks.look_for_first()
                self.world.duties.is_back(self.role)
                if not done and failed is not None:
                    failed()

        self.world.loop.start(life, run)


class Web(Process):
    """What gateways and people reach."""

    def bring_text(self, text: InboundText, not_taken: Callable[[], None]) -> None:
        """A gateway posts a text; `not_taken` where it hears no 2xx."""
        if not self.running:
            not_taken()
            return

        def take(life: Life) -> None:
            try:
                inbound_id = life.intake.text(text)
            except BaseException:
                not_taken()
                raise
            if inbound_id is None:
                return
            if self.world.strikes("killed_before_answering"):
                life.die()
            answer_text(life.service, inbound_id)

        self.act(take)

    def bring_forged_text(self, text: InboundText) -> None:
        """Somebody posts a text that no gateway signed."""
        if self.running:
            self.act(lambda life: receive_text(life.service, text, authentic=False))

    def bring(self, work: Callable[[Life], object]) -> None:
        """A gateway posts something else, or a page does; where we do not take it, it is lost."""
        if self.running:
            self.act(work)


class DoubtfulSpool(Spool):
    """A spool on a disk that may be full."""

    is_full: Callable[[], bool]
    _kept_at: datetime | None = None

    @property
    def kept_at(self) -> datetime | None:
        """When the last thing came into it, while anything lies there."""
        if self._kept_at is not None and not self.waiting():
            self._kept_at = None
        return self._kept_at

    def keep(self, brought: Brought) -> None:
        """As the spool does, where the disk has room."""
        if self.is_full():
            raise SpoolError("No space left on device")
        super().keep(brought)
        self._kept_at = brought.received_at


def sweeps(life: Life) -> None:
    """What the task of the sweep does."""
    drain_quietly(life.service, life.world.spool)
    sweep(life.service)


def is_expected(fault: BaseException) -> bool:
    """Whether a process may well raise this, things being as they are."""
    return is_injected(fault) or isinstance(fault, (SpoolError, LeaseLost))
