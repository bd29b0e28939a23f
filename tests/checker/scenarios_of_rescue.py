"""Days on which it is said that rescue was called, and that it was not after all; as in `scenarios`."""

from __future__ import annotations

from collections.abc import Iterator

from service.operations.gateway import Blame
from tests.checker.theatre import MINUTE, go
from tests.operations.stage import CLEO, DOV, Stage, refuse


def rescue_was_not_called(stage: Stage) -> Iterator[None]:
    """Both say that they have called; one takes it back, then the other, and nobody calls: the admins hear of it."""
    dive = stage.dive_in()
    go(stage, 82, 2 * MINUTE)
    stage.text(CLEO, f"CALLED {dive.reference}")
    stage.text(DOV, "CALLED 4711")
    go(stage, 4)
    stage.text(CLEO, "NOT CALLED")
    go(stage, 12)
    yield
    stage.text(DOV, "rescue not called")
    go(stage, 40, 2 * MINUTE)
    yield
    stage.text(CLEO, "SAFE 2")
    go(stage, 2)


def another_says_that_rescue_was_not_called(stage: Stage) -> Iterator[None]:
    """While that it was waits with gateways that refuse it; whoever had called says so again."""
    stage.dive_in()
    go(stage, 82, 2 * MINUTE)
    usual = stage.first.usually
    stage.first.usually = stage.second.usually = refuse(Blame.TRANSIENT)
    stage.text(CLEO, "CALLED 4711")
    go(stage, 0.2)
    yield
    stage.text(DOV, "NOT CALLED")
    stage.first.usually = stage.second.usually = usual
    go(stage, 6)
    yield
    stage.text(CLEO, "CALLED 4711")
    go(stage, 12)
    yield
    stage.text(CLEO, "SAFE 2")
    go(stage, 2)
