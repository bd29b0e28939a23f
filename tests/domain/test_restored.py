"""A dive of a restored database: its party is asked before anybody ashore is alerted, for so long and no longer."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from service.domain.dive import commands as do
from service.domain.dive import next_due_at
from service.domain.dive.events import StepTaken
from service.domain.dive.state import Phase
from service.domain.people import CLOCK
from tests.domain.builders import (
    ADMIN,
    DISTRESS,
    PARTY_KEYS,
    PLAN,
    PLANNED,
    RAISE_BY,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    keys,
    kinds,
)

COPIED = at(10)


def restored(story: Story, minute: float) -> Story:
    """The same, found at that minute to be a copy of minute 10; asked a minute later, held for ten."""
    story.does(do.Hold(CLOCK, COPIED, at(minute + 1), at(minute + 10)), at(minute))
    return story


def swept(story: Story, until: datetime) -> list[tuple[datetime, list[str]]]:
    """Sweeps on time until then; when each had something to do, and the steps that it took."""
    done = []
    while (due_at := next_due_at(story.dive)) is not None and due_at <= until:
        now = max(due_at, story.events[-1].at)
        before = len(story.steps())
        story.does(do.Tick(), now)
        done.append((now, [str(step) for step in story.steps()[before:]]))
    return done


def test_the_party_is_asked_and_then_the_clock_goes_straight_to_where_it_should_be() -> None:
    """Overdue for long by the copy: nobody ashore for ten minutes, and then distress at once, with the true times."""
    story = restored(in_water(), DISTRESS + 5)

    assert swept(story, at(DISTRESS + 15)) == [
        (at(DISTRESS + 6), ["ask_out"]),
        (at(DISTRESS + 15), ["distress"]),
    ]
    asked, distress = story.events[-2:]
    assert (asked.to, asked.passed_over) == (PARTY_KEYS, ("heads_up", "due_out", "second_call"))
    assert distress.due_at == at(DISTRESS)
    assert story.dive.phase is Phase.DISTRESS


def test_an_answer_ends_it_before_anybody_ashore_hears_of_it() -> None:
    """Who came out since the copy says so, and no contact is alerted."""
    story = restored(in_water(), RAISE_BY + 5)
    swept(story, at(RAISE_BY + 7))

    story.does(do.Finish(diver()), at(RAISE_BY + 8))

    assert story.dive.phase is Phase.CLOSED
    assert story.dive.waiting is None
    assert not story.dive.alerted


def test_what_falls_due_after_the_question_comes_at_its_time() -> None:
    """An alarm that is due after the ten minutes is not held up at all."""
    story = restored(in_water(), 45)

    assert swept(story, at(RAISE_BY)) == [
        (at(46), ["ask_out"]),
        (at(50), ["due_out"]),
        (at(55), ["second_call"]),
        (at(RAISE_BY), ["alert"]),
    ]


def test_who_needs_longer_gets_it_while_no_contact_is_alerted() -> None:
    """Overdue by the copy alone: no alarm is out, so nobody may be told that it stands."""
    story = restored(in_water(), RAISE_BY + 5)
    swept(story, at(RAISE_BY + 7))

    assert kinds(story.does(do.Extend(diver("LATE 40"), 40), at(RAISE_BY + 8))) == ["ExtensionAsked"]
    assert not [draft for _, draft in story.told if "alarm stands" in draft.text]
    assert kinds(story.does(do.NoteHanded("extension-1", "contact-0"), at(RAISE_BY + 9))) == ["ExtensionTookEffect"]

    assert [steps for _, steps in swept(story, at(RAISE_BY + 39))] == [["heads_up"], ["due_out"], ["second_call"]]
    assert not story.dive.alerted
    assert swept(story, at(RAISE_BY + 40)) == [(at(RAISE_BY + 40), ["alert"])]


def test_more_time_of_which_no_contact_heard_ends_with_the_hold() -> None:
    """As an extension ends with the alarm: the contacts are alerted when the ten minutes are over."""
    story = restored(in_water(), RAISE_BY + 5)
    swept(story, at(RAISE_BY + 7))
    story.does(do.Extend(diver("LATE 40"), 40), at(RAISE_BY + 14))

    assert swept(story, at(RAISE_BY + 15))[-1] == (at(RAISE_BY + 15), ["distress"])
    assert kinds(story.does(do.NoteHanded("extension-1", "contact-0"), at(RAISE_BY + 16))) == []


def test_who_calls_for_help_is_heard_at_once() -> None:
    """SOS is never held, and neither is what follows it."""
    story = restored(in_water(), RAISE_BY + 1)

    assert kinds(story.does(do.RaiseNow(diver("SOS")), at(RAISE_BY + 2))) == ["AlarmRaised"]

    assert story.dive.waiting is None
    assert swept(story, at(DISTRESS))[-1] == (at(DISTRESS), ["distress"])


def test_who_is_being_searched_for_is_asked_nothing_more() -> None:
    """A contact has called rescue: "all out?" to the party would be of before."""
    story = restored(in_water(), RAISE_BY + 1)

    assert kinds(story.does(do.ReportCalled(contact(words="CALLED")), at(RAISE_BY + 1.5))) == ["RescueCalled"]

    assert [steps for _, steps in swept(story, at(DISTRESS + 60)) if "ask_out" in steps] == []


def test_contacts_who_were_alerted_before_the_copy_are_not_made_to_wait() -> None:
    """The alarm of the copy goes on."""
    story = in_water()
    swept(story, at(RAISE_BY))

    assert kinds(story.does(do.Hold(CLOCK, COPIED, at(70), at(80)), at(RAISE_BY + 1))) == []


def test_no_alarm_is_held_up_twice() -> None:
    """Whoever finds the copy too changes nothing."""
    story = restored(in_water(), RAISE_BY)

    assert kinds(story.does(do.Hold(CLOCK, COPIED, at(75), at(85)), at(RAISE_BY + 9))) == []

    assert swept(story, at(RAISE_BY + 10))[-1] == (at(RAISE_BY + 10), ["alert"])


def test_a_hold_that_is_over_is_not_begun_anew_for_the_same_copy() -> None:
    """The service broke off in mid-recovery and came back later: ten minutes, however often the copy is found."""
    story = restored(in_water(), RAISE_BY)

    assert kinds(story.does(do.Hold(CLOCK, COPIED, at(RAISE_BY + 11), at(RAISE_BY + 20)), at(RAISE_BY + 10))) == []

    assert swept(story, at(RAISE_BY + 10))[-1] == (at(RAISE_BY + 10), ["alert"])


def test_a_copy_that_was_made_later_is_asked_about_too() -> None:
    """Restored a second time, from a backup made after the first time: what was said since that is lost as well."""
    story = restored(in_water(), 12)
    swept(story, at(22))

    assert kinds(story.does(do.Hold(CLOCK, at(30), at(71), at(80)), at(70))) == ["Held"]
    assert swept(story, at(80)) == [(at(71), ["ask_out"]), (at(80), ["distress"])]


def test_an_admin_ends_the_wait() -> None:
    """What was due meanwhile follows in the same moment."""
    story = restored(in_water(), DISTRESS)

    assert kinds(story.does(do.EndHold(ADMIN), at(DISTRESS + 2))) == ["HoldEnded", "StepTaken", "StepTaken"]

    assert story.dive.phase is Phase.DISTRESS
    assert kinds(story.does(do.EndHold(ADMIN), at(DISTRESS + 3))) == []


def test_a_sweep_that_comes_after_it_all_says_what_is_so() -> None:
    """Nobody ran meanwhile: the party hears once, that contacts are being alerted."""
    story = restored(in_water(), RAISE_BY)

    story.does(do.Tick(), at(RAISE_BY + 11))

    assert story.steps()[-2:] == ["ask_out", "alert"]
    assert "Your contacts are being alerted" in story.texts_to("diver-0")[-1]


def test_the_question_says_what_is_lost_and_what_to_text() -> None:
    """The time of the copy at the site, the answer, and when the alarm goes out, which is not before the wait ends."""
    story = restored(in_water(), RAISE_BY)
    swept(story, at(RAISE_BY + 1))

    assert story.texts_to("diver-0")[-1] == (
        "Skerry Bay Divers: we lost the texts since 10:10. All out? Text OUT. Alarm goes out 11:15."
    )


@pytest.mark.parametrize(
    ("after_time_in", "expected"),
    [
        # (minutes after the planned time in at which the copy is found, what sweeps of an hour do)
        (3, [(4, ["ask_out"]), (15, ["ask_started"]), (20, [])]),
        (30, [(31, ["ask_out"]), (40, ["heads_up"])]),
    ],
    ids=["before-it-is-asked", "overdue-for-a-start"],
)
def test_a_plan_is_asked_about_before_it_is_taken_as_started(
    after_time_in: float, expected: list[tuple[float, list[str]]]
) -> None:
    """Its start, or that it was called off, may be among what is lost."""
    story = restored(filed(PLANNED), after_time_in)

    assert swept(story, at(41))[: len(expected)] == [(at(minute), steps) for minute, steps in expected]
    assert story.dive.assumed


def test_of_two_questions_about_a_plan_the_party_gets_one() -> None:
    """No sweep ran until both were due: whether they went in is asked, and the other question is in the log alone."""
    story = restored(filed(PLANNED), 5)

    asked = story.ticks(at(16))

    assert keys(asked) == list(PARTY_KEYS)
    assert [(event.step, event.passed_over) for event in story.events if isinstance(event, StepTaken)] == [
        ("ask_started", ("ask_out",))
    ]
    assert swept(story, at(19)) == []


def test_a_plan_for_later_is_left_alone() -> None:
    """Nobody is woken about next Saturday; its own question comes at its time."""
    story = filed(replace(PLAN, time_in_at=at(200)))

    assert kinds(story.does(do.Hold(CLOCK, COPIED, at(12), at(21)), at(11))) == []


def test_who_went_in_long_before_their_time_is_asked_like_anybody() -> None:
    """The plan said later; they are in the water now, and that they came out may be among what is lost."""
    story = filed(replace(PLAN, time_in_at=at(200)))
    story.does(do.Start(diver("IN")), at(1))

    assert kinds(story.does(do.Hold(CLOCK, COPIED, at(12), at(21)), at(11))) == ["Held"]


def test_a_plan_is_not_asked_about_before_its_question_is_due() -> None:
    """Also where something else makes the clock look at it."""
    story = restored(filed(PLANNED), 3)

    assert kinds(story.does(do.Tick(), at(4, -1))) == []


def test_a_start_is_news_that_ends_the_wait() -> None:
    """Who goes in now is in by our own record."""
    story = restored(filed(), 20)

    story.does(do.Start(diver("IN")), at(22))

    assert story.dive.waiting is None
    assert next_due_at(story.dive) is not None


def test_a_contact_may_say_safe_meanwhile() -> None:
    """The record of who may close a dive is not changed by it."""
    story = restored(in_water(), RAISE_BY)

    story.does(do.ReportSafe(contact(), 2), at(RAISE_BY + 1))

    assert story.dive.phase is Phase.CLOSED


def test_the_wait_is_ten_minutes_of_a_long_outage_too() -> None:
    """A copy found while distress was long past alerts everybody as soon as the wait is over."""
    story = restored(in_water(), 600)

    assert swept(story, at(610)) == [(at(601), ["ask_out"]), (at(610), ["distress", "hand_up"])]
    assert {told.at for told in story.dive.alerted} == {at(610)}
