"""A start may say a shorter run time than its plan, never a longer one: whoever holds the plan's time counts on it."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.dive import commands as do
from service.domain.plan import RUN_TIME_MIN
from service.domain.texts import Intent, Kind, read
from tests.domain.builders import PLAN, at, contact, diver, filed
from tests.domain.test_wording_answers import answer

MINUTE = timedelta(minutes=1)


@pytest.mark.parametrize(
    ("said", "run_time"),
    [
        (None, PLAN.run_time),
        (30 * MINUTE, 30 * MINUTE),
        (PLAN.run_time - MINUTE, PLAN.run_time - MINUTE),
        (PLAN.run_time, PLAN.run_time),
        (PLAN.run_time + MINUTE, PLAN.run_time),
        (MINUTE, RUN_TIME_MIN),
    ],
)
def test_the_shorter_run_time_counts(said: timedelta | None, run_time: timedelta) -> None:
    """From when it was said that they go in, and no later due out than that can be asked for by LATE than before."""
    story = filed()

    story.does(do.Start(diver("IN"), run_time=said, said_at=at(5)), at(10))

    due = at(5) + run_time
    assert (story.dive.due_out_at, story.dive.first_due_out_at) == (due, due)
    assert story.dive.raise_by_at == due + story.dive.grace.grace


def test_no_time_moves_while_the_clock_runs() -> None:
    """The contacts hold the raise-by time of the first start."""
    story = filed()
    story.does(do.Start(diver("IN")), at(0))
    due = story.dive.due_out_at

    story.does(do.Start(diver("IN 7K 20"), run_time=20 * MINUTE), at(5))

    assert story.dive.due_out_at == due


@pytest.mark.parametrize(
    ("text", "intent"),
    [
        ("IN 7K 30", Intent(kind=Kind.START, ref="7K", minutes=30)),
        ("IN 482139 30 min", Intent(kind=Kind.START, code="482139", minutes=30)),
        ("IN 30 P2", Intent(kind=Kind.START, minutes=30, count=2)),
        ("IN 7K 30 P2", Intent(kind=Kind.START, ref="7K", minutes=30, count=2)),
        ("IN 7K 3", Intent(kind=Kind.START, ref="7K", count=3)),
        ("IN 30", Intent(kind=Kind.UNCLEAR, near=Kind.START)),
        ("in 30 min 7K", Intent(kind=Kind.UNCLEAR, near=Kind.START)),  # maybe they go in then
        ("in 30 min p2", Intent(kind=Kind.UNCLEAR, near=Kind.START)),
    ],
)
def test_a_run_time_is_read_where_the_dive_or_how_many_stands_beside_it(text: str, intent: Intent) -> None:
    """Alone it may be about later: `in 30`."""
    assert read(text) == intent


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        ("IN 30", "Going in for 30 minutes? Text IN {ref} 30."),
        ("in 30 mins", "Going in for 30 minutes? Text IN {ref} 30."),
        ("in 10", "Going in for 10 minutes? Text IN {ref} 10."),
        ("in 50", "Going in? Text IN."),  # the plan's own
        ("in 70", "Going in? Text IN."),
        ("in 5 min", "Going in? Text IN."),  # IN 7K 5 is five people
        ("in a bit", "Going in? Text IN."),
    ],
)
def test_a_bare_run_time_is_answered_with_the_start_that_has_it(words: str, asked: str) -> None:
    """Which is understood as it stands there."""
    story = filed()

    told = answer(story, do.Hear(diver(words), words, "start"), 1)

    ref = story.dive.reference
    assert asked.format(ref=ref) in told
    if "30" in asked:
        assert read(f"IN {ref} 30") == Intent(kind=Kind.START, ref=ref, minutes=30)


def test_a_contact_is_not_told_how_to_start_it() -> None:
    """Nobody ashore knows that they went in."""
    assert "Going in" not in answer(filed(), do.Hear(contact(words="in 30"), "in 30", "start"), 1)
