"""What a keeper told without the database is noted, so that the ladder goes on from there and nobody is told again."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.dive import Phase, next_due_at
from service.domain.dive import commands as do
from service.domain.dive.events import AlarmRaised, Started, StepTaken
from service.domain.encoding import segments
from service.domain.grace import Step
from service.domain.people import ADMINS, CLOCK, Channel
from service.domain.wording import Draft, MessageKind, messages_for
from service.domain.wording.outage import unconfirmed
from tests.domain.builders import (
    DISTRESS,
    DUE_OUT,
    NOW,
    PLAN,
    RAISE_BY,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    keys,
    kinds,
    overdue,
)
from tests.domain.every_message import AWAY, plan_in
from tests.domain.every_message import filed as filed_with_long_names

ALERTED = do.NoteToldMeanwhile(Step.ALERT, ("contact-0",), at(RAISE_BY), at(RAISE_BY + 1))


def told(story: Story, *commands: do.NoteToldMeanwhile, minutes: int = RAISE_BY + 2) -> list[list[str]]:
    """What each of them brings about."""
    return [kinds(story.does(command, at(minutes))) for command in commands]


def handed_up(story: Story) -> list[Draft]:
    """What a keeper sends to the admins by its copy once the clock hands the dive up."""
    while story.steps().count(Step.HAND_UP) == 0:
        due_at = next_due_at(story.dive)
        assert due_at is not None
        story.ticks(due_at)
    event = next(one for one in story.events if isinstance(one, StepTaken) and one.step is Step.HAND_UP)
    drafts = unconfirmed(story.dive, event, messages_for(story.dive, event))
    return [draft for draft in drafts if draft.to.key == ADMINS]


def test_the_ladder_goes_on_from_whom_the_keeper_told() -> None:
    """The first contact has it since the keeper told them, so the second is due five minutes after that."""
    story = overdue(RAISE_BY - 1)

    assert told(story, ALERTED) == [["ToldMeanwhile"]]
    assert (story.dive.phase, story.dive.alarm_at) == (Phase.ALERT, at(RAISE_BY))
    assert next_due_at(story.dive) == at(RAISE_BY + 6)
    assert story.said(do.Tick(), at(RAISE_BY + 6))[0].to.key == "contact-1"


def test_it_is_noted_once() -> None:
    """The same again, as after a crash in mid-merge, changes nothing."""
    story = overdue(RAISE_BY - 1)

    assert told(story, ALERTED, ALERTED) == [["ToldMeanwhile"], []]


def test_nobody_is_told_again_by_it() -> None:
    """It causes no message at all."""
    story = overdue(RAISE_BY - 1)

    assert story.said(ALERTED, at(RAISE_BY + 2)) == []


def test_who_was_not_reached_still_has_their_turn() -> None:
    """Only the second contact was: the first is due like a next contact."""
    story = overdue(RAISE_BY - 1)
    told(story, do.NoteToldMeanwhile(Step.NEXT_CONTACT, ("contact-1",), at(RAISE_BY), at(RAISE_BY + 1)))

    assert story.dive.phase is Phase.ALERT
    assert story.said(do.Tick(), at(RAISE_BY + 6))[0].to.key == "contact-0"


def test_distress_of_the_keeper_is_the_latest_that_counts() -> None:
    """A round that is older than what the dive knows is no news; a later one puts off the next."""
    story = overdue(RAISE_BY)
    story.does(do.Tick(), at(RAISE_BY + 15))
    assert story.dive.phase is Phase.DISTRESS
    everybody = tuple(person.key for person in story.dive.contacts)

    older, later = (
        do.NoteToldMeanwhile(Step.DISTRESS_AGAIN, everybody, at(RAISE_BY), at(RAISE_BY + minutes))
        for minutes in (15, 20)
    )

    assert told(story, older, later, minutes=RAISE_BY + 21) == [[], ["ToldMeanwhile"]]
    assert story.dive.distress_at == at(RAISE_BY + 20)


def test_a_hand_up_is_noted_once_and_raises_no_phase() -> None:
    """The admins have been told that nobody answers."""
    story = overdue(RAISE_BY)
    command = do.NoteToldMeanwhile(Step.HAND_UP, ("admins",), at(RAISE_BY), at(RAISE_BY))

    assert told(story, command, command) == [["ToldMeanwhile"], []]
    assert story.dive.phase is Phase.ALERT


@pytest.mark.parametrize("to", [(), ("contact-0",)], ids=["nobody was reached", "the dive is over"])
def test_what_changes_nothing(to: tuple[str, ...]) -> None:
    """Where nobody was reached the dive's own ladder tells them; where it is over there is no ladder."""
    story = overdue(RAISE_BY - 1)
    if to:
        story.does(do.Finish(diver()), at(RAISE_BY - 1))

    assert told(story, replace(ALERTED, to=to)) == [[]]


def test_a_plan_with_no_start_is_taken_as_started_first() -> None:
    """The keeper's clock ran from its planned time; the other contacts get the plan, the alerted one does not."""
    planned = replace(PLAN, time_in_at=NOW)
    story = filed(planned)
    last = at(20 + RAISE_BY)

    decision = story.does(replace(ALERTED, told_at=last), last)

    assert kinds(decision) == ["Started", "ToldMeanwhile"]
    assert isinstance(decision, tuple)
    assert isinstance(decision[0], Started)
    assert (decision[0].assumed, decision[0].spared) == (True, ("contact-0",))
    assert story.dive.phase is Phase.ALERT


def test_of_a_start_that_the_keeper_took_for_granted_only_the_other_contacts_hear() -> None:
    """They get the plan and who has the alarm; the party hears no "the clock runs" and no "not armed" in an alarm."""
    story = filed(replace(PLAN, time_in_at=NOW))
    last = at(20 + RAISE_BY)

    drafts = story.said(replace(ALERTED, told_at=last), last)
    story.ticks(last)

    assert keys(drafts) == ["contact-1", "contact-2"]
    assert all("Cleo Marsh" in draft.text for draft in drafts)
    assert not story.dive.not_armed_said


def test_an_alarm_of_the_keeper_before_a_start_is_due_takes_none_for_granted() -> None:
    """Somebody called for help before the time in: nobody is in the water by that, and no due out is made up."""
    story = filed(replace(PLAN, time_in_at=NOW))

    decision = story.does(do.NoteToldMeanwhile(Step.ALERT, ("contact-0",), at(5), at(5)), at(20, -1))

    assert kinds(decision) == ["ToldMeanwhile"]
    assert (story.dive.phase, story.dive.started_at, story.dive.due_out_at) == (Phase.ALERT, None, None)


def test_who_is_next_is_not_kept_waiting_by_a_hold_once_the_keeper_has_alerted_somebody() -> None:
    """A restored dive holds up the first alert alone: with that out, the ladder has its own times again."""
    story = overdue(RAISE_BY - 1)
    story.does(do.Hold(CLOCK, at(10), at(RAISE_BY + 3), at(RAISE_BY + 12)), at(RAISE_BY + 2))
    told(story, ALERTED)

    assert next_due_at(story.dive) == at(RAISE_BY + 6)
    assert keys(story.ticks(at(RAISE_BY + 6))) == ["contact-1"]


def test_a_reminder_that_nobody_sent_meanwhile_makes_no_alarm_smaller() -> None:
    """The party's second call was still to come when the keeper alerted: the dive stays in alarm."""
    story = overdue(DUE_OUT + 1)
    told(story, ALERTED)

    story.ticks(at(RAISE_BY + 2))

    assert story.steps()[-1] is Step.SECOND_CALL
    assert story.dive.phase is Phase.ALERT


def test_an_alarm_by_snapshot_says_that_it_is_not_confirmed() -> None:
    """Before all else, in a text and in a call, with no link, and what is not urgent does not go."""
    story = in_water()
    decision = story.does(do.Tick(), at(RAISE_BY))
    assert isinstance(decision, tuple)
    event = next(one for one in decision if isinstance(one, StepTaken) and one.step is Step.ALERT)
    drafts = unconfirmed(story.dive, event, messages_for(story.dive, event))

    assert [draft.to.key for draft in drafts] == ["contact-0"]
    assert "SERVICE FAULT, NOT CONFIRMED. OVERDUE:" in drafts[0].text
    assert all(draft.link is None for draft in drafts)


@pytest.mark.parametrize(
    ("answered", "words"),
    [(False, "OVERDUE, no contact has answered:"), (True, "OVERDUE, answered but not resolved:")],
    ids=["nobody has answered", "nothing came of the answer"],
)
def test_a_hand_up_by_the_copy_says_what_became_of_the_contacts(words: str, *, answered: bool) -> None:
    """The admins hear from a keeper without the database whether somebody had the alarm."""
    story = overdue(RAISE_BY)
    if answered:
        story.does(do.Acknowledge(contact()), at(RAISE_BY))
    [draft] = handed_up(story)

    assert f"SERVICE FAULT, NOT CONFIRMED. {words}" in draft.text


@pytest.mark.parametrize(("raised", "begins"), [(False, "OVERDUE:"), (True, "ALARM:")], ids=["silent", "an SOS"])
def test_a_hand_up_by_the_copy_says_first_that_rescue_was_not_called(begins: str, *, raised: bool) -> None:
    """Who believed that it was has waited for nothing."""
    story = overdue(DISTRESS)
    if raised:
        story.does(do.RaiseNow(diver("SOS"), "SOS"), at(DISTRESS))
    story.does(do.ReportCalled(contact()), at(DISTRESS))
    story.does(do.TakeBackCalled(contact()), at(DISTRESS + 3))
    [draft] = handed_up(story)

    assert f"SERVICE FAULT, NOT CONFIRMED. {begins} RESCUE NOT CALLED AFTER ALL" in draft.text


def test_a_hand_up_by_the_copy_of_an_alarm_that_was_raised_says_that_nothing_came_of_the_answer() -> None:
    """Whoever raised it was not overdue."""
    story = in_water()
    story.does(do.RaiseNow(diver("SOS"), "SOS"), at(5))
    story.does(do.Acknowledge(contact()), at(6))
    [draft] = handed_up(story)

    assert "SERVICE FAULT, NOT CONFIRMED. ALARM, answered but not resolved:" in draft.text


def test_what_somebody_has_said_needs_no_doubt() -> None:
    """An SOS is a person's word, whatever has become of the database."""
    story = in_water()
    decision = story.does(do.RaiseNow(diver("SOS"), "SOS"), at(5))
    assert isinstance(decision, tuple)
    [event] = [one for one in decision if isinstance(one, AlarmRaised)]
    drafts = unconfirmed(story.dive, event, messages_for(story.dive, event))

    assert {draft.kind for draft in drafts} == {MessageKind.ALERT, MessageKind.REPLY}
    assert all("NOT CONFIRMED" not in draft.text for draft in drafts)


@pytest.mark.parametrize("language", ["en", "de", "es", "fr", "it"])
@pytest.mark.parametrize("drill", [False, True], ids=["real", "drill"])
def test_with_the_longest_names_it_has_the_room_of_an_alarm(language: str, *, drill: bool) -> None:
    """Three segments in every language, the doubt and the reference always among them."""
    play = filed_with_long_names(plan_in(language), drill=drill)
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.ReportFix(play.by("diver-0"), AWAY, 480.0), 30)
    play.does(do.Finish(play.by("diver-0"), 11, with_code=True), 60)
    play.does(do.Tick(), 120)
    drafts = [draft for told in play.told for draft in unconfirmed(told.dive, told.event, [told.draft])]

    texts = [draft.text for draft in drafts if draft.channel is Channel.TEXT and draft.to.key != "admins"]
    assert len(texts) > 8
    for text in texts:
        assert len(segments(text).parts) <= 3, text
        assert "7K" in text
        assert text.startswith("EXERCISE") is drill


def test_an_answer_to_it_is_an_answer() -> None:
    """The contact says OK to the keeper's alarm: the dive knows that alarm, so nothing is refused."""
    story = overdue(RAISE_BY - 1)
    told(story, ALERTED)

    assert kinds(story.does(do.Acknowledge(contact()), at(RAISE_BY + 3))) == ["Acknowledged"]
    assert next_due_at(story.dive) == at(RAISE_BY) + timedelta(minutes=15)
