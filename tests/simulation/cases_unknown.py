"""Who calls for help while the database is away, by a phone that is of no dive: a buddy's on the beach, a new one."""

from __future__ import annotations

from typing import ClassVar

from tests.simulation.cases import Case
from tests.simulation.cases_afterwards import STANDS_IN_AFTER


class Unknown(Case):
    """In an outage that is long enough for a keeper to stand in; the party's own dive is as any other."""

    name: ClassVar[str] = "unknown"

    def prepare(self) -> None:
        """Once in one of them, if there is any."""
        spells = self.world.weather.kinds.get("database_away", ())
        times = [(one.begin, one.end - 2 * STANDS_IN_AFTER) for one in spells]
        times = [(begin, end) for begin, end in times if begin < end]
        if times:
            begin, end = self.chance.choice(times)
            self.party.at(begin + (end - begin) * self.chance.random(), self.calls)

    def calls(self) -> None:
        """They do not know that anything is away, and wait for an answer."""
        self.occurs()
        phone = f"+4477009005{self.party.number:02}"
        self.world.truth.asked(phone, self.world.loop.now)
        self.world.text(phone, f"SOS number {self.party.number} is lost", set(), self.party.receiver)
