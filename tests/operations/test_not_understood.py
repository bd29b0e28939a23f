"""Texts that are not understood, again and again: two machines that answer each other come to an end."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.operations.stage import ANNA, BRAM, CLEO, Stage, plan, plan_of

DRIVING = "I am driving and will answer later"
NOT_UNDERSTOOD = "not understood"


def answers(stage: Stage, phone: str, *texts: str, apart: float = 0.5) -> list[int]:
    """How many texts each of these brought back to the phone, sent so many minutes apart."""
    counts = []
    for body in texts:
        counts.append(len(stage.text(phone, body)))
        stage.sleep(apart)
    return counts


def test_the_same_answer_goes_out_three_times_in_ten_minutes(stage: Stage) -> None:
    """The texts are kept and logged all the same; ten minutes after the first answer there is another."""
    dive = stage.dive_in()

    assert answers(stage, ANNA, *[DRIVING] * 7) == [1, 1, 1, 0, 0, 0, 0]

    assert NOT_UNDERSTOOD in stage.last_to(ANNA)
    heard = [entry.detail for entry in stage.entries(dive) if entry.kind == "event:heard"]
    assert [detail["answered"] for detail in heard if detail] == [True] * 3 + [False] * 4
    notes = [entry.detail["note"] for entry in stage.entries(dive) if entry.kind == "text_read" and entry.detail]
    assert [note is not None and "not understood too often" in note for note in notes] == [False] * 4 + [True] * 4
    stage.sleep(6.6)
    assert answers(stage, ANNA, DRIVING) == [1]
    stage.text(ANNA, "out 2")


def test_an_understood_text_begins_the_count_anew(stage: Stage) -> None:
    """Whoever is understood in between is no machine."""
    stage.dive_in()

    assert answers(stage, ANNA, *[DRIVING] * 4, "status", *[DRIVING] * 4) == [1, 1, 1, 0, 1, 1, 1, 1, 0]
    stage.text(ANNA, "out 2")


def test_one_phone_does_not_use_up_the_answers_of_another(stage: Stage) -> None:
    """The other diver is told what was probably meant."""
    stage.dive_in()
    answers(stage, ANNA, *[DRIVING] * 5)

    assert answers(stage, BRAM, DRIVING) == [1]
    stage.text(ANNA, "out 2")


def test_alarmed_contacts_go_on_hearing_every_word(stage: Stage) -> None:
    """Only the answer to the sender ends."""
    stage.dive_in()
    stage.wait(minutes=66)
    before = len(stage.to(CLEO))

    assert answers(stage, ANNA, *[DRIVING] * 5) == [1, 1, 1, 0, 0]

    quoted = stage.to(CLEO)[before:]
    assert [DRIVING in body for body in quoted] == [True] * 5
    stage.text(ANNA, "out 2")


def test_who_looks_for_the_right_words_is_answered_each_time(stage: Stage) -> None:
    """A contact in an alarm, in another language or in a hurry; ten times in ten minutes."""
    stage.dive_in()
    stage.wait(minutes=66)

    assert answers(stage, CLEO, *[f"word {number}" for number in range(12)]) == [1] * 10 + [0] * 2
    stage.text(ANNA, "out 2")


@pytest.mark.parametrize("words", ["SOS", "we lost Bram", "LATE 10", "OUT 2", "STATUS"])
def test_what_is_understood_is_answered_and_done_however_often_one_was_not(stage: Stage, words: str) -> None:
    """Trouble, a change of the dive, a question: none of these is ever held back."""
    dive = stage.dive_in()
    answers(stage, ANNA, *[DRIVING] * 5)
    before = stage.dive(dive.id)

    assert answers(stage, ANNA, words) == [1]

    assert (stage.dive(dive.id) == before) == (words == "STATUS")
    if stage.dive(dive.id).live:
        stage.text(ANNA, "out 2")


def test_trouble_is_believed_as_often_as_it_is_said(stage: Stage) -> None:
    """The same words of worry, and SOS, raise the alarm each time."""
    dive = stage.dive_in()

    for _ in range(5):
        stage.text(ANNA, "we lost Bram")
        stage.text(ANNA, "SOS")

    assert stage.dive(dive.id).raises == 10
    stage.text(ANNA, "out 2")


def test_the_question_which_dive_ends_too(stage: Stage) -> None:
    """A machine that has two dives is a machine."""
    stage.dive_in(plan_of(1, [CLEO]))
    stage.dive_in(plan_of(2, [CLEO]))

    assert answers(stage, CLEO, *[DRIVING] * 5) == [1, 1, 1, 0, 0]
    assert "which dive?" in stage.last_to(CLEO)
    for number in (1, 2):
        stage.text(f"+44770090010{number}", "out 1")


def test_two_machines_come_to_an_end(stage: Stage) -> None:
    """A phone that answers each of our texts at once with the same words gets a handful of ours."""
    dive = stage.file(plan(party=()))
    seen = 0
    stage.text(ANNA, f"IN {dive.start_code}")
    for _ in range(50):
        if len(stage.to(ANNA)) == seen:
            break
        seen = len(stage.to(ANNA))
        stage.clock.at += timedelta(seconds=5)
        stage.text(ANNA, DRIVING)

    assert sum(NOT_UNDERSTOOD in body for body in stage.to(ANNA)) == 3
    stage.text(ANNA, "out 1")


# One slip of a thumb


def test_a_slip_of_an_out_ends_nothing_and_is_answered_with_the_word_and_the_dive(quick_stage: Stage) -> None:
    """With the code or the count where that is what it takes."""
    dive = quick_stage.dive_in()

    [answer] = quick_stage.text(ANNA, "Outt")

    assert answer == (
        "Skerry Bay Divers: not understood, nothing changed. The clock runs."
        f" Dive {dive.reference}, Lantern Cove. All out? Text OUT."
    )
    assert quick_stage.dive(dive.id).live
    quick_stage.text(ANNA, "OUT 1")
    assert "All out? Text OUT 2." in quick_stage.text(ANNA, "0ut")[0]


def test_a_slip_of_an_in_starts_nothing_and_is_answered_with_the_word(quick_stage: Stage) -> None:
    """No clock runs by a guess either, and they know it."""
    dive = quick_stage.file()

    [answer] = quick_stage.text(ANNA, "Imn")

    assert f"The clock is not running. Dive {dive.reference}, Lantern Cove. Going in? Text IN." in answer
    assert not quick_stage.dive(dive.id).live


def test_a_slip_that_may_be_of_two_dives_is_asked_about_with_the_word_for_each(quick_stage: Stage) -> None:
    """Anything else that is not understood is asked about with STATUS, which changes nothing."""
    first, second = quick_stage.dive_in(), quick_stage.dive_in()

    [slip] = quick_stage.text(ANNA, "oit")
    [other] = quick_stage.text(ANNA, "we are over by the rocks")

    assert all(f"OUT {dive.reference} (Lantern Cove, due 10:50)" in slip for dive in (first, second))
    assert all(f"STATUS {dive.reference} (Lantern Cove, due 10:50)" in other for dive in (first, second))
    assert all(quick_stage.dive(dive.id).live for dive in (first, second))


@pytest.mark.parametrize("words", ["whats going on", "Has anyone heard from them?", "any news"])
def test_a_contact_who_asks_for_news_is_told_how_to_get_it(quick_stage: Stage, words: str) -> None:
    """And not whether they want to be one."""
    dive = quick_stage.dive_in()

    [answer] = quick_stage.text(CLEO, words)

    assert f"The clock runs. How it stands: text STATUS {dive.reference}." in answer
