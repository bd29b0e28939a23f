"""Who calls for help when their dive is over: bent, one short after all, or an OUT that was none."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import ClassVar

from tests.simulation.cases import Case

WITHIN_MIN = (4.0, 115.0)  # of the end
STANDS_IN_AFTER = timedelta(seconds=140)
LOOKS_EVERY_MIN = 3.0
LOOKS = 80


class Afterwards(Case):
    """Within two hours of the end, where the database is away then: in such an hour nobody else would be told."""

    name: ClassVar[str] = "afterwards"

    def prepare(self) -> None:
        """Somebody ashore acts on what they hear."""
        self.party.contacts[0].character = "acts"

    def in_water(self, _ends: datetime) -> None:
        """From now on they look whether it is over: who looked only when it should be might begin to count too late."""
        self.look(LOOKS)

    def look(self, left: int) -> None:
        """Once it is over the rest goes by itself."""
        if self.party.phase() == "closed":
            self.is_over()
        elif left:
            self.party.after(LOOKS_EVERY_MIN, lambda: self.look(left - 1))

    def is_over(self) -> None:
        """In an outage within two hours, if there is one; else some of them at any time."""
        now, (least, most) = self.world.loop.now, WITHIN_MIN
        begins, ends = now + timedelta(minutes=least), now + timedelta(minutes=most)
        away = [
            (max(one.begin, begins), min(one.end, ends)) for one in self.world.weather.kinds.get("database_away", ())
        ]
        away = [(begin, end) for begin, end in away if begin + STANDS_IN_AFTER < end]
        if away:
            begins, ends = self.chance.choice(away)
        elif self.chance.random() < 0.5 or ends > self.world.clears_at:
            return
        self.party.at(begins + (ends - begins) * self.chance.random(), self.calls)

    def calls(self) -> None:
        """SOS, and what becomes of it: they or a contact say that it is over, soon or late."""
        party, chance = self.party, self.chance
        if party.dive is None or party.phase() != "closed" or self.is_too_late():
            return
        self.occurs()
        ashore = chance.random() < 0.3 and len(party.contacts) > 1 and self.all_are_reached()  # else nobody is told
        phone = party.contacts[0].phone if ashore else party.lead
        words = f"number {party.number} is not well"
        self.world.truth.called(words, self.world.loop.now)
        party.says(phone, f"SOS {words}")
        contact, after = party.contacts[0].phone, chance.uniform(1, 30)
        if chance.random() < 0.4:
            party.after(after * chance.random(), lambda: party.says(contact, "OK {ref}"))
        if chance.random() < 0.3:
            party.after(after, lambda: party.says(contact, "CALLED {ref}"))
        end = chance.choice(((party.lead, "OUT {n} {finish}"), (contact, "SAFE {n} {ref}")))
        if chance.random() < 0.6:
            party.after(after + chance.uniform(1, 20), lambda: party.says(*end))
        for minutes in (70, 110, 150):  # while the database is away nobody can see whether it is over
            party.after(minutes, lambda: party.insist(*end, lambda: party.phase() == "closed"))

    def all_are_reached(self) -> bool:
        """Whether the dive knows of nobody who cannot be."""
        lost = "SELECT 1 FROM log_entries WHERE dive_id = ? AND kind = 'event:person_unreachable'"
        dive = self.party.dive
        return dive is not None and self.world.database.row(lost, dive.id) is None

    def is_too_late(self) -> bool:
        """Whether it may be over for two hours: another phone can have ended it long before they looked."""
        closed = "SELECT closed_at FROM dives WHERE phase = 'closed' AND id = ?"
        row = self.party.dive and self.world.database.row(closed, self.party.dive.id)
        most = timedelta(minutes=WITHIN_MIN[1] + LOOKS_EVERY_MIN)
        return not row or self.world.loop.now - self.world.database.instant(row[0]) > most
