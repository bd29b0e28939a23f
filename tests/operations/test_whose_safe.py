"""SAFE ends the alarm of the dive that it is about, and of no other: in doubt the sender is asked which."""

from __future__ import annotations

import pytest

from service.domain.dive import Dive, Phase
from service.operations import filing
from service.operations.plan_reading import NamedPhone, PlanRequest
from tests.operations.away import Keeping, armed, gone
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, EDDA, FINN, Stage, plan, plan_of

GUS, HAL = "+447700900021", "+447700900022"


def pair(lead: tuple[str, str], buddy: tuple[str, str], *contacts: str, minutes: int = 50) -> PlanRequest:
    """Two divers with those contacts."""
    named = tuple(NamedPhone(f"Contact {place}", phone) for place, phone in enumerate(contacts))
    return plan(lead=NamedPhone(*lead), party=(NamedPhone(*buddy),), contacts=named, run_time_min=minutes)


def two_pairs(stage: Stage, minutes_of_others: int = 50) -> tuple[Dive, Dive]:
    """Anna and Bram, Gus and Hal: each pair is the contact of the other, and both are in."""
    own = pair(("Anna Holt", ANNA), ("Bram Vik", BRAM), GUS, CLEO, minutes=180)
    others = pair(("Gus Orr", GUS), ("Hal Brand", HAL), ANNA, DOV, minutes=minutes_of_others)
    return stage.dive_in(own), stage.dive_in(others)


def is_over(stage: Stage, *dives: Dive) -> list[bool]:
    """Whether they are closed, in that order."""
    return [stage.dive(dive.id).phase is Phase.CLOSED for dive in dives]


@pytest.mark.parametrize("words", ["We are both safe", "We are all safe, 2", "both of us safe", "I am safe 2"])
@pytest.mark.parametrize("alarmed", [False, True], ids=["the others are in", "the others are overdue"])
def test_we_are_safe_from_who_dives_ends_their_own_dive(stage: Stage, words: str, *, alarmed: bool) -> None:
    """Not that of the pair whose contact they are, whether its alarm has come to them or not."""
    own, others = two_pairs(stage)
    if alarmed:
        stage.wait(minutes=66)
        assert "OVERDUE" in stage.last_to(ANNA)

    [answer] = stage.text(ANNA, words)

    assert f"dive {own.reference} of Anna Holt closed" in answer
    assert is_over(stage, own, others) == [True, False]
    closed_by = stage.dive(own.id).closed_by
    assert closed_by is not None
    assert closed_by.key == "diver-0"


def test_we_are_safe_said_again_after_the_end_is_still_about_ones_own_dive(stage: Stage) -> None:
    """The pair that is still in has not said anything."""
    own, others = two_pairs(stage)
    stage.text(ANNA, "OUT 2")

    [answer] = stage.text(ANNA, "We are both safe")

    assert f"Dive {own.reference} is over" in answer
    assert is_over(stage, own, others) == [True, False]


@pytest.mark.parametrize("alarmed", [False, True], ids=["the others are in", "the others are overdue"])
def test_safe_from_who_dives_and_watches_is_asked_about(stage: Stage, *, alarmed: bool) -> None:
    """SAFE 2 may be either pair; a reference says which."""
    own, others = two_pairs(stage)
    if alarmed:
        stage.wait(minutes=66)

    [question] = stage.text(ANNA, "SAFE 2")

    assert "which dive?" in question
    assert f"SAFE 2 {own.reference}" in question
    assert f"SAFE 2 {others.reference}" in question
    assert is_over(stage, own, others) == [False, False]
    [answer] = stage.text(ANNA, f"they are safe 2 {others.reference}")
    assert f"dive {others.reference} of Gus Orr closed" in answer
    assert is_over(stage, own, others) == [False, True]


def test_safe_of_an_admin_ends_no_alarm_that_never_went_to_them(stage: Stage) -> None:
    """They are the contact of a dive that is in time, and say that it is over."""
    watched = stage.dive_in(plan_of(1, [FINN, EDDA], run_time_min=180))
    alarmed = stage.dive_in()
    stage.wait(minutes=66)

    stage.text(FINN, "SAFE 1")

    assert is_over(stage, watched, alarmed) == [True, False]


@pytest.mark.parametrize("words", ["SAFE 2", "OK", "CALLED", "ON SCENE"])
def test_an_admin_names_the_alarm_that_was_not_handed_up(stage: Stage, words: str) -> None:
    """They know of it from a page; what they answer without a reference may be another text of ours."""
    alarmed = stage.dive_in()
    stage.wait(minutes=66)
    before = stage.dive(alarmed.id)

    [question] = stage.text(FINN, words)

    assert (
        f"which dive? Nothing changed. Text {words} {alarmed.reference} (Lantern Cove, Anna Holt, due 10:50)."
        in question
    )
    assert stage.dive(alarmed.id) == before
    stage.text(FINN, f"{words} {alarmed.reference}")
    assert stage.dive(alarmed.id) != before


def test_both_safe_of_an_admin_who_dives_ends_their_own_dive(stage: Stage) -> None:
    """The alarm of the club has not gone to them."""
    own = stage.dive_in(pair(("Finn Aske", FINN), ("Hal Brand", HAL), EDDA, DOV, minutes=180))
    alarmed = stage.dive_in()
    stage.wait(minutes=66)

    stage.text(FINN, "both safe")

    assert is_over(stage, own, alarmed) == [True, False]


def test_safe_of_an_admin_who_had_the_hand_up_and_watches_another_dive_is_asked_about(stage: Stage) -> None:
    """The hand-up asks for SAFE, and so does the dive that they are the contact of, once its due out is reached."""
    stage.dive_in(plan_of(1, [FINN, EDDA], run_time_min=100))
    stage.dive_in()
    stage.wait(minutes=112)
    assert any("NO CONTACT HAS ANSWERED" in words for words in stage.to(FINN))

    assert "which dive?" in stage.text(FINN, "SAFE 2")[0]


def test_safe_of_a_contact_who_was_not_alerted_ends_no_alarm_beside_another_dive(stage: Stage) -> None:
    """Third of the overdue dive, who has heard nothing of its alarm, and first of one that is in."""
    watched = stage.dive_in(plan_of(1, [CLEO], run_time_min=180))
    alarmed = stage.dive_in(plan_of(2, [EDDA, DOV, CLEO]))
    stage.wait(minutes=66)
    assert "OVERDUE" not in stage.last_to(CLEO)

    for words in ("SAFE 1", "OK"):
        assert "which dive?" in stage.text(CLEO, words)[0]

    assert is_over(stage, watched, alarmed) == [False, False]
    assert not stage.dive(alarmed.id).acknowledged


def test_safe_of_a_contact_answers_the_alarm_that_came_to_them_while_all_else_is_quiet(stage: Stage) -> None:
    """They answer what they were asked."""
    quiet = stage.dive_in(plan_of(1, [CLEO], run_time_min=180))
    alarmed = stage.dive_in(plan_of(2, [CLEO, DOV]))
    stage.wait(minutes=66)

    stage.text(CLEO, "SAFE 1")

    assert is_over(stage, quiet, alarmed) == [False, True]


@pytest.mark.parametrize("why", ["due out is past", "some are out"])
def test_safe_of_a_contact_is_asked_about_once_another_dive_needs_it_too(stage: Stage, why: str) -> None:
    """Theirs to tell of are two dives, and both wait for it."""
    other = stage.dive_in(pair(("Gus Orr", GUS), ("Hal Brand", HAL), CLEO, minutes=60 if "due" in why else 180))
    alarmed = stage.dive_in(plan_of(2, [CLEO, DOV]))
    if "some" in why:
        stage.text(GUS, "OUT 1")
    stage.wait(minutes=66)

    assert "which dive?" in stage.text(CLEO, "SAFE 1")[0]
    assert is_over(stage, other, alarmed) == [False, False]


def test_safe_about_a_dive_that_is_over_ends_no_other_that_is_still_in(stage: Stage) -> None:
    """They answer the alarm of the one just after its divers said OUT; nobody has asked about the other yet."""
    quiet = stage.dive_in(plan_of(1, [CLEO], run_time_min=180))
    alarmed = stage.dive_in(plan_of(2, [CLEO, DOV]))
    stage.wait(minutes=66)
    stage.text(alarmed.lead.phone or "", "OUT")

    [answer] = stage.text(CLEO, "SAFE 1")

    words = f"dive {alarmed.reference} is over already, nothing changed. For {quiet.reference} text SAFE 1"
    assert f"{words} {quiet.reference}." in answer
    assert is_over(stage, quiet, alarmed) == [False, True]


@pytest.mark.parametrize("words", ["SAFE 1", "OK", "CALLED"])
def test_what_is_said_to_one_of_two_alarms_just_after_its_end_answers_not_the_other(stage: Stage, words: str) -> None:
    """Both have gone to them, and the divers of the one say OUT while they type."""
    other, ended = stage.dive_in(plan_of(1, [CLEO])), stage.dive_in(plan_of(2, [CLEO, DOV]))
    stage.wait(minutes=66)
    stage.text(ended.lead.phone or "", "OUT")
    before = stage.dive(other.id)

    [answer] = stage.text(CLEO, words)

    said = f"dive {ended.reference} is over already, nothing changed. For {other.reference} text {words}"
    assert f"{said} {other.reference}." in answer
    assert stage.dive(other.id) == before
    stage.wait(minutes=10)
    stage.text(CLEO, words)
    assert stage.dive(other.id) != before


def test_whoever_closes_a_dive_is_told_which(stage: Stage) -> None:
    """By reference and by the lead's name, whichever way it ended."""
    for words, sender in (("OUT 2", ANNA), ("SAFE 2 {ref}", CLEO)):
        dive = stage.dive_in()
        [answer] = stage.text(sender, words.format(ref=dive.reference))
        assert f"dive {dive.reference} of Anna Holt closed 10:00" in answer
    filed = stage.file()
    assert f"dive {filed.reference} of Anna Holt called off. Its clock does not run." in stage.text(ANNA, "NOGO")[0]


# Two dives of one reference, whose people know nothing of each other


def namesakes(stage: Stage, monkeypatch: pytest.MonkeyPatch, *watched: str) -> tuple[Dive, Dive]:
    """Two dives that are called alike and are both in alarm; `watched`: the contacts of the second."""
    monkeypatch.setattr(filing, "_draw_reference", lambda *_: "7K")
    both = stage.dive_in(plan_of(1, [EDDA, DOV])), stage.dive_in(plan_of(2, watched or [CLEO, BRAM]))
    stage.wait(minutes=66)
    return both


@pytest.mark.parametrize("words", ["SAFE 1 7K", "OK 7K", "CALLED 7K"])
def test_an_admin_ends_no_dive_by_a_reference_that_two_have(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, words: str
) -> None:
    """It was the one that was filed last."""
    both = namesakes(stage, monkeypatch)
    before = [stage.dive(dive.id) for dive in both]

    [answer] = stage.text(FINN, words)

    assert "more than one dive is called 7K. Nothing changed. Open the link in the text that you mean." in answer
    assert [stage.dive(dive.id) for dive in both] == before


def test_an_admin_who_is_a_contact_of_the_one_means_that(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its alarm came to them; of the other they have heard nothing."""
    both = namesakes(stage, monkeypatch, FINN, CLEO)

    stage.text(FINN, "SAFE 1 7K")

    assert is_over(stage, *both) == [False, True]


# A keeper, while the database is gone


@pytest.mark.parametrize(
    ("words", "over"),
    [("we are both safe", [True, False]), ("SAFE 2", [False, False]), ("SAFE 2 {ref}", [False, True])],
)
def test_a_keeper_ends_no_dive_that_was_not_meant(keeping: Keeping, words: str, over: list[bool]) -> None:
    """By the same rules: the alarm that is not ended by the words goes out."""
    stage = keeping.stage
    own, others = two_pairs(stage)
    stage.wait(minutes=64)
    keeping.look()
    with gone(stage.engine):
        keeping.without(seconds=20)
        keeping.spooled(ANNA, words.format(ref=others.reference))
        keeping.without(minutes=3)
        assert any("OVERDUE" in body and "Gus Orr" in body for body in stage.to(ANNA)) is not over[1]
    keeping.look()
    stage.turn()
    assert is_over(stage, own, others) == over


def test_a_keeper_takes_we_are_safe_of_a_contact_for_no_word_about_others(keeping: Keeping) -> None:
    """They may have been diving themselves until a minute ago, which no snapshot has."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        keeping.without(seconds=20)
        keeping.spooled(CLEO, "we are both safe")
        keeping.without(minutes=3)
        assert any("OVERDUE" in body for body in stage.to(CLEO))
    keeping.look()
    stage.turn()


def test_a_keeper_leaves_the_word_of_an_admin_who_had_a_hand_up_to_the_database(keeping: Keeping) -> None:
    """SAFE may answer that, or be about the dive that they are the contact of."""
    stage = keeping.stage
    watched = stage.dive_in(plan_of(1, [FINN, EDDA], run_time_min=98))
    handed_up = stage.dive_in()
    stage.wait(minutes=111)
    keeping.look()
    with gone(stage.engine):
        keeping.without(seconds=20)
        keeping.spooled(FINN, "SAFE 1")
        keeping.without(minutes=5)
        assert any("OVERDUE" in body and "Diver 1" in body for body in stage.to(FINN))
    keeping.look()
    stage.turn()
    assert is_over(stage, watched, handed_up) == [False, False]
