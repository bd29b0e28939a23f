"""The ladder: each step at its moment, a second before and a second after, told to whom it is for."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from service.domain.dive import Phase, next_due_at
from service.domain.dive import commands as do
from service.domain.grace import GracePeriods, Step
from service.domain.people import ADMINS
from service.domain.wording import MessageKind
from tests.domain.builders import (
    CONTACT_KEYS,
    DISTRESS,
    DUE_OUT,
    HAND_UP,
    PARTY_KEYS,
    PLAN,
    RAISE_BY,
    STRANGER,
    at,
    contact,
    diver,
    in_water,
    keys,
    kinds,
    overdue,
    step_of,
)

# step, minutes after the start, whom it tells, how urgent, phase after it
LADDER = [
    (Step.HEADS_UP, DUE_OUT - 10, PARTY_KEYS, MessageKind.REMINDER, Phase.IN_WATER),
    (Step.DUE_OUT, DUE_OUT, PARTY_KEYS, MessageKind.REMINDER, Phase.UNCERTAINTY),
    (Step.SECOND_CALL, DUE_OUT + 5, PARTY_KEYS, MessageKind.REMINDER, Phase.UNCERTAINTY),
    (Step.ALERT, RAISE_BY, CONTACT_KEYS[:1], MessageKind.ALERT, Phase.ALERT),
    (Step.NEXT_CONTACT, RAISE_BY + 5, CONTACT_KEYS[1:2], MessageKind.ALERT, Phase.ALERT),
    (Step.NEXT_CONTACT, RAISE_BY + 10, CONTACT_KEYS[2:], MessageKind.ALERT, Phase.ALERT),
    (Step.DISTRESS, DISTRESS, CONTACT_KEYS, MessageKind.DISTRESS, Phase.DISTRESS),
    (Step.DISTRESS_AGAIN, DISTRESS + 10, CONTACT_KEYS, MessageKind.DISTRESS, Phase.DISTRESS),
    (Step.DISTRESS_AGAIN, DISTRESS + 20, CONTACT_KEYS, MessageKind.DISTRESS, Phase.DISTRESS),
]
IDS = [f"{step} at +{minute - DUE_OUT}" for step, minute, *_ in LADDER]


@pytest.mark.parametrize("late_s", [0, 1], ids=["at", "a second after"])
@pytest.mark.parametrize(("step", "minute", "told", "kind", "phase"), LADDER, ids=IDS)
def test_a_step_is_taken_when_it_is_due(
    step: Step, minute: int, told: tuple[str, ...], kind: MessageKind, phase: Phase, late_s: int
) -> None:
    """At its moment, or with the first sweep after it, a step tells those whom it is for and no one else."""
    story = overdue(minute - 0.1)

    drafts = story.ticks(at(minute, late_s))

    assert story.steps()[-1] is step
    assert keys(drafts) == sorted(told)
    assert {(draft.kind, draft.due_at) for draft in drafts} == {(kind, at(minute))}
    assert story.dive.phase is phase


@pytest.mark.parametrize("minute", [row[1] for row in LADDER], ids=IDS)
def test_no_step_is_taken_a_second_early(minute: int) -> None:
    """A second before its moment a step is next in line, and nothing is done."""
    story = overdue(minute - 0.1)
    before = story.dive

    assert story.ticks(at(minute, -1)) == []
    assert story.dive == before
    assert next_due_at(story.dive) == at(minute)


@pytest.mark.parametrize(("second", "handed_up"), [(-1, False), (0, True), (1, True)], ids=["before", "at", "after"])
def test_the_admins_are_told_when_nobody_has_answered(second: int, handed_up: bool) -> None:  # noqa: FBT001 - a table
    """An hour after due out with nothing acknowledged the club's admins hear that nobody answered."""
    story = overdue(HAND_UP - 0.1)

    drafts = story.ticks(at(HAND_UP, second))

    assert [draft.to.key for draft in drafts if draft.step.startswith("hand_up")] == [ADMINS] * handed_up
    assert all("NO CONTACT HAS ANSWERED for 45 min" in draft.text for draft in drafts if draft.to.key == ADMINS)


def test_the_hand_up_is_once() -> None:
    """The admins are told once, while the contacts go on being told."""
    story = overdue(HAND_UP + 60)

    assert story.steps().count(Step.HAND_UP) == 1
    assert story.steps().count(Step.DISTRESS_AGAIN) == 9


def test_all_of_the_ladder_in_its_order() -> None:
    """Left alone, a dive climbs every rung once and repeats only distress."""
    expected = [*PARTY_STEPS_THEN_ALERTS, Step.DISTRESS, Step.DISTRESS_AGAIN, Step.DISTRESS_AGAIN]

    assert overdue(HAND_UP - 1).steps() == expected
    assert overdue(HAND_UP - 1).dive.distress_count == 3


PARTY_STEPS_THEN_ALERTS = [
    *(Step.HEADS_UP, Step.DUE_OUT, Step.SECOND_CALL),
    *(Step.ALERT, Step.NEXT_CONTACT, Step.NEXT_CONTACT),
]


def test_an_answer_ends_the_search_for_the_next_contact_but_not_distress() -> None:
    """Reading is not resolving: who has answered is asked to call rescue all the same, with everybody else."""
    story = overdue(RAISE_BY)
    assert kinds(story.does(do.Acknowledge(contact()), at(RAISE_BY + 1))) == ["Acknowledged"]

    assert next_due_at(story.dive) == at(DISTRESS)
    assert keys(story.ticks(at(DISTRESS))) == sorted(CONTACT_KEYS)
    story.runs_to(at(HAND_UP + 60))

    assert Step.NEXT_CONTACT not in story.steps()
    assert story.steps().count(Step.DISTRESS_AGAIN) == 9


OWN_TIME = HAND_UP - RAISE_BY  # what the contacts have from the alert to the hand-up


def test_an_answer_of_which_nothing_comes_is_handed_up_too() -> None:
    """A contact has the alarm and falls asleep; for who dives alone with one contact nobody else would ever hear."""
    story = overdue(RAISE_BY)
    story.does(do.Acknowledge(contact()), at(RAISE_BY + 1))
    story.runs_to(at(RAISE_BY + 1 + OWN_TIME, -1))
    assert Step.HAND_UP not in story.steps()

    handed_up = [draft for draft in story.ticks(at(RAISE_BY + 1 + OWN_TIME)) if draft.to.key == ADMINS]

    assert [draft.kind for draft in handed_up] == [MessageKind.DISTRESS]
    assert "ANSWERED 45 min AGO, NOT RESOLVED. Dive 7K: Cleo Marsh has the alarm since 11:06." in handed_up[0].text
    assert "Act now: rescue" in handed_up[0].text
    story.runs_to(at(HAND_UP + 120))
    assert story.steps().count(Step.HAND_UP) == 1


def test_who_answers_late_has_the_contacts_own_time_before_the_hand_up() -> None:
    """Also the second who answers; and where rescue is called meanwhile nobody is woken."""
    story = overdue(RAISE_BY)
    story.does(do.Acknowledge(contact()), at(RAISE_BY + 1))
    story.runs_to(at(HAND_UP - 1))
    story.does(do.Acknowledge(contact(1)), at(HAND_UP - 1))
    story.runs_to(at(HAND_UP - 1 + OWN_TIME, -1))
    assert Step.HAND_UP not in story.steps()

    story.does(do.ReportCalled(contact(1), None), at(HAND_UP - 1 + OWN_TIME, -1))
    story.runs_to(at(HAND_UP + 200))

    assert Step.HAND_UP not in story.steps()


def test_the_contact_who_answered_and_cannot_be_reached_any_more_has_answered() -> None:
    """That nobody is left to wait for hurries only an alarm that nobody has."""
    story = overdue(RAISE_BY + 10)
    story.does(do.Acknowledge(contact()), at(RAISE_BY + 11))
    for key in CONTACT_KEYS:
        story.does(do.NoteUnreachable(key, "refused"), at(RAISE_BY + 12))

    assert Step.HAND_UP not in story.steps()
    story.runs_to(at(RAISE_BY + 11 + OWN_TIME))
    assert story.steps().count(Step.HAND_UP) == 1


@pytest.mark.parametrize("minute", [RAISE_BY + 1, DISTRESS + 1], ids=["in alert", "in distress"])
def test_called_ends_the_repeats_and_the_dive_stays_open(minute: int) -> None:
    """Once rescue is called nobody is told to call it again; only safe, or out, closes."""
    story = overdue(minute)
    assert kinds(story.does(do.ReportCalled(contact(), "4711"), at(minute))) == ["RescueCalled"]

    assert next_due_at(story.dive) is None
    assert story.ticks(at(minute + 600)) == []
    assert story.dive.phase is Phase.DISTRESS
    assert (story.dive.called_reference, story.dive.called_by) == ("4711", contact())


def test_called_before_the_alert_ends_every_later_step() -> None:
    """A contact who has called rescue before the clock did is not told that the clock runs out."""
    story = overdue(DUE_OUT + 1)
    story.does(do.ReportCalled(contact()), at(DUE_OUT + 2))

    assert next_due_at(story.dive) is None
    assert (story.dive.phase, story.dive.alarm_at) == (Phase.DISTRESS, at(DUE_OUT + 2))


def test_a_strange_phone_cannot_say_that_rescue_was_called() -> None:
    """It would end the repeats, and its number proves nothing."""
    story = overdue(DISTRESS)

    assert kinds(story.does(do.ReportCalled(STRANGER), at(DISTRESS + 1))) == ["refused: not_of_this_dive"]
    assert next_due_at(story.dive) == at(DISTRESS + 10)


def test_a_second_call_to_rescue_keeps_the_incident_number() -> None:
    """A later report without a number does not lose the number that is known."""
    story = overdue(RAISE_BY)
    story.does(do.ReportCalled(contact(), "4711"), at(RAISE_BY + 1))
    story.does(do.ReportCalled(contact(1)), at(RAISE_BY + 2))

    assert (story.dive.called_reference, story.dive.called_by) == ("4711", contact(1))


@pytest.mark.parametrize(
    ("run_min", "skipped"),
    [(5, [Step.HEADS_UP]), (10, [Step.HEADS_UP]), (11, [])],
    ids=["heads-up before the start", "heads-up at the start", "heads-up a minute in"],
)
def test_a_heads_up_that_would_come_before_the_dive_is_none(run_min: int, skipped: list[Step]) -> None:
    """In a very short dive the first reminder is the one at due out."""
    story = in_water(replace(PLAN, run_time=timedelta(minutes=run_min)))
    story.runs_to(at(run_min + 5))

    assert [step for step in (Step.HEADS_UP, Step.DUE_OUT, Step.SECOND_CALL) if step not in story.steps()] == skipped


def test_a_party_without_other_phones_is_still_called() -> None:
    """Whoever has a phone is reminded; the steps go on for the rest."""
    story = overdue(DUE_OUT, replace(PLAN, party=(PLAN.party[0], replace(PLAN.party[1], phone=None))))

    assert keys([draft for _, draft in story.told if draft.step.startswith("due_out")]) == ["diver-0"]


SHORT = GracePeriods().shortened(timedelta(minutes=10))


@pytest.mark.parametrize(
    ("step", "after_due_out"),
    [(Step.ALERT, 10), (Step.DISTRESS, 25), (Step.HAND_UP, 55)],
    ids=["alert", "distress", "hand-up"],
)
def test_a_diver_who_shortens_the_grace_is_looked_for_sooner(step: Step, after_due_out: int) -> None:
    """Alert, distress and hand-up all come five minutes sooner."""
    story = overdue(DUE_OUT + 120, grace=SHORT)
    (first, *_) = [event for event in story.events if getattr(event, "step", None) is step]

    assert getattr(first, "due_at", None) == at(DUE_OUT + after_due_out)


def test_a_club_that_sets_other_times_has_them() -> None:
    """The ladder is made of the periods that were fixed when the plan was filed."""
    club = GracePeriods(
        heads_up_before=timedelta(minutes=7),
        second_call_after=timedelta(minutes=3),
        grace=timedelta(minutes=20),
        next_contact_every=timedelta(minutes=2),
        distress_after=timedelta(minutes=40),
        distress_every=timedelta(minutes=4),
        hand_up_after=timedelta(minutes=90),
    )
    story = overdue(DUE_OUT + 89, grace=club)
    due: list[tuple[Step, datetime]] = [(e.step, e.due_at) for e in story.events if hasattr(e, "step")]

    assert due[:7] == [
        (Step.HEADS_UP, at(DUE_OUT - 7)),
        (Step.DUE_OUT, at(DUE_OUT)),
        (Step.SECOND_CALL, at(DUE_OUT + 3)),
        (Step.ALERT, at(DUE_OUT + 20)),
        (Step.NEXT_CONTACT, at(DUE_OUT + 22)),
        (Step.NEXT_CONTACT, at(DUE_OUT + 24)),
        (Step.DISTRESS, at(DUE_OUT + 40)),
    ]
    assert due[7] == (Step.DISTRESS_AGAIN, at(DUE_OUT + 44))
    assert next_due_at(story.dive) == at(DUE_OUT + 90)


@pytest.mark.parametrize("who", [diver("OK"), STRANGER], ids=["a diver", "a strange phone"])
def test_only_somebody_ashore_can_answer_an_alarm(who: object) -> None:
    """OK from the party is no finish, and a phone that the dive does not know proves nothing."""
    story = overdue(RAISE_BY)
    decision = story.does(do.Acknowledge(who), at(RAISE_BY + 1))  # type: ignore[arg-type]

    assert kinds(decision) in (["refused: diver_ok"], ["refused: not_of_this_dive"])
    assert kinds(story.does(do.Acknowledge(contact()), at(RAISE_BY + 2))) == ["Acknowledged"]
    assert kinds(story.does(do.Acknowledge(contact()), at(RAISE_BY + 3))) == ["refused: acknowledged_already"]
    assert step_of(story.does(do.Tick(), at(DISTRESS)), Step.DISTRESS).to == CONTACT_KEYS
