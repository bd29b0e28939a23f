"""Every order of a handful of transactions around each moment that matters, and the checker after each of them."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service.domain.dive import Phase
from tests.checker.questions import violations
from tests.operations.stage import BEGIN_AT, HandMovedClock, Stage, stage_on
from tests.simulation.crashes import Crashes
from tests.simulation.saving import Saved, brought_back, engine_in_memory, save
from tests.simulation.stored_worlds import MOMENTS, Moment, Node, calm, nodes


@pytest.fixture(scope="module")
def empty() -> Iterator[tuple[Stage, Saved]]:
    """A stage in memory with a courier in line, and the club before any dive."""
    with engine_in_memory() as engine:
        saved = save(stage_on(engine, HandMovedClock(BEGIN_AT)))
        yield brought_back(saved, engine, Crashes()), saved


def wrong(node: Node) -> list[str]:
    """What does not hold at once, and, once all acts are done, what does not after the calm."""
    stage = node.stage
    found = violations(stage.engine, stage.journal, stage.clock.at, promises=False)
    if node.left:
        return found
    calm(stage)
    found += violations(stage.engine, stage.journal, stage.clock.at)
    wanted = node.moment.ends(node.order)
    if (node.dive.phase is Phase.CLOSED) is not (wanted is Phase.CLOSED):
        found.append(f"it is {node.dive.phase}")
    return found


@pytest.mark.parametrize("moment", MOMENTS, ids=lambda one: one.name)
def test_whatever_the_order_of_transactions_what_must_hold_holds(moment: Moment, empty: tuple[Stage, Saved]) -> None:
    """After each of them at once; after all of them and ten calm minutes, all that is promised."""
    broken, orders = {}, 0
    for node in nodes(moment, *empty):
        found = wrong(node)
        orders += not node.left
        if found:
            broken[", ".join(node.order)] = found

    assert broken == {}
    assert orders >= 6
