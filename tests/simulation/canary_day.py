"""The daily canary dive, in one day of four: the service's own dive goes its whole way while faults rain, too.

Its chance is its own, so that the other days are what they were.
"""

from __future__ import annotations

import random
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from service.operations.canary_dive import look_after_canary_dives, set_number
from service.operations.canary_dive_health import LATE_AFTER
from service.operations.gateway_canary import due_since
from service.operations.service import Service
from service.store import seed
from tests.operations.stage import HandMovedClock

if TYPE_CHECKING:
    from tests.simulation.processes import Life
    from tests.simulation.world import World

SHARE: Final = 0.25
PHONE: Final = "+447700900991"
LOOKS_EVERY_S: Final = 20.0  # beat does every 10 s, the keeper every 30 s
GOES_ON_FOR: Final = timedelta(minutes=50)  # nine, ten minutes to the alert, and twice that it is ended anew
THEN_EVERY_S: Final = 1_200.0

CANARY_DIVES = """
SELECT id, phase FROM dives WHERE drill AND id NOT IN (SELECT dive_id FROM drill_dives) ORDER BY filed_at
"""
JUDGED = "SELECT count(*) FROM log_entries WHERE kind IN ('canary_dive_done', 'canary_dive_failed')"


def wants_one(seed: int) -> bool:
    """Whether the club of this day has a canary number."""
    return random.Random(f"canary dive {seed}").random() < SHARE


class CanaryDay:
    """Looks after the canary dive of one day, if that has one."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._chance = random.Random(f"canary looks {world.seed}")

    def begin(self) -> None:
        """From now on the club wants one a day."""
        if not wants_one(self._world.seed):
            return
        world = self._world
        now = world.believed.now()
        service = Service(world.database.engine, HandMovedClock(now), "", "simulation")
        service.write(lambda session: set_number(service, session, seed.CLUB_ID, PHONE))
        self._at = due_since(seed.ZONE, world.begins_at) + timedelta(days=1)
        world.loop.at(self._at + timedelta(seconds=self._chance.uniform(0, LOOKS_EVERY_S)), self._look)
        # However the clock was set, whatever is still open then comes to its end in calm.
        world.loop.at(world.clears_at + LATE_AFTER, self._look_until_closed)

    @property
    def dives(self) -> list[tuple[str, str]]:
        """The canary dives so far, with their phases."""
        return [(dive_id, phase) for dive_id, phase in self._world.database.rows(CANARY_DIVES)]

    def undone(self) -> list[str]:
        """What should have come of them by the end of a day that ended in calm."""
        dives = self.dives
        found = [f"canary-dive: {dive_id} is {phase}" for dive_id, phase in dives if phase != "closed"]
        judged = self._world.database.row(JUDGED)
        if dives and judged is not None and not judged[0]:
            found.append("canary-dive: nobody has said how it went")
        return found

    def _look(self) -> None:
        self._act()
        soon = self._world.loop.now - self._at < GOES_ON_FOR
        self._world.loop.after(LOOKS_EVERY_S if soon else THEN_EVERY_S, self._look)

    def _look_until_closed(self) -> None:
        self._act()
        if self.undone():
            self._world.loop.after(LOOKS_EVERY_S, self._look_until_closed)

    def _act(self) -> None:
        world = self._world
        if world.upkeep.free and not world.weather.about("broker_away", world.loop.now):
            world.upkeep.act(_looks)


def _looks(life: Life) -> None:
    look_after_canary_dives(life.service, life.intake)
