"""Which party of a day is which case, by its seed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from random import Random
from types import MappingProxyType
from typing import TYPE_CHECKING

from tests.simulation.cases import Case
from tests.simulation.cases_of_dives import OF_DIVES
from tests.simulation.cases_of_words import OF_WORDS

if TYPE_CHECKING:
    from tests.simulation.world import World

SHARE = 1 / 6  # of the parties
CASES: Mapping[str, type[Case]] = MappingProxyType({one.name: one for one in (*OF_WORDS, *OF_DIVES)})


def share_out(world: World, named: Sequence[str] | None) -> None:
    """Every sixth party is some case; or these are, one after the other. With chance of its own."""
    chance = Random(f"cases {world.seed}")
    for number, party in enumerate(world.planned):
        if named is None:
            name = chance.choice(tuple(CASES)) if chance.random() < SHARE else ""
        else:
            name = named[number % len(named)] if named else ""
        if name:
            party.case = CASES[name](party, Random(f"case {world.seed} {number}"))
