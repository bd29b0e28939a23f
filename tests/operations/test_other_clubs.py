"""A text to one club from who dives for another: a call for help is heard, and the rest is told where to text."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import Dive, Phase
from service.domain.people import Actor, Role, Via
from service.operations.filing import PlanFiled, file_plan
from service.operations.plan_reading import NamedPhone, PlaceRequest
from service.store import inbound
from tests.operations.away import Keeping, gone
from tests.operations.stage import ANNA, CLEO, DOV, EDDA, FINN, OURS, STRANGER, Stage, plan, plan_of
from tests.operations.test_drilling import begun, with_people
from tests.operations.test_own_numbers_answered import THEIRS, second_club

LEDGE = PlaceRequest("The ledge", (47.2, -20.5), "999")


@pytest.fixture
def stage(quick_stage: Stage) -> Stage:
    """Two clubs."""
    second_club(quick_stage)
    return quick_stage


def theirs(stage: Stage, *, begun: bool = True, lead: str = ANNA) -> Dive:
    """Anna dives for the other club; Cleo and Edda watch."""
    people = (NamedPhone("Cleo Marsh", CLEO), NamedPhone("Edda Rowe", EDDA))
    request = plan(site=LEDGE, exits=(), lead=NamedPhone("Anna Holt", lead), contacts=people)
    filed = file_plan(stage.service, "other", request, Actor(Role.DIVER, "Anna Holt", Via.PAGE, "diver-0"))
    assert isinstance(filed, PlanFiled), filed
    stage.courier.carry()
    if begun:
        stage.text(lead, f"IN {filed.dive.start_code}", receiver=THEIRS)
    return stage.dive(filed.dive.id)


def phase(stage: Stage, dive: Dive) -> Phase:
    """How it stands."""
    return stage.dive(dive.id).phase


@pytest.mark.parametrize("words", ["SOS lost Bram", "SOS", "we lost Bram", "HELP"])
@pytest.mark.parametrize("sender", [ANNA, CLEO], ids=["a diver", "a contact"])
def test_a_call_for_help_to_the_wrong_club_raises_the_dive_of_its_sender(stage: Stage, words: str, sender: str) -> None:
    """They answered the thread that lay uppermost, or a text of the one club that came from the number of the other."""
    dive = theirs(stage)

    [answer] = stage.text(sender, words)

    assert phase(stage, dive) is Phase.ALERT
    assert answer.startswith("Other Club: ALARM raised.")
    assert "ALARM" in stage.last_to(EDDA)
    found = stage.service.read(lambda session: inbound.about(session, dive.id))
    assert all(one.intent != "raise_now" for one in found), "the text stays with the club it came to"


def test_a_call_for_help_is_about_the_dive_here_where_one_runs(stage: Stage) -> None:
    """They texted its club."""
    dive, ours = theirs(stage, lead=STRANGER), stage.dive_in()

    stage.text(CLEO, "SOS")

    assert [phase(stage, dive), phase(stage, ours)] == [Phase.IN_WATER, Phase.ALERT]


def test_a_call_for_help_in_an_exercise_of_the_one_club_raises_the_dive_of_the_other(stage: Stage) -> None:
    """Nobody would go out for the exercise."""
    with_people(stage)
    begun(stage)
    stage.turn()
    dive = theirs(stage)

    stage.text(CLEO, "SOS")

    assert phase(stage, dive) is Phase.ALERT


@pytest.mark.parametrize("running", [True, False], ids=["it has no clock", "nobody knows the phone"])
def test_where_no_dive_runs_anywhere_the_answer_is_as_ever(stage: Stage, *, running: bool) -> None:
    """Rescue is all there is, and the admins of the club that was texted."""
    dive = theirs(stage, begun=False)

    [answer] = stage.text(ANNA if running else STRANGER, "SOS")

    assert "Only the club's admins are told. Call rescue now" in answer
    assert phase(stage, dive) is Phase.FILED


@pytest.mark.parametrize("words", ["OUT 2", "LATE 20", "SAFE 2", "IN", "OUT {code}", "NOGO"])
def test_whatever_else_is_told_where_to_text_and_changes_nothing(stage: Stage, words: str) -> None:
    """An end counts at its own club's number alone."""
    dive = theirs(stage)

    [answer] = stage.text(ANNA, words.format(code=dive.finish_code))

    assert f"your dive {dive.reference} is with Other Club: text this to {THEIRS}. Nothing changed." in answer
    assert stage.dive(dive.id) == dive
    stage.text(ANNA, "OUT 2", receiver=THEIRS)
    assert phase(stage, dive) is Phase.CLOSED


def test_who_has_a_dive_here_is_asked_nothing_about_another_club(stage: Stage) -> None:
    """A wrong code is one, and a dive here is meant."""
    theirs(stage)
    ours = stage.dive_in(replace(plan_of(3, (DOV, FINN)), lead=NamedPhone("Anna Holt", ANNA)))

    assert "that code is not one of ours" in stage.text(ANNA, "OUT 123455")[0]
    stage.text(ANNA, "OUT", receiver=OURS)
    assert phase(stage, ours) is Phase.CLOSED


@pytest.mark.parametrize(("words", "raised"), [("SOS lost Bram", True), ("we lost Bram", True), ("OUT 2", False)])
def test_a_keeper_hears_a_call_for_help_of_another_club(keeping: Keeping, words: str, *, raised: bool) -> None:
    """With the database gone, by the same rule; an end that came to the wrong number ends nothing."""
    stage = keeping.stage
    second_club(stage)
    dive = theirs(stage)
    keeping.look()
    with gone(stage.engine):
        keeping.hears(ANNA, words)
        assert ("lost Bram" in stage.last_to(EDDA)) is raised
    keeping.look()
    stage.turn()
    assert phase(stage, dive) is (Phase.ALERT if raised else Phase.IN_WATER)
