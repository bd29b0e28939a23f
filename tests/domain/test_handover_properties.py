"""The handover pack of any dive in any life: it is always there, and never contradicts the dive."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.dive.state import Phase
from service.domain.handover import Moment, Situation, pack
from service.domain.handover.exit_words import exit_words
from tests.domain.heart_strategies import Life, lives, played


@settings(max_examples=60)
@given(lives, st.data())
def test_every_dive_has_a_pack_that_says_what_the_dive_says(life: Life, data: st.DataObject) -> None:
    """At each turn of its life, and some time after."""
    turns = list(played(life))
    timeline = tuple(Moment(event.at, "said") for turn in turns for event, _, _ in turn.steps)
    turn = data.draw(st.sampled_from(turns))
    later = turn.now + data.draw(st.timedeltas(min_value=turn.now - turn.now, max_value=(turns[-1].now - turn.now) * 2))
    dive = turn.after

    made = pack(dive, later, timeline)

    assert made.over is (dive.phase is Phase.CLOSED) is (made.situation is Situation.OVER)
    assert made.headline.startswith("EXERCISE") is dive.drill
    assert made.caution.startswith("EXERCISE") is dive.drill
    assert 0 <= made.missing <= made.head_count
    assert made.names == tuple(diver.name for diver in dive.divers)
    assert len(made.timeline) == dive.version
    assert len({fact.key for fact in (*made.first, *made.more)}) == len(made.first) + len(made.more)
    assert all(fact.words for fact in (*made.first, *made.more))
    assert all(made.script)
    assert len(exit_words(made)) >= len(made.exits)
    if dive.fix is not None:
        assert made.where.position == dive.fix.position
    if made.over:
        assert made.pictures == ()
        assert made.done[0].startswith("It is over")
