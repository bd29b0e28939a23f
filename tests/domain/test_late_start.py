"""A start that reached us late: the clock runs from when it was said."""

from __future__ import annotations

from datetime import datetime

import pytest

from service.domain.dive import commands as do
from service.domain.place.position import Position
from tests.domain.builders import PLAN, Story, at, diver, filed


def started(said_at: datetime | None, now: datetime, position: Position | None = None) -> Story:
    """A plan that is started now, by words that were said then."""
    story = filed()
    story.does(do.Start(diver("IN"), position=position, said_at=said_at), now)
    return story


@pytest.mark.parametrize(
    ("said_at", "began_at"),
    [
        pytest.param(None, at(30), id="now"),
        pytest.param(at(30), at(30), id="just now"),
        pytest.param(at(5), at(5), id="while the service was away"),
        pytest.param(at(31), at(30), id="by a clock that is ahead"),
    ],
)
def test_the_clock_runs_from_when_it_was_said(said_at: datetime | None, began_at: datetime) -> None:
    """Due out is a run time later; the entry in the log has its own, later time."""
    dive = started(said_at, at(30)).dive

    assert (dive.started_at, dive.due_out_at) == (began_at, began_at + PLAN.run_time)
    assert dive.arming_since == at(30)


def test_words_of_before_the_plan_start_it_from_when_it_was_filed() -> None:
    """They were meant for another, or came before the plan by somebody's clock: no dive began before its plan."""
    story = filed()
    filed_at = story.dive.filed_at

    story.does(do.Start(diver("IN"), said_at=at(-600)), at(30))

    assert story.dive.started_at == filed_at


def test_the_position_that_came_with_it_is_of_then() -> None:
    """Where they were is told with the time at which they were there."""
    dive = started(at(5), at(30), Position(47.12, -20.54)).dive

    assert [fix.at for fix in dive.fixes] == [at(5)]
