"""Ending a dive from the command line."""

from __future__ import annotations

import pytest
from sqlalchemy import update
from sqlalchemy.orm import Session

from service.store import plain_columns
from service.store.engine import open_engine, reading
from service.store.engine import run as run_unit
from service.store.tables import DiveRow
from tests.cli.conftest import Run
from tests.operations.stage import staged

NAME, WHY = "Finn Aske", "both are at the clubhouse"


@pytest.fixture
def dive_id(environment: dict[str, str]) -> str:
    """A dive in the database of the settings whose clock runs."""
    with staged(environment["DATABASE_URL"]) as stage:
        return stage.dive_in().id


def phase(environment: dict[str, str], dive_id: str) -> str:
    """How far the dive is, by its columns."""
    engine = open_engine(environment["DATABASE_URL"])
    with reading(engine) as session:
        facts = plain_columns.row_facts(session, dive_id)
    engine.dispose()
    assert facts is not None
    return facts.phase


def damage(environment: dict[str, str], dive_id: str) -> None:
    """Make the state of the dive unreadable."""
    engine = open_engine(environment["DATABASE_URL"])

    def work(session: Session) -> None:
        session.execute(update(DiveRow).where(DiveRow.id == dive_id).values(state="{}"))

    run_unit(engine, work)
    engine.dispose()


def test_a_dive_that_cannot_be_read_is_closed_and_that_is_said(
    run: Run, environment: dict[str, str], dive_id: str
) -> None:
    """The line says which way it went."""
    damage(environment, dive_id)

    result = run("dive", "close", "--dive", dive_id, "--by", NAME, "--reason", WHY)

    assert result.exit_code == 0
    assert "is closed, by its plain columns: its state cannot be read." in result.output
    assert phase(environment, dive_id) == "closed"


def test_a_readable_dive_is_closed_by_the_rules(run: Run, environment: dict[str, str], dive_id: str) -> None:
    """And the log verifies afterwards."""
    result = run("dive", "close", "--dive", dive_id, "--by", "finn aske", "--reason", WHY)

    assert result.exit_code == 0
    assert "is closed. Whoever was told anything is told that it is over." in result.output
    assert phase(environment, dive_id) == "closed"
    assert run("audit", "verify", "--dive", dive_id).exit_code == 0


@pytest.mark.parametrize(
    ("changed", "status", "words"),
    [
        ({"--by": "Nobody"}, 1, "has no admin of that name; it has: Finn Aske"),
        ({"--dive": "d9"}, 1, "there is no dive d9"),
        ({"--reason": "  "}, 2, "by --reason how it is known"),
        ({"--by": ""}, 2, "the name of an admin by --by"),
    ],
    ids=str,
)
def test_what_does_not_say_who_and_why_closes_nothing(
    changed: dict[str, str], status: int, words: str, run: Run, environment: dict[str, str], dive_id: str
) -> None:
    """One plain line that says what to do; the clock goes on."""
    options = {"--dive": dive_id, "--by": NAME, "--reason": WHY} | changed

    result = run("dive", "close", *(part for option in options.items() for part in option))

    assert result.exit_code == status
    assert words in result.stderr
    assert phase(environment, dive_id) == "in_water"


def test_a_dive_is_closed_once(run: Run, dive_id: str) -> None:
    """The second time is said to be one."""
    arguments = ("dive", "close", "--dive", dive_id, "--by", NAME, "--reason", WHY)
    assert run(*arguments).exit_code == 0

    result = run(*arguments)

    assert result.exit_code == 1
    assert result.stderr.startswith("linetender: ")
