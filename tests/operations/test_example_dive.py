"""The example beside the form of grace periods: it is what the heart does, whatever the periods are."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.dive import Phase
from service.domain.grace import GracePeriods, NeverStarted, Step
from service.operations.example_dive import TICKS_MAX, Example, Place, Played, Story, play

IN = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
DUE_OUT = IN + timedelta(minutes=50)
PLACE = Place("Skerry Bay Divers", "Lantern Cove", "Europe/London", "999, ask for the coastguard")
USUAL = GracePeriods()


def mins(count: float) -> timedelta:
    """A length of time."""
    return timedelta(minutes=count)


def steps(played: Played) -> list[tuple[float, str]]:
    """Minutes from due out and the names of what happens."""
    return [
        ((moment.at - DUE_OUT) / mins(1), happening.name)
        for moment in played.moments
        for happening in moment.happenings
    ]


def told(played: Played, name: str) -> dict[str, tuple[str, ...]]:
    """Who hears of what, by the name of what happens."""
    return {
        said.kind.name: said.to
        for moment in played.moments
        for happening in moment.happenings
        if happening.name == name
        for said in happening.said
    }


def test_a_silent_dive_goes_up_the_usual_ladder() -> None:
    """Each step of the published ladder at its time, to whom the design says."""
    played = play(USUAL, Example(IN), PLACE)

    assert steps(played) == [
        (-50, "In"),
        (-50, "Armed"),
        (-10, "Heads-up"),
        (0, "Due out"),
        (5, "Second call"),
        (15, "Alert"),
        (20, "Next contact"),
        (30, "Distress"),
        (40, "Distress again"),
        (60, "Hand-up"),
    ]
    assert told(played, "In") == {"START_NOTICE": ("contact-0", "contact-1")}
    assert told(played, "Heads-up") == {"REMINDER": ("diver-0", "diver-1")}
    assert told(played, "Alert") == {"ALERT": ("contact-0",)}
    assert told(played, "Distress") == {"DISTRESS": ("contact-0", "contact-1")}
    assert told(played, "Hand-up") == {"DISTRESS": ("admins",)}


def test_what_is_repeated_is_counted() -> None:
    """Distress comes again every ten minutes, and the words are made once."""
    played = play(USUAL, Example(IN), PLACE)

    again = next(one for moment in played.moments for one in moment.happenings if one.step is Step.DISTRESS_AGAIN)

    assert (again.times, again.last_at) == (4, DUE_OUT + mins(70))
    assert played.goes_on_at == DUE_OUT + mins(80)


def test_an_answer_stops_the_search_and_not_the_distress() -> None:
    """Reading is not resolving."""
    names = [name for _, name in steps(play(USUAL, Example(IN, story=Story.ANSWERED), PLACE))]

    assert "First answers" in names
    assert "Distress" in names
    assert "Next contact" not in names
    assert "Hand-up" in names  # nothing came of the answer


def test_a_later_due_out_moves_what_follows() -> None:
    """Twenty minutes asked for are twenty minutes later."""
    found = steps(play(USUAL, Example(IN, story=Story.LATE), PLACE))

    assert (-12, "In force") in found
    assert (35, "Alert") in found


def test_more_than_the_cap_is_refused_in_the_words_of_the_heart() -> None:
    """The clock stays as it was, and the diver is told what is possible."""
    played = play(replace(USUAL, extension_cap=mins(10)), Example(IN, story=Story.LATE), PLACE)

    assert (15, "Alert") in steps(played)
    [refused] = [one for moment in played.moments for one in moment.happenings if one.name == "Refused"]
    assert "11:00" in refused.said[0].text


def test_a_plan_that_nobody_starts_is_asked_about_and_then_taken_for_started() -> None:
    """At the times that were set."""
    grace = replace(USUAL, ask_started_after=mins(7), assume_started_after=mins(9))

    found = steps(play(grace, Example(IN, story=Story.UNSTARTED), PLACE))

    assert found[:2] == [(-43, "Asked: in?"), (-41, "Start assumed")]
    assert (15, "Alert") in found


def test_a_plan_that_lapses_ends_there() -> None:
    """Diver and contacts are told, and nothing follows."""
    played = play(replace(USUAL, never_started=NeverStarted.LAPSE), Example(IN, story=Story.UNSTARTED), PLACE)

    assert [name for _, name in steps(played)] == ["Asked: in?", "Lapsed"]
    assert played.goes_on_at is None
    assert played.moments[-1].phase is Phase.CLOSED


def test_what_contradicts_is_not_played() -> None:
    """The rules are for periods that hold together."""
    with pytest.raises(ValueError, match="contradict"):
        play(replace(USUAL, distress_after=mins(1)), Example(IN), PLACE)


@pytest.mark.parametrize(
    "wrong", [{"phones": 0}, {"contacts": 7}, {"run_time": mins(4)}], ids=["no phone", "contacts", "run time"]
)
def test_an_example_is_one_that_could_be_filed(wrong: dict[str, object]) -> None:
    """What no plan may have is refused."""
    with pytest.raises(ValueError, match="no plan"):
        Example(IN, **wrong)  # type: ignore[arg-type]


@st.composite
def periods(draw: st.DrawFn) -> GracePeriods:
    """Periods that hold together."""
    grace, ask = draw(st.integers(5, 120)), draw(st.integers(0, 60))
    distress = grace + draw(st.integers(1, 60))
    return GracePeriods(
        heads_up_before=mins(draw(st.integers(0, 60))),
        second_call_after=mins(draw(st.integers(1, grace - 1))),
        grace=mins(grace),
        next_contact_every=mins(draw(st.integers(1, 30))),
        distress_after=mins(distress),
        distress_every=mins(draw(st.integers(2, 30))),
        hand_up_after=mins(distress + draw(st.integers(1, 120))),
        ask_started_after=mins(ask),
        assume_started_after=mins(ask + draw(st.integers(0, 60))),
        never_started=draw(st.sampled_from(NeverStarted)),
    )


@given(
    grace=periods(),
    example=st.builds(
        Example,
        st.just(IN),
        st.integers(5, 360).map(mins),
        st.integers(1, 12),
        st.integers(1, 6),
        st.sampled_from(Story),
    ),
)
def test_whatever_the_periods_the_example_comes_to_an_end_in_order(grace: GracePeriods, example: Example) -> None:
    """It stops, its moments only go forward, its phases only rise, and the alert is at the raise-by time."""
    assert grace.problems() == ()

    played = play(grace, example, PLACE)

    times = [moment.at for moment in played.moments]
    assert times == sorted(set(times))
    assert len(times) < min(TICKS_MAX, 40)
    phases = [list(Phase).index(moment.phase) for moment in played.moments]
    assert phases == sorted(phases)
    alerts = [moment.at for moment in played.moments for one in moment.happenings if one.step is Step.ALERT]
    assert all(at >= (played.dive.raise_by_at or at) for at in alerts[:1])
    assert all(said.text for moment in played.moments for one in moment.happenings for said in one.said)
