"""Why a plan or a start by text is refused: in the sender's language, in one text, with nothing left in English."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.domain.encoding import segments
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, EDDA, Stage
from tests.operations.test_starting_by_text import set_person

REASONS = {
    "run time": ("PLAN LANTERN 1400 401min P2", "Die Dauer ist 5 bis 360 Minuten."),
    "party": ("PLAN LANTERN 1400 50 P13", "Ein Plan fasst höchstens 12 Taucher: einer je Gruppe."),
    "time in": ("PLAN LANTERN TODAY 0800 50 P2", "Diese Zeit ist vorbei. Geben Sie eine spätere an."),
    "site": ("PLAN GANNET 1400 50 P2", "Kein Platz GANNET hier. Plätze: "),
    "a start": ("IN LANTERN 7h P2", "Die Dauer ist 5 bis 360 Minuten."),
}


@pytest.mark.parametrize("reason", REASONS)
def test_the_reason_is_said_in_the_language_of_whoever_asks(quick_stage: Stage, reason: str) -> None:
    """Their own, not the club's."""
    set_person(quick_stage, ANNA, language="de")
    words, why = REASONS[reason]

    [answer] = quick_stage.text(ANNA, words)

    assert why in answer
    assert len(segments(answer).parts) == 1
    assert quick_stage.all_dives() == []


@pytest.mark.parametrize(
    ("words", "at", "why"),
    [
        ("PLAN LANTERN SUN 0130 50 P2", datetime(2027, 3, 27, 12, 0, tzinfo=UTC), "01:30 no existe entonces"),
        ("PLAN LANTERN SUN 0130 50 P2", datetime(2027, 10, 30, 12, 0, tzinfo=UTC), "01:30 viene dos veces entonces"),
        ("PLAN LANTERN 0130 50 P2", datetime(2027, 3, 27, 23, 0, tzinfo=UTC), "01:30 no existe entonces"),
    ],
)
def test_a_time_that_the_change_of_the_clocks_spoils_is_said_so(
    quick_stage: Stage, words: str, at: datetime, why: str
) -> None:
    """With what to do, in Spanish."""
    set_person(quick_stage, ANNA, language="es")
    quick_stage.clock.at = at

    [answer] = quick_stage.text(ANNA, words)

    assert why in answer
    assert ". Dé una hora " in answer


def test_contacts_who_cannot_be_reached_are_named_in_ones_own_language(quick_stage: Stage) -> None:
    """A plan that reaches nobody is worse than none."""
    set_person(quick_stage, ANNA, language="fr")
    for phone in (CLEO, DOV, EDDA):
        quick_stage.text(phone, "DECLINE")

    [answer] = quick_stage.text(ANNA, "PLAN LANTERN 1400 50 P2")

    assert "Nommez quelqu'un d'autre à terre: rien n'atteindrait Cleo Marsh, Dov Lind, Edda Rowe." in answer


def test_contacts_who_all_dive_are_no_contacts(quick_stage: Stage) -> None:
    """Whose only usual contact is their own phone."""
    set_person(quick_stage, ANNA, language="it", usual_contacts=[{"name": "Anna Holt", "phone": ANNA}])

    [answer] = quick_stage.text(ANNA, "PLAN LANTERN 1400 50 P2")

    assert "I tuoi contatti si immergono con te: indica qualcuno a terra." in answer


@pytest.mark.parametrize("words", ["IN", "IN LANTERN 50 2", "going in lantern 50 min two", "IN P2", "Imn"])
@pytest.mark.parametrize("earlier", [False, True], ids=["first of the day", "after another"])
def test_a_start_that_is_not_whole_is_answered_with_one_that_is(
    quick_stage: Stage, words: str, *, earlier: bool
) -> None:
    """And says that nothing was started, to somebody whom the club knows and who has no plan."""
    if earlier:
        quick_stage.dive_in()
        quick_stage.sleep(30)
        quick_stage.text(ANNA, "OUT 2")

    [answer] = quick_stage.text(ANNA, words)

    site = "LANTERN" if "lantern" in words.lower() else ""
    assert f"NOT STARTED, no clock runs. Say site, minutes and how many: IN {site}" in answer
    assert not any(dive.live for dive in quick_stage.all_dives())


def test_who_is_a_contact_of_a_dive_that_is_open_is_not_told_so(quick_stage: Stage) -> None:
    """In ten minutes they are at the beach."""
    assert "NOT STARTED" in quick_stage.text(BRAM, "in 10 mins")[0]
    set_person(quick_stage, ANNA, usual_contacts=[{"name": "Bram Vik", "phone": BRAM}])
    quick_stage.text(ANNA, "IN LANTERN 50 P2")

    assert "NOT STARTED" not in quick_stage.text(BRAM, "in 10 mins")[0]
    quick_stage.text(ANNA, "OUT 2")
