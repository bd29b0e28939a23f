"""Who plays a part in an exercise and dives, or is in trouble: what is real is never taken for the exercise."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.dive import Dive, Phase
from service.operations.drill_people import who_can
from service.operations.drill_report import list_drills
from service.operations.drilling import stop_drill
from service.operations.plan_reading import NamedPhone
from tests.operations.away import Keeping, gone
from tests.operations.stage import ANNA, BEGIN_AT, CLEO, CLUB, DOV, EDDA, FINN, Stage, plan_of
from tests.operations.test_drilling import WANTED, begun, finn, refused, with_people
from tests.operations.test_unreadable import damage

MINUTE = timedelta(minutes=1)


@pytest.fixture
def stage(quick_stage: Stage) -> Stage:
    """On SQLite: what is chosen does not depend on the database."""
    return quick_stage


def played(stage: Stage) -> Dive:
    """An exercise in which the admin plays the diver; its dive, two minutes on."""
    with_people(stage)
    begun(stage)
    stage.wait(minutes=2, step=MINUTE)
    return exercise_of(stage)


def exercise_of(stage: Stage) -> Dive:
    """The dive of the exercise."""
    [dive] = [dive for dive in stage.all_dives() if dive.drill]
    return dive


def own_plan(stage: Stage, hours: float | None = None) -> Dive:
    """A real plan of whoever plays the diver, to be started by IN or for so many hours after the day begins."""
    at = None if hours is None else BEGIN_AT + timedelta(hours=hours)
    return stage.file(replace(plan_of(7, (EDDA, DOV)), lead=NamedPhone("Finn Adair", FINN), time_in_at=at))


def phases(stage: Stage, *dives: Dive) -> list[Phase]:
    """How they stand, in that order."""
    return [stage.dive(dive.id).phase for dive in dives]


@pytest.mark.parametrize("hours", [None, 0.5, 1.9], ids=["started by IN", "soon", "within two hours"])
def test_an_sos_in_an_exercise_is_about_the_real_plan_of_its_sender(stage: Stage, hours: float | None) -> None:
    """They went in and forgot to say so; nobody would go out for what is marked EXERCISE."""
    exercise, real = played(stage), own_plan(stage, hours)

    [answer] = stage.text(FINN, "SOS lost Bram")

    assert phases(stage, exercise, real) == [Phase.IN_WATER, Phase.ALERT]
    assert "EXERCISE" not in answer
    assert '"lost Bram"' in stage.last_to(EDDA)
    assert not stage.last_to(EDDA).startswith("EXERCISE")


def test_an_sos_in_an_exercise_raises_no_plan_for_another_day(stage: Stage) -> None:
    """They practise the call; if they do not, the answer says whom to phone."""
    exercise, real = played(stage), own_plan(stage, 24)

    [answer] = stage.text(FINN, "SOS")

    assert phases(stage, exercise, real) == [Phase.ALERT, Phase.FILED]
    assert answer.startswith("EXERCISE. Skerry Bay Divers: ALARM raised.")
    assert "No exercise? Call rescue: 07700 900999" in answer


@pytest.mark.parametrize("words", ["SOS {ref}", "SOS {code}"], ids=["by its reference", "by its code"])
def test_an_exercise_is_raised_where_it_is_named(stage: Stage, words: str) -> None:
    """Then it is what they mean."""
    exercise, real = played(stage), own_plan(stage)

    stage.text(FINN, words.format(ref=exercise.reference, code=exercise.finish_code))

    assert phases(stage, exercise, real) == [Phase.ALERT, Phase.FILED]


@pytest.mark.parametrize("words", ["SOS", "we lost Bram", "HELP"])
def test_a_call_for_help_in_both_raises_the_real_dive_alone(stage: Stage, words: str) -> None:
    """Two alarms of one call, of which one says EXERCISE, would make its contacts doubt the other."""
    exercise, real = played(stage), own_plan(stage)
    stage.text(FINN, f"IN {real.start_code}")

    stage.text(FINN, words)

    assert phases(stage, exercise, real) == [Phase.IN_WATER, Phase.ALERT]


@pytest.mark.parametrize("words", ["we lost Bram", "HELP"])
def test_words_of_trouble_beside_a_plan_that_has_not_begun_raise_the_exercise(stage: Stage, words: str) -> None:
    """As without an exercise they raise no plan; somebody reads them, and the answer says whom to phone."""
    exercise, real = played(stage), own_plan(stage)

    [answer] = stage.text(FINN, words)

    assert phases(stage, exercise, real) == [Phase.ALERT, Phase.FILED]
    assert "No exercise? Call rescue:" in answer


@pytest.mark.parametrize("hours", [None, 1.9, 24])
def test_an_sos_after_an_exercise_is_about_the_real_plan(stage: Stage, hours: float | None) -> None:
    """The exercise ended last, and is not what they are in trouble in."""
    with_people(stage)
    drill_id = begun(stage)
    real = own_plan(stage, hours)
    stop_drill(stage.service, finn(stage), drill_id)
    stage.wait(minutes=5)

    stage.text(FINN, "SOS")

    assert phases(stage, exercise_of(stage), real) == [Phase.CLOSED, Phase.ALERT]


def test_an_sos_after_an_exercise_without_any_plan_is_answered_with_whom_to_call(stage: Stage) -> None:
    """An exercise that is opened again would tell people that nobody is in danger, and nothing would end it."""
    with_people(stage)
    stop_drill(stage.service, finn(stage), begun(stage))
    stage.turn()

    [answer] = stage.text(FINN, "SOS")

    assert phases(stage, exercise_of(stage)) == [Phase.CLOSED]
    assert not answer.startswith("EXERCISE")
    assert "07700 900999" in answer
    [answer] = stage.text(FINN, f"SOS {exercise_of(stage).reference}")
    assert "This exercise is over; no alarm went out. No exercise? Call rescue: 07700 900999" in answer
    assert phases(stage, exercise_of(stage)) == [Phase.CLOSED]


def test_a_keeper_takes_an_sos_in_an_exercise_for_the_real_plan(keeping: Keeping) -> None:
    """With the database gone, by the same rule."""
    stage = keeping.stage
    with_people(stage)
    begun(stage, replace(WANTED, due_out_min=60))
    stage.turn()
    own_plan(stage)
    keeping.look()
    with gone(stage.engine):
        keeping.hears(FINN, "SOS lost Bram")
        assert '"lost Bram"' in stage.last_to(EDDA)
        assert not stage.last_to(EDDA).startswith("EXERCISE")
    keeping.look()
    stage.turn()


def test_in_during_an_exercise_starts_the_real_plan(stage: Stage) -> None:
    """A plan without a time in is never asked about: an IN that the exercise took would be noticed by nobody."""
    exercise, real = played(stage), own_plan(stage)

    [answer] = stage.text(FINN, "IN P2")

    assert "ARMED. 2 in" in answer
    assert phases(stage, exercise, real) == [Phase.IN_WATER, Phase.IN_WATER]
    assert (stage.dive(exercise.id).head_count, stage.dive(real.id).head_count) == (1, 2)


def test_a_plan_and_start_by_one_text_is_taken_during_an_exercise(stage: Stage) -> None:
    """Also at the very site of the exercise."""
    with_people(stage)
    [anna] = [one for one in who_can(stage.service, finn(stage)).players if one.person.phone == ANNA]
    begun(stage, replace(WANTED, player=anna.key, contacts=(DOV,)))
    stage.turn()

    answers = stage.text(ANNA, "IN LANTERN 50 P2")

    assert "ARMED. 2 in" in answers[-1]
    [real] = [dive for dive in stage.all_dives() if not dive.drill]
    assert real.phase is Phase.IN_WATER


def test_in_of_who_has_no_real_plan_is_answered_by_the_exercise(stage: Stage) -> None:
    """As before: its clock runs already, and the answer is marked."""
    played(stage)

    assert stage.text(FINN, "IN")[0].startswith("EXERCISE. Skerry Bay Divers: The clock has run")


def test_an_exercise_ends_once_its_player_goes_in(stage: Stage) -> None:
    """Their OUT is then understood at once, and the report says why the exercise ended."""
    exercise, real = played(stage), own_plan(stage)
    stage.text(FINN, "IN")
    stage.clock.at += timedelta(seconds=1)
    stage.turn()

    assert phases(stage, exercise, real) == [Phase.CLOSED, Phase.IN_WATER]
    [summary] = list_drills(stage.service, CLUB)
    assert summary.how == "ended because whoever played the diver went in on a real dive"
    stage.text(FINN, "OUT")
    assert phases(stage, real) == [Phase.CLOSED]


def test_a_real_dive_of_a_contact_of_an_exercise_leaves_it_running(stage: Stage) -> None:
    """They answer it, or do not; nobody asks them whether they are out."""
    exercise = played(stage)
    stage.dive_in(replace(plan_of(7, (EDDA, "+447700900350")), lead=NamedPhone("Dov Lind", DOV)))
    stage.clock.at += timedelta(seconds=1)
    stage.turn()

    assert phases(stage, exercise) == [Phase.IN_WATER]


def test_the_plainest_alarm_of_a_dive_that_cannot_be_read_ends_an_exercise(stage: Stage) -> None:
    """Its phase stands still; that somebody is told of it is what counts. None begins beside it either."""
    with_people(stage)
    real = stage.dive_in(plan_of(7, (CLEO, EDDA), run_time_min=5, grace_min=5))
    begun(stage)
    exercise = exercise_of(stage)
    damage(stage, real)
    stage.wait(minutes=12, step=MINUTE)

    assert phases(stage, exercise) == [Phase.CLOSED]
    assert any("exercise is over because of a real alarm" in text for text in stage.to(CLEO))
    assert real.reference in refused(stage, WANTED).words


# What is said to an exercise when a real alarm comes


def crossing(stage: Stage, contact: str = CLEO) -> tuple[Dive, Dive]:
    """An exercise whose alarm has gone to a contact, and a real alarm that comes to them and ends it."""
    with_people(stage)
    begun(stage)
    stage.wait(minutes=11, step=MINUTE)
    assert "EXERCISE. Skerry Bay Divers: OVERDUE" in stage.last_to(CLEO)
    real = stage.dive_in(plan_of(7, (contact, EDDA)))
    stage.text(real.lead.phone or "", "SOS")
    stage.clock.at += timedelta(seconds=1)
    stage.turn()
    exercise = exercise_of(stage)
    assert phases(stage, exercise, real) == [Phase.CLOSED, Phase.ALERT]
    return exercise, real


@pytest.mark.parametrize("words", ["SAFE 1", "OK", "CALLED", "ON SCENE"])
def test_what_was_said_to_an_exercise_answers_no_real_alarm(stage: Stage, words: str) -> None:
    """They typed it before the real alarm came to them: it would have been over, or would have woken nobody else."""
    exercise, real = crossing(stage)
    before = stage.dive(real.id)

    [answer] = stage.text(CLEO, words)

    said = f"dive {exercise.reference} is over already, nothing changed. For {real.reference} text {words}"
    assert f"{said} {real.reference}." in answer
    assert stage.dive(real.id) == before
    stage.text(CLEO, f"{words} {real.reference}")
    assert stage.dive(real.id) != before


def test_ten_minutes_after_the_exercise_a_bare_answer_is_to_the_real_alarm(stage: Stage) -> None:
    """By then it has been read."""
    _, real = crossing(stage)
    stage.wait(minutes=10)

    stage.text(CLEO, "OK")

    assert [told.key for told in stage.dive(real.id).acknowledged] == ["contact-0"]


def test_who_was_in_no_exercise_answers_without_a_reference(stage: Stage) -> None:
    """Nothing of theirs has just ended."""
    _, real = crossing(stage)

    stage.text(EDDA, "OK")

    assert [told.key for told in stage.dive(real.id).acknowledged] == ["contact-1"]


def test_we_are_safe_of_who_dives_ends_their_own_dive_just_after_an_exercise(stage: Stage) -> None:
    """It is about nobody else."""
    with_people(stage)
    drill_id = begun(stage)
    stage.wait(minutes=11, step=MINUTE)
    own = stage.dive_in(replace(plan_of(7, (EDDA, DOV)), lead=NamedPhone("Cleo Marsh", CLEO)))
    stop_drill(stage.service, finn(stage), drill_id)
    stage.turn()

    assert "is over already" in stage.text(CLEO, "SAFE 1")[0]
    stage.text(CLEO, "I am safe 1")
    assert phases(stage, own) == [Phase.CLOSED]
