"""Which party of a day is which case, by its seed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from random import Random
from types import MappingProxyType
from typing import TYPE_CHECKING

from tests.simulation.cases import Case
from tests.simulation.cases_afterwards import Afterwards
from tests.simulation.cases_of_dives import OF_DIVES
from tests.simulation.cases_of_words import OF_WORDS
from tests.simulation.cases_unknown import Unknown

if TYPE_CHECKING:
    from tests.simulation.world import World

SHARE = 1 / 6  # of the parties
DRAWN = {one.name: one for one in (*OF_WORDS, *OF_DIVES)}
CASES: Mapping[str, type[Case]] = MappingProxyType({**DRAWN, **{one.name: one for one in (Afterwards, Unknown)}})
LATER = 1 / 4  # of those that are no case
BESIDE = 1 / 4  # of those that are none of these either


def share_out(world: World, named: Sequence[str] | None) -> None:
    """Every sixth party is some case; or these are, one after the other. With chance of its own.

    Who calls afterwards, or beside a dive, is drawn apart, among the others: known seeds keep their days up to there.
    """
    chance = Random(f"cases {world.seed}")
    for number, party in enumerate(world.planned):
        if named is None:
            name = chance.choice(tuple(DRAWN)) if chance.random() < SHARE else ""
            later = Random(f"afterwards {world.seed} {number}").random() < LATER
            beside = Random(f"unknown {world.seed} {number}").random() < BESIDE
            name = name or (Afterwards.name if later else "") or (Unknown.name if beside else "")
        else:
            name = named[number % len(named)] if named else ""
        if name:
            party.case = CASES[name](party, Random(f"case {world.seed} {number}"))
