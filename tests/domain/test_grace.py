"""The settings of the ladder: what contradicts what, and what a diver may shorten."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.grace import GracePeriods, Step
from tests.domain.builders import NOW, at

DEFAULTS = GracePeriods()
ONE = timedelta(seconds=1)


def mins(count: float) -> timedelta:
    """A length of time."""
    return timedelta(minutes=count)


def test_the_defaults_are_those_of_the_ladder() -> None:
    """A club that sets nothing has the published ladder, and nothing in it contradicts anything."""
    assert DEFAULTS.problems() == ()
    assert (DEFAULTS.heads_up_before, DEFAULTS.second_call_after, DEFAULTS.grace) == (mins(10), mins(5), mins(15))
    assert (DEFAULTS.next_contact_every, DEFAULTS.distress_after, DEFAULTS.distress_every) == (
        mins(5),
        mins(30),
        mins(10),
    )
    assert (DEFAULTS.hand_up_after, DEFAULTS.extension_cap) == (mins(60), mins(60))
    assert (DEFAULTS.ask_started_after, DEFAULTS.assume_started_after) == (mins(15), mins(20))
    assert (DEFAULTS.receipt_within, DEFAULTS.arming_within) == (mins(2), timedelta(seconds=30))


FLOORS = [
    ("grace", mins(5), "at least 5 minutes"),
    ("second_call_after", ONE, "after due out"),
    ("heads_up_before", mins(0), "heads-up"),
    ("distress_after", mins(15) + ONE, "Distress must come after the alert"),
    ("hand_up_after", mins(30) + ONE, "hand-up must come after distress"),
    ("next_contact_every", mins(1), "at least 1 minute apart"),
    ("distress_every", mins(2), "every 2 minutes at most"),
    ("ask_started_after", mins(0), "before the planned time in"),
    ("assume_started_after", mins(15), "only after it was asked"),
    ("extension_cap", mins(0), "cannot be negative"),
    ("receipt_within", timedelta(seconds=30), "receipt needs"),
    ("arming_within", timedelta(seconds=30), "start notice needs"),
]


@pytest.mark.parametrize(("name", "least", "words"), FLOORS, ids=[name for name, *_ in FLOORS])
def test_each_setting_has_its_least_value(name: str, least: timedelta, words: str) -> None:
    """The least value of a setting is allowed, and a second less is named as a problem."""
    base = replace(DEFAULTS, second_call_after=mins(4))

    assert replace(base, **{name: least}).problems() == ()
    problem, *_ = [one for one in replace(base, **{name: least - ONE}).contradictions() if words in one.words]
    assert problem.setting == name


# What has to give way where another setting is at its greatest.
_WIDER = {
    "grace": {"distress_after": mins(150), "hand_up_after": mins(200)},
    "distress_after": {"hand_up_after": mins(120)},
}

CEILINGS = [
    ("grace", mins(120), "at most 120 minutes"),
    ("second_call_after", mins(15) - ONE, "before the grace period is over"),
    ("arming_within", mins(5), "within 5 minutes that nobody was told"),
    ("heads_up_before", mins(60), "heads-up must come within 60 minutes"),
    ("next_contact_every", mins(30), "at most 30 minutes apart"),
    ("distress_after", mins(75), "within 60 minutes of the alert"),
    ("distress_every", mins(30), "repeated within 30 minutes"),
    ("hand_up_after", mins(150), "within 120 minutes of distress"),
    ("ask_started_after", mins(60), "asked about within 60 minutes"),
    ("assume_started_after", mins(120), "decided within 120 minutes"),
    ("extension_cap", mins(180), "at most 180 minutes in all"),
    ("receipt_within", mins(10), "waited for 10 minutes at most"),
]


@pytest.mark.parametrize(("name", "most", "words"), CEILINGS, ids=[name for name, *_ in CEILINGS])
def test_each_setting_has_its_greatest_value(name: str, most: timedelta, words: str) -> None:
    """The greatest value of a setting is allowed, and a second more is named as a problem."""
    base = replace(DEFAULTS, assume_started_after=mins(60), **_WIDER.get(name, {}))

    assert replace(base, **{name: most}).problems() == ()
    problem, *_ = [one for one in replace(base, **{name: most + ONE}).contradictions() if words in one.words]
    assert problem.setting == name


def test_arming_comes_before_the_alarm_also_where_that_is_the_shorter_bound() -> None:
    """With the shortest grace period both bounds are the same."""
    base = replace(DEFAULTS, grace=mins(5), second_call_after=mins(2))

    assert replace(base, arming_within=mins(5) - ONE).problems() == ()
    assert "before the alarm is due" in replace(base, arming_within=mins(5)).problems()[0]


@pytest.mark.parametrize(
    ("slip", "right"),
    [
        ({"heads_up_before": mins(100)}, "60 minutes or less."),
        ({"next_contact_every": mins(50)}, "30 minutes or less."),
        ({"distress_after": mins(300), "hand_up_after": mins(310)}, "75 minutes or less."),
        ({"distress_every": mins(100)}, "30 minutes or less."),
        ({"hand_up_after": mins(600)}, "150 minutes or less."),
        ({"assume_started_after": mins(200)}, "120 minutes or less."),
    ],
)
def test_a_nought_too_many_is_refused(slip: dict[str, timedelta], right: str) -> None:
    """What was meant is said with its figure, counted as the field counts."""
    found = replace(DEFAULTS, **slip).contradictions()

    assert [(one.setting, one.right) for one in found] == [(next(iter(slip)), right)]


def test_a_contradiction_says_what_would_be_right() -> None:
    """With the figure that the other setting gives, in minutes, or in seconds where it is not whole minutes."""
    late = replace(DEFAULTS, distress_after=mins(15))
    odd = replace(DEFAULTS, grace=mins(7.5), second_call_after=mins(8))

    assert [(one.setting, one.right) for one in late.contradictions()] == [
        ("distress_after", "More than 15 minutes, when the first contact is alerted.")
    ]
    assert [(one.setting, one.right) for one in odd.contradictions()] == [
        ("second_call_after", "Less than 450 seconds, which is the grace period, or a longer grace period.")
    ]


def test_the_partys_reminders_are_around_due_out() -> None:
    """Heads-up before it, one at it, the second call after it."""
    assert DEFAULTS.party_steps(NOW) == ((Step.HEADS_UP, at(-10)), (Step.DUE_OUT, NOW), (Step.SECOND_CALL, at(5)))


def test_a_shorter_grace_brings_the_later_steps_forward() -> None:
    """Distress and hand-up keep their distance from the alert."""
    shorter = DEFAULTS.shortened(mins(10))

    assert (shorter.grace, shorter.distress_after, shorter.hand_up_after) == (mins(10), mins(25), mins(55))
    assert shorter.distress_after_alert == DEFAULTS.distress_after_alert == mins(15)
    assert shorter.hand_up_after_alert == DEFAULTS.hand_up_after_alert == mins(45)
    assert shorter.second_call_after == mins(5)


@pytest.mark.parametrize(
    ("second_call_after", "expected"),
    [(mins(6) - ONE, mins(6) - ONE), (mins(6), mins(3)), (mins(6) + ONE, mins(3))],
    ids=["just before", "at", "just after"],
)
def test_the_second_call_stays_before_a_shorter_grace_is_over(
    second_call_after: timedelta, expected: timedelta
) -> None:
    """A second call that would come with the alert or after it moves to the middle of the grace period."""
    assert replace(DEFAULTS, second_call_after=second_call_after).shortened(mins(6)).second_call_after == expected


def test_the_word_that_nobody_was_told_stays_before_a_shorter_alarm() -> None:
    """A long wait for the start notice gives way too."""
    assert replace(DEFAULTS, arming_within=mins(10)).shortened(mins(6)).arming_within == mins(3)


@pytest.mark.parametrize("grace", [mins(5), mins(15)], ids=["shortest", "as the club has it"])
def test_shortened_periods_contradict_nothing(grace: timedelta) -> None:
    """Whatever grace a diver may choose, the ladder holds."""
    assert DEFAULTS.shortened(grace).problems() == ()


@pytest.mark.parametrize(
    ("grace", "words"),
    [(mins(15) + ONE, "only shorten"), (mins(5) - ONE, "at least 5 minutes")],
    ids=["longer", "too short"],
)
def test_a_diver_may_neither_lengthen_the_grace_nor_make_it_nothing(grace: timedelta, words: str) -> None:
    """A longer grace than the club's, or less than five minutes, is refused."""
    with pytest.raises(ValueError, match=words):
        DEFAULTS.shortened(grace)
