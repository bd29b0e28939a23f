"""The mark of the clock on a simulated day: who left it, who goes on from it, and how much time may be lost by that.

Sweeps and looks are played only where there is something to do. So after a start of the whole machine the real ones are
played until one has left its time; from then on the mark is what they would leave every few seconds, while one is up.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from service.clock import MACHINES_APART
from service.operations.clock_mark import AHEAD, KEEPER, LOOKS_EVERY_S
from service.operations.gap import HEARTBEAT
from tests.simulation.duties import looks
from tests.simulation.processes import Life, Process, sweeps

if TYPE_CHECKING:
    from tests.simulation.world import World

TRIED_EVERY_S = 3.0
UP_FOR = timedelta(seconds=5)  # by when one that is started has swept or looked
BEHIND_MOST = 2 * MACHINES_APART  # what is not followed, and the rest of a look
FOLLOWED_WITHIN = timedelta(seconds=LOOKS_EVERY_S + 1)
FAULTS_OF_LOOKS = ("database_away", "database_busy", "connection_lost")


def _nothing(_life: Life) -> None:
    pass


class Marks:
    """What the service can know of the time, once all of it was started again with a clock that shows less."""

    def __init__(self, world: World) -> None:
        self._world = world
        self.started_again = False
        self._left: datetime | None = None  # the mark when nothing ran any more, until somebody has left a later one
        self._left_at = world.loop.now  # when that was: before, too, where nobody could leave one
        self._later_at = world.loop.now  # when somebody left a mark that was later than what all others believed
        self._kept: datetime | None = None  # the time at the end of the last look of a keeper, which is on its disk

    @property
    def none_yet(self) -> bool:
        """Whether nobody has left a mark since nothing ran."""
        return self._left is not None

    def all_end(self) -> None:
        """All that runs is about to: of the time from here until one of them looks again nobody can know."""
        self.started_again = True
        self.leave()
        self._stand_still()

    def leave(self) -> None:
        """What would have been left just before, by one that runs and reaches the database."""
        world, now = self._world, self._world.loop.now
        if not self.started_again or self.none_yet or world.weather.about("database_away", now):
            return
        broker_away, seen = world.weather.about("broker_away", now), world.believed.now()
        able = (world.web, world.keeper) if broker_away else world.processes()
        for name, leavers in ((HEARTBEAT, world.sweepers), (KEEPER, (world.keeper,)), (AHEAD, self._ahead())):
            if any(one in able and one.running and one.up_at <= now - UP_FOR for one in leavers):
                world.database.leave_mark(name, seen - timedelta(seconds=world.chance.random()))

    def one_has_ended(self) -> None:
        """Where it was the last that left marks, the same, though others that live go on by their own clocks."""
        now = self._world.loop.now
        if self.started_again and not self.none_yet and all(one.up_at > now for one in self._leavers()):
            self._stand_still()

    def follow(self, life: Life) -> None:
        """A process is about to act: it goes on from the mark, or it must have been kept from that.

        The judge asks the database itself, not what the process takes for the mark or whether it has looked. As long as
        no clock was ever wrong there is nothing to go on from, and the look with which each process begins is enough.
        """
        self.leave()
        if life.has_looked and self._all_right():
            return
        life.has_looked = True
        faults = self._faults()
        life.follow_mark()
        world = self._world
        if not self.started_again or self._faults() != faults or world.weather.about("database_away", world.loop.now):
            return  # by the wall clock, too, work is better done than not, and the next look is soon
        mark = world.database.mark()
        self._heed_later(mark)
        behind = mark - life.service.clock.now()
        if behind > BEHIND_MOST and world.loop.now > self._later_at + FOLLOWED_WITHIN:
            world.unexpected.append(f"behind: {life.name} acts by a clock that is {behind} behind the mark")

    def _heed_later(self, mark: datetime) -> None:
        """Somebody who could leave none for a while was ahead of those who have gone on: so it is later from now on."""
        world = self._world
        if not self.none_yet and mark - world.believed.now() > MACHINES_APART:
            world.note(f"the clock goes on, {mark - world.believed.now()} later than it was")
            world.believed.start_again(mark)
            world.changed = True
            self._later_at = world.loop.now

    def heed_keeper(self, life: Life) -> None:
        """A look is over, with a database or without: no keeper falls behind the one before it on its machine."""
        world, now = self._world, life.service.clock.now()
        if life.process is not world.keeper:
            return
        if self._kept is not None and self._kept - now > BEHIND_MOST:
            world.unexpected.append(f"behind: {life.name} looks {self._kept - now} behind the keeper before it")
        self._kept = now

    def look_for_first(self) -> None:
        """Somebody has done something. The first mark since nothing ran says what the time is from now on.

        The service cannot know of the time in which nothing of it ran, so that is allowed to be lost, and no more.
        """
        if self._left is None:
            return
        world, mark = self._world, self._world.database.mark()
        if mark <= self._left:
            return
        lost, away = world.believed.now() - mark, world.loop.now - self._left_at
        if lost > away + BEHIND_MOST:
            world.unexpected.append(f"behind: {lost} were lost, and nobody could leave a mark for {away}")
        world.note(f"the clock goes on, {max(lost, timedelta(0))} behind what it was")
        world.believed.start_again(mark)
        self._left = None
        world.changed = True

    def _leavers(self) -> tuple[Process, ...]:
        return (*self._world.sweepers, self._world.keeper, *self._ahead())

    def _ahead(self) -> tuple[Process, ...]:
        """Who leaves marks only because the machine's clock is behind."""
        world = self._world
        behind = world.machine.now() < world.believed.now() - MACHINES_APART
        return (world.web, *world.couriers, world.upkeep) if behind else ()

    def _stand_still(self) -> None:
        world = self._world
        if not self.none_yet:
            self._left = world.database.mark()
            self._left_at = world.loop.now - max(world.believed.now() - self._left, timedelta(0))
            world.loop.after(TRIED_EVERY_S, self._try)

    def _try(self) -> None:
        """Whoever is up sweeps or looks, as they do every few seconds, until one has come to an end with it."""
        world = self._world
        if not self.none_yet:
            return
        broker_away = world.weather.about("broker_away", world.loop.now)
        for process in self._leavers():
            if process.free and not (broker_away and process not in (world.web, world.keeper)):
                process.act(self._duty(process))
        world.loop.after(TRIED_EVERY_S, self._try)

    def _duty(self, process: Process) -> Callable[[Life], object]:
        """What it does every few seconds; some only look for the mark, which is done before anything."""
        if process is self._world.keeper:
            return looks
        return sweeps if process in self._world.sweepers else _nothing

    def _all_right(self) -> bool:
        return self._world.machine.was_right and not self._world.weather.counts["clocks_apart"]

    def _faults(self) -> int:
        return sum(self._world.weather.counts[kind] for kind in FAULTS_OF_LOOKS)
