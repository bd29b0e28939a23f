"""What one party of a day does beside the usual: nothing here, and much in `cases_of_words` and `cases_of_dives`."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from tests.simulation.people import Party
    from tests.simulation.world import World


class Case:
    """How people mostly are. Each case overrides what is its own."""

    name: ClassVar[str] = ""
    more: ClassVar[tuple[str, ...]] = ()  # what else it is counted as

    def __init__(self, party: Party, chance: random.Random) -> None:
        self.party = party
        self.chance = chance  # of its own, so that the rest of the day is what it was

    @property
    def world(self) -> World:
        """The day."""
        return self.party.world

    def prepare(self) -> None:
        """When the day begins."""

    def file(self) -> None:
        """They file their plan."""
        self.party.file()

    def filed(self) -> None:
        """Their plan is filed."""

    def in_water(self, ends: datetime) -> None:
        """They have said that they go in, and are due out then."""

    def hears(self, phone: str, kind: str) -> None:
        """A text of a kind about their dive has reached a phone."""

    def puts(self, phone: str, words: str, *, again: bool) -> str:  # noqa: ARG002 - what others look at
        """How they put it; `again` where it did nothing before."""
        return words

    def texts(self, phone: str, said: str, means: set[str]) -> str:
        """How it gets to us; gives its name."""
        return self.world.text(phone, said, means, self.party.receiver)

    # For those that are some

    def occurs(self, kind: str = "") -> None:
        """It has come to that."""
        self.world.person(kind or self.name)

    def says_at(self, when: datetime, phone: str, words: str, *, means_it: bool = True) -> None:
        """Somebody texts that then."""
        self.party.at(when, lambda: self.party.says(phone, words, means_it=means_it))

    def of_party(self, phone: str) -> bool:
        """Whether that phone is theirs or a contact's of theirs."""
        party = self.party
        return phone in (party.lead, party.second, *(one.phone for one in party.contacts))

    def before(self, ends: datetime, least_min: float, most_min: float) -> datetime:
        """Some minutes before they are due out, but not before now."""
        at = ends - timedelta(minutes=self.chance.uniform(least_min, most_min))
        return max(at, self.world.loop.now + timedelta(seconds=30))
