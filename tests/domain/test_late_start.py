"""A start that reached us late: the clock runs from when it was said."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from service.domain.dive import commands as do
from service.domain.dive import decide, evolve
from service.domain.place.position import Position
from tests.domain.builders import NOW, PLAN, Story, at, diver, file_plan, filed, kinds


def started(said_at: datetime | None, now: datetime, position: Position | None = None) -> Story:
    """A plan that is started now, by words that were said then."""
    story = filed()
    story.does(do.Start(diver("IN"), position=position, said_at=said_at), now)
    return story


def planned(said_at: datetime) -> Story:
    """A plan that was said then, and is filed at NOW."""
    decision = decide(None, replace(file_plan(PLAN), said_at=said_at), NOW)
    assert isinstance(decision, tuple)
    [event] = decision
    return Story(evolve(None, event), [event], [])


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


@pytest.mark.parametrize(
    ("said_at", "began_at"),
    [
        pytest.param(at(-20), at(-20), id="after the plan was said"),
        pytest.param(at(-31), at(-30), id="before the plan was said"),
        pytest.param(None, at(5), id="now"),
    ],
)
def test_the_plan_was_there_from_when_it_was_said(said_at: datetime | None, began_at: datetime) -> None:
    """Where both lay, the plan is filed only when it is found."""
    story = planned(at(-30))
    story.does(do.Start(diver("IN"), said_at=said_at), at(5))

    assert story.dive.started_at == began_at


def test_a_plan_whose_time_in_went_by_while_it_lay_is_taken_as_it_was_said() -> None:
    """It was for later when it was said; refused now, nobody would know of the dive."""
    plan = replace(PLAN, time_in_at=at(-15))

    assert kinds(decide(None, replace(file_plan(plan), said_at=at(-30)), NOW)) == ["Filed"]
    assert kinds(decide(None, file_plan(plan), NOW)) == ["refused: plan_time_in"]


def test_a_log_of_before_it_was_kept_when_a_plan_was_said_folds_as_it_did() -> None:
    """Nor is it kept of a plan that reached us at once."""
    assert filed().dive.said_at is None
    assert planned(NOW).dive.said_at is None


def test_the_position_that_came_with_it_is_of_then() -> None:
    """Where they were is told with the time at which they were there."""
    dive = started(at(5), at(30), Position(47.12, -20.54)).dive

    assert [fix.at for fix in dive.fixes] == [at(5)]
