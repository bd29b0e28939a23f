"""What a keeper raised upon a call for help, without the database, is noted: the alarm goes on as of then."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import Phase, Refusal, next_due_at
from service.domain.dive import commands as do
from service.domain.dive.events import AlarmRaised, StepTaken
from service.domain.dive.state import Raising
from service.domain.encoding import segments
from service.domain.grace import Step
from service.domain.people import Actor, Channel
from service.domain.wording import MessageKind, messages_for
from service.domain.wording.outage import unconfirmed
from tests.domain.builders import CONTACT_KEYS, NOW, PLAN, Story, at, contact, diver, filed, in_water, keys, kinds
from tests.domain.every_message import filed as filed_with_long_names
from tests.domain.every_message import plan_in

OUT, SAID, TOLD, BACK = 20, 80, 81, 170  # minutes: out, the call for help, the keeper's alarm, the database again


def sos(minutes: float) -> Actor:
    """The lead, who calls for help then."""
    return replace(diver("SOS"), said_at=at(minutes))


CALL = do.RaiseNow(sos(SAID), "cramp")
NOTED = do.NoteRaisedMeanwhile(CALL, CONTACT_KEYS, at(TOLD))


def over(*, drill: bool = False) -> Story:
    """A dive that ended, with nobody alarmed."""
    story = filed(drill=drill)
    story.does(do.Start(diver("IN")), at(0))
    story.does(do.Finish(diver()), at(OUT))
    return story


def noted(story: Story, command: do.NoteRaisedMeanwhile = NOTED) -> AlarmRaised:
    """What it brings about."""
    decision = story.does(command, at(BACK))
    assert isinstance(decision, tuple)
    [event] = decision
    assert isinstance(event, AlarmRaised)
    return event


def test_a_dive_that_was_over_is_open_again_however_late_that_is_noted() -> None:
    """As of when the keeper told it, though more than two hours after the end by now; nobody is told by that."""
    story = over()

    event = noted(story)

    assert (event.reopened, messages_for(story.dive, event)) == (True, [])
    assert (story.dive.phase, story.dive.alarm_at) == (Phase.ALERT, at(TOLD))
    assert {(told.key, told.at) for told in story.dive.alerted} == {(key, at(TOLD)) for key in CONTACT_KEYS}
    assert next_due_at(story.dive) == at(TOLD + 15)


def test_the_text_itself_adds_no_second_call_to_the_first() -> None:
    """It is read again in full and told again, with when it was said; who raised it is there once."""
    story = over()
    noted(story)

    drafts = story.said(CALL, at(BACK))

    assert story.dive.raisings == (Raising(at(SAID), CALL.by, "cramp"),)
    assert {*CONTACT_KEYS} <= {*keys(drafts)}
    assert all("11:20 says" in draft.text for draft in drafts if draft.kind is MessageKind.ALERT)


def test_it_begins_with_nothing_called_and_nothing_taken_back() -> None:
    """What was said of rescue in the alarm before holds of that one, and cannot be taken back in this."""
    story = in_water()
    story.runs_to(at(SAID - 20))
    for command in (do.ReportCalled(contact(0)), do.ReportCalled(contact(1)), do.TakeBackCalled(contact(1))):
        story.does(command, at(SAID - 19))
    story.does(do.Finish(diver()), at(SAID - 10))
    assert (story.dive.rescue_calls, story.dive.taken_back) != ((), ())

    assert noted(story).reopened

    assert (story.dive.rescue_calls, story.dive.taken_back, story.dive.called_reference) == ((), (), None)
    refusal = story.does(do.TakeBackCalled(contact(0)), at(BACK))
    assert isinstance(refusal, Refusal)
    assert refusal.code == "not_called"


def test_another_call_is_another() -> None:
    """The same person, with other words."""
    story = over()
    noted(story)
    story.does(do.RaiseNow(diver("SOS"), "he is gone"), at(BACK))

    assert [one.note for one in story.dive.raisings] == ["cramp", "he is gone"]


def test_it_is_noted_once() -> None:
    """The same again, as after a crash in mid-merge, changes nothing."""
    story = over()
    noted(story)

    assert kinds(story.does(NOTED, at(BACK))) == []


@pytest.mark.parametrize("ended", [TOLD, TOLD + 1], ids=["as it was told", "after it"])
def test_what_ended_since_stays_ended(ended: float) -> None:
    """Somebody who may have known of the call has ended it."""
    story = over()
    story.does(CALL, at(SAID))
    story.does(do.ReportSafe(contact(), 2), at(ended))

    assert kinds(story.does(NOTED, at(BACK))) == []


def test_an_exercise_that_is_over_stays_over() -> None:
    """Nothing would end it once more."""
    assert kinds(over(drill=True).does(NOTED, at(BACK))) == []


def test_whom_no_gateway_reached_is_told_at_once() -> None:
    """With nobody told the alarm is up all the same, and the next tick alerts all whose turn has come."""
    story = over()
    noted(story, replace(NOTED, to=()))

    assert next_due_at(story.dive) == at(TOLD)
    assert {*keys(story.ticks(at(TOLD + 11)))} == {*CONTACT_KEYS}


def test_who_was_not_reached_has_their_turn() -> None:
    """The first contact has it; the second is due five minutes after them."""
    story = over()
    noted(story, replace(NOTED, to=CONTACT_KEYS[:1]))

    assert next_due_at(story.dive) == at(TOLD + 5)
    assert keys(story.ticks(at(TOLD + 5))) == ["contact-1"]


def test_a_dive_that_runs_is_in_alarm_as_of_then() -> None:
    """No start is taken for granted, and none is needed."""
    story = in_water()
    story.does(do.NoteRaisedMeanwhile(do.RaiseNow(sos(4)), CONTACT_KEYS, at(5)), at(30))

    assert (story.dive.phase, story.dive.alarm_at) == (Phase.ALERT, at(5))


def test_a_plan_whose_start_the_keeper_took_for_granted_is_started_first() -> None:
    """As where its clock alarmed; of the start the contacts who have the alarm hear nothing."""
    story = filed(replace(PLAN, time_in_at=NOW))

    decision = story.does(do.NoteRaisedMeanwhile(do.RaiseNow(diver("SOS")), CONTACT_KEYS, at(40)), at(60))

    assert kinds(decision) == ["Started", "AlarmRaised"]


def test_a_call_that_lay_is_judged_by_when_it_was_said() -> None:
    """Two hours after the end count to the words, not to when they reached us; later words are refused."""
    late, later = do.RaiseNow(sos(OUT + 119)), do.RaiseNow(sos(OUT + 120))

    assert kinds(over().does(late, at(OUT + 150))) == ["AlarmRaised"]
    assert kinds(over().does(do.RaiseNow(diver("SOS")), at(OUT + 150))) == ["refused: closed_too_long"]
    assert kinds(over().does(later, at(OUT + 150))) == ["refused: closed_too_long"]


def test_a_call_that_lay_takes_the_place_of_no_later_word() -> None:
    """What was heard last is what was said last."""
    story = in_water()
    story.does(do.Hear(diver("at the car"), "at the car"), at(10))
    story.does(do.RaiseNow(sos(5)), at(12))

    assert story.dive.last_heard is not None
    assert (story.dive.last_heard.at, story.dive.last_heard.words) == (at(10), "at the car")


def test_by_the_copy_the_sender_is_answered_and_nothing_else_calm_goes() -> None:
    """Who hears nothing may believe that nobody has."""
    story = over()
    decision = story.does(do.RaiseNow(diver("SOS")), at(SAID))
    assert isinstance(decision, tuple)
    drafts = unconfirmed(story.dive, decision[0], messages_for(story.dive, decision[0]))

    assert [(one.to.key, one.kind) for one in drafts][-1] == ("diver-0", MessageKind.REPLY)
    assert {*keys(drafts)} == {*CONTACT_KEYS, "diver-0"}
    assert all(one.link is None for one in drafts)


@pytest.mark.parametrize(
    ("step", "begins"),
    [
        (Step.DISTRESS, "SERVICE FAULT, NOT CONFIRMED. ALARM, CALL RESCUE NOW:"),
        (Step.HAND_UP, "SERVICE FAULT, NOT CONFIRMED. ALARM, no contact has answered:"),
    ],
)
def test_what_follows_by_the_copy_is_no_overdue_dive(step: Step, begins: str) -> None:
    """They were out; it says that somebody raised the alarm, and their words in the place of that they may be out."""
    story = over()
    story.does(CALL, at(SAID))
    found = {}
    for minutes in range(SAID, SAID + 60):
        decision = story.does(do.Tick(), at(minutes))
        for event in decision if isinstance(decision, tuple) else ():
            if isinstance(event, StepTaken):
                found[event.step] = unconfirmed(story.dive, event, messages_for(story.dive, event))

    assert found[step]
    for draft in found[step]:
        assert begins in draft.text
        assert 'Anna Holt: "SOS"' in draft.text
        assert "overdue" not in draft.text.lower()
        assert "They may be out" not in draft.text


@pytest.mark.parametrize("language", ["en", "de", "es", "fr", "it"])
@pytest.mark.parametrize("drill", [False, True], ids=["real", "drill"])
def test_with_the_longest_names_it_has_the_room_of_an_alarm(language: str, *, drill: bool) -> None:
    """Three segments in every language, the reference always among them; an answer fits one."""
    play = filed_with_long_names(plan_in(language), drill=drill)
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.RaiseNow(play.by("diver-0"), "we have lost each other behind the second wreck " * 3), 20)
    for minutes in range(21, 90):
        play.does(do.Tick(), minutes)
    drafts = [draft for told in play.told for draft in unconfirmed(told.dive, told.event, [told.draft])]

    texts = [draft for draft in drafts if draft.channel is Channel.TEXT and draft.to.key != "admins"]
    assert len(texts) > 8
    for draft in texts:
        assert len(segments(draft.text).parts) <= (1 if draft.kind is MessageKind.REPLY else 3), draft.text
        assert "7K" in draft.text or draft.kind is MessageKind.REPLY
