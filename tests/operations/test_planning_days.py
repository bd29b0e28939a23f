"""A plan by text for another day: the answer says which date was understood, and what to send where it may be two."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import update

from service.domain.dive import Phase
from service.store.tables import SiteRow
from tests.operations.stage import ANNA, STRANGER, Stage
from tests.operations.test_help_then_gone import set_club


@pytest.fixture
def stage(quick_stage: Stage) -> Stage:
    """On SQLite: what is understood does not depend on the database."""
    return quick_stage


@pytest.mark.parametrize(
    ("words", "at", "said"),
    [
        ("PLAN LANTERN TOMORROW 1000 50 P2", datetime(2027, 6, 2, 9, 0, tzinfo=UTC), "Wed 2 Jun 10:00"),
        ("plan lantern sat 0930 50 p2", datetime(2027, 6, 5, 8, 30, tzinfo=UTC), "Sat 5 Jun 09:30"),
        ("plan lantern montag 1000 50 p2", datetime(2027, 6, 7, 9, 0, tzinfo=UTC), "Mon 7 Jun 10:00"),
        ("plan lantern today 1130 50 p2", datetime(2027, 6, 1, 10, 30, tzinfo=UTC), "11:30"),
    ],
)
def test_the_answer_names_the_day_that_was_understood(stage: Stage, words: str, at: datetime, said: str) -> None:
    """So that nobody waits on a day that they did not mean."""
    answer = stage.text(ANNA, words)

    [dive] = stage.all_dives()
    assert dive.plan.time_in_at == at
    assert f"plan filed for Lantern Cove, {said}." in answer[0]


def test_a_day_that_may_be_two_files_nothing_and_is_answered_with_what_to_send(stage: Stage) -> None:
    """It is a Tuesday: this one, or a week on."""
    [answer] = stage.text(ANNA, "PLAN LANTERN TUE 1400 50 P2 D18")

    words = "not filed: which day is that? For the next such time leave it out: PLAN LANTERN 1400 50 P2 D18"
    assert answer == f"Skerry Bay Divers: {words}"
    assert stage.all_dives() == []
    assert "Lantern Cove, 14:00." in stage.text(ANNA, words.partition("out: ")[2])[0]


def test_tomorrow_after_midnight_may_be_today(stage: Stage) -> None:
    """At a quarter to four in the night; the name of the day is plain."""
    stage.clock.at = datetime(2027, 6, 1, 2, 45, tzinfo=UTC)

    assert "which day is that?" in stage.text(ANNA, "PLAN LANTERN TOMORROW 1000 50 P2")[0]
    assert "Lantern Cove, Wed 2 Jun 10:00." in stage.text(ANNA, "PLAN LANTERN WED 1000 50 P2")[0]


def test_what_lay_somewhere_is_of_the_day_on_which_it_was_said(stage: Stage) -> None:
    """Its tomorrow is today by now."""
    said_at = datetime(2027, 5, 31, 20, 0, tzinfo=UTC)

    stage.text(ANNA, "PLAN LANTERN TOMORROW 1400 50 P2", received_at=said_at)

    assert stage.all_dives()[0].plan.time_in_at == datetime(2027, 6, 1, 13, 0, tzinfo=UTC)


def test_a_site_that_is_called_like_a_day_is_that_site(stage: Stage) -> None:
    """By what the club knows; the plan is then for the next such time."""
    stage.service.write(
        lambda session: session.execute(update(SiteRow).where(SiteRow.code == "LANTERN").values(name="Blue Sunday"))
    )

    assert "plan filed for Blue Sunday, 11:00." in stage.text(ANNA, "PLAN BLUE SUNDAY 1100 50 P2")[0]


@pytest.mark.parametrize("words", ["PLAN LANTERN TOMORROW 1000", "plan lantern", "plan a dive at lantern please"])
def test_a_plan_that_is_not_whole_is_answered_with_one_that_is(stage: Stage, words: str) -> None:
    """With the site that they named."""
    [answer] = stage.text(ANNA, words)

    assert answer == (
        "Skerry Bay Divers: not filed. Say site, time, minutes and how many: PLAN LANTERN 1000 50 P2."
        " Another day? TOMORROW before the time."
    )


def test_with_a_dive_of_theirs_open_it_is_answered_so_too(stage: Stage) -> None:
    """And kept as the last that was heard of it."""
    stage.dive_in()

    [answer] = stage.text(ANNA, "PLAN LANTERN TOMORROW 1000")

    assert "not understood, nothing changed. The clock runs. A plan? Text PLAN LANTERN 1000 50 P2." in answer


def test_without_a_site_in_it_the_answer_has_one_of_the_clubs_in_its_language(stage: Stage) -> None:
    """Also from a phone that nobody knows, which is told more once the plan is whole."""
    set_club(stage, settings={"language": "de"})

    assert "Platz, Zeit, Minuten, Anzahl: PLAN " in stage.text(STRANGER, "PLAN")[0]


def test_a_dive_today_leaves_the_plan_for_tomorrow_at_the_same_site(stage: Stage) -> None:
    """With its own minutes and people: the alarm of today must not be that of a longer dive."""
    stage.text(ANNA, "PLAN LANTERN TOMORROW 1000 50 P2")
    [later] = stage.all_dives()

    told = stage.text(ANNA, "IN LANTERN 30 P1")

    [today] = [dive for dive in stage.all_dives() if dive.id != later.id]
    assert (today.live, today.head_count, today.due_out_at) == (True, 1, stage.clock.at + timedelta(minutes=30))
    assert stage.dive(later.id).phase is Phase.FILED
    assert any(f"plan {later.reference} is filed too: Lantern Cove, Wed 2 Jun 10:00." in text for text in told)
    stage.text(ANNA, f"OUT {today.finish_code}")


def test_a_start_of_about_the_planned_time_is_of_the_plan(stage: Stage) -> None:
    """Up to two hours before: what was filed is what the contacts count on."""
    stage.text(ANNA, "PLAN LANTERN 1200 50 P2")

    stage.text(ANNA, "IN LANTERN 30 P2")

    [dive] = stage.all_dives()
    assert (dive.live, dive.due_out_at) == (True, stage.clock.at + timedelta(minutes=30))
    stage.text(ANNA, f"OUT {dive.finish_code}")
