"""A dive that cannot be read takes nothing down with it: the sender's other dives can be reached by text."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import update

from service.domain.dive import Dive, Phase
from service.operations.pages import list_dives
from service.store import opt_outs, reaches
from service.store.dives import Unreadable
from service.store.tables import DiveRow
from tests.operations.stage import ANNA, CLEO, CLUB, DOV, EDDA, FINN, OURS, STRANGER, Stage, plan, plan_of

OUR_FAULT = "cannot be read"


def damage(stage: Stage, dive: Dive) -> None:
    """Make the state of a dive unreadable, so that what follows cannot be checked against the log."""
    broken = update(DiveRow).where(DiveRow.id == dive.id).values(state='{"phase": 7}')
    stage.service.write(lambda session: session.execute(broken))


def alarms(stage: Stage, phone: str) -> int:
    """How many plainest alarms reached a phone."""
    return sum("SERVICE FAULT" in body for body in stage.to(phone))


def two_of_anna(stage: Stage) -> tuple[Dive, Dive]:
    """One of Anna's dives that runs and can be read, and one that runs and cannot."""
    whole = stage.dive_in()
    broken = stage.dive_in(plan(contacts=(plan().contacts[0], plan_of(1, [EDDA]).contacts[0])))
    damage(stage, broken)
    return whole, broken


def test_a_finish_reaches_the_one_dive_that_runs(unchecked: Stage) -> None:
    """An earlier dive of that phone is over and cannot be read: it is not what OUT means."""
    stage = unchecked
    before = stage.dive_in()
    stage.text(ANNA, "out 2")
    damage(stage, before)
    dive = stage.dive_in()

    [answer] = stage.text(ANNA, "out 2")

    assert stage.dive(dive.id).phase is Phase.CLOSED
    assert OUR_FAULT not in answer


def test_a_contact_of_an_unreadable_dive_finishes_their_own(unchecked: Stage) -> None:
    """What the sender is to each dive says which one is meant."""
    stage = unchecked
    damage(stage, stage.dive_in(plan_of(1, [ANNA])))
    dive = stage.dive_in()

    stage.text(ANNA, "out 2")

    assert stage.dive(dive.id).phase is Phase.CLOSED


def test_a_start_reaches_the_plan_that_is_filed(unchecked: Stage) -> None:
    """The unreadable one is in the water already."""
    stage = unchecked
    damage(stage, stage.dive_in())
    dive = stage.file()

    stage.text(ANNA, "in")

    assert stage.dive(dive.id).phase is Phase.IN_WATER


def test_of_two_that_run_the_reference_says_which(unchecked: Stage) -> None:
    """A finish is not guessed to be of the one that can be read; with its reference it is taken."""
    stage = unchecked
    whole, broken = two_of_anna(stage)

    [asked] = stage.text(ANNA, "out 2")
    [ours] = stage.text(ANNA, f"out 2 {broken.reference}")

    assert stage.dive(whole.id).phase is Phase.IN_WATER
    assert "which dive? Nothing changed." in asked
    assert whole.reference in asked
    assert broken.reference in asked
    assert "your dive cannot be read, so your text changed nothing. Phone your contacts." in ours
    assert alarms(stage, CLEO) == 0
    stage.text(ANNA, f"out 2 {whole.reference}")
    assert stage.dive(whole.id).phase is Phase.CLOSED


def test_a_code_reaches_the_dive_that_it_is_of(unchecked: Stage) -> None:
    """From the sender's own phone too, whatever else they have."""
    stage = unchecked
    whole, broken = two_of_anna(stage)

    [ours] = stage.text(ANNA, f"out {broken.finish_code}")
    stage.text(ANNA, f"out {whole.finish_code}")

    assert OUR_FAULT in ours
    assert stage.dive(whole.id).phase is Phase.CLOSED


@pytest.mark.parametrize("words", ["SOS", "we lost Bram", "help"])
def test_a_call_for_help_raises_both(unchecked: Stage, words: str) -> None:
    """It may be about either: the readable one's alarm, and the plainest of the other."""
    stage = unchecked
    whole, _ = two_of_anna(stage)

    answers = stage.text(ANNA, words)

    assert stage.dive(whole.id).phase is Phase.ALERT
    assert "our fault: one of your dives cannot be read. Your contacts are told." in "".join(answers)
    assert alarms(stage, EDDA) == 1


def test_a_call_for_help_with_a_reference_raises_that_dive(unchecked: Stage) -> None:
    """Nobody of the other is alarmed."""
    stage = unchecked
    whole, broken = two_of_anna(stage)

    stage.text(ANNA, f"SOS {whole.reference}")
    assert (stage.dive(whole.id).phase, alarms(stage, EDDA)) == (Phase.ALERT, 0)

    stage.text(ANNA, f"SOS {broken.reference}")
    assert alarms(stage, EDDA) == 1


def test_a_call_for_help_does_not_open_an_old_dive_while_another_runs(unchecked: Stage) -> None:
    """The one that runs is meant, though it cannot be read."""
    stage = unchecked
    before = stage.dive_in(plan(contacts=(plan().contacts[1],)))
    stage.text(ANNA, "out 2")
    damage(stage, stage.dive_in(plan(contacts=(plan().contacts[0],))))

    [answer] = stage.text(ANNA, "SOS")

    assert stage.dive(before.id).phase is Phase.CLOSED
    assert "Your contacts are told." in answer
    assert (alarms(stage, CLEO), alarms(stage, DOV)) == (1, 0)


@pytest.mark.parametrize("words", ["SOS", "we lost Bram"])
def test_a_call_for_help_just_after_an_unreadable_dive_is_told_once(unchecked: Stage, words: str) -> None:
    """It cannot be opened again, so its contacts hear of it, and no alarm goes on that nobody can end."""
    stage = unchecked
    dive = stage.dive_in()
    stage.text(ANNA, "out 2")
    damage(stage, dive)

    [answer] = stage.text(ANNA, words)
    stage.wait(minutes=30, step=timedelta(minutes=5))

    assert "Your contacts are told." in answer
    assert (alarms(stage, CLEO), alarms(stage, DOV)) == (1, 1)


def test_an_opt_out_holds_although_a_dive_cannot_be_read(unchecked: Stage) -> None:
    """Whoever wants no texts gets none, whatever is wrong with us."""
    stage = unchecked
    damage(stage, stage.dive_in())

    stage.text(CLEO, "stop")

    assert stage.service.read(lambda session: opt_outs.is_opted_out(session, OURS, CLEO))
    assert "overdue-diver alarm" in stage.text(ANNA, "info")[0]


def test_a_stranger_is_answered_as_ever(unchecked: Stage) -> None:
    """Nothing of theirs is broken."""
    stage = unchecked
    damage(stage, stage.dive_in())

    assert "no open dive for this phone" in stage.text(STRANGER, "out")[0]


def test_an_admin_answers_the_readable_alarm(unchecked: Stage) -> None:
    """An unreadable one of the club hides no other from its admins; which of them is meant is asked."""
    stage = unchecked
    whole, broken = stage.dive_in(plan_of(1)), stage.dive_in(plan_of(2))
    stage.wait(minutes=66)
    damage(stage, broken)

    [asked] = stage.text(FINN, "ok")
    stage.text(FINN, f"ok {whole.reference}")

    assert "which dive?" in asked
    assert [told.key.partition("-")[0] for told in stage.dive(whole.id).acknowledged] == ["admin"]


def test_the_clubs_list_names_the_unreadable_one(unchecked: Stage) -> None:
    """The others are in it as ever."""
    stage = unchecked
    whole, broken = two_of_anna(stage)

    listed = list_dives(stage.service, CLUB).dives

    assert {dive.dive_id if isinstance(dive, Unreadable) else dive.id for dive in listed} == {whole.id, broken.id}
    assert [dive.dive_id for dive in listed if isinstance(dive, Unreadable)] == [broken.id]


def test_the_plainest_alarm_passes_by_who_declined(unchecked: Stage) -> None:
    """It needs no state to know that; the others and the admins are told."""
    stage = unchecked
    dive = stage.dive_in()
    stage.text(CLEO, "DECLINE")
    damage(stage, dive)

    stage.sleep(70)
    stage.turn()

    assert (alarms(stage, CLEO), alarms(stage, DOV), alarms(stage, FINN)) == (0, 1, 1)
    [fault] = [entry for entry in stage.entries(dive) if entry.kind == "fault"]
    assert (fault.detail or {})["declined"] == ["contact-0"]


def test_a_contact_of_an_unreadable_dive_can_decline(unchecked: Stage) -> None:
    """The club keeps it, whatever is wrong with the dive."""
    stage = unchecked
    damage(stage, stage.dive_in())

    [answer] = stage.text(CLEO, "DECLINE")

    assert "noted. No plan or alarm goes to you" in answer
    assert stage.service.read(lambda session: reaches.find(session, CLUB, [CLEO]))[CLEO].declined
