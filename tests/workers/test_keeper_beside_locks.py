"""A transaction that hangs and holds a dive does not silence it: the keeper alarms without the lock."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

import psycopg
import pytest

from tests.checker.questions import violations
from tests.operations.stage import ANNA, CLEO, Stage, staged
from workers.keeper import DIVE_LATE, Keeper

pytestmark = pytest.mark.postgres


@pytest.fixture
def stage(migrated_postgres_url: str) -> Iterator[Stage]:
    """A stage on PostgreSQL, where a row can be held; everything that must always hold is asked at the end."""
    with staged(migrated_postgres_url) as stage:
        yield stage
        assert violations(stage.engine, stage.journal, stage.clock.at) == []


@pytest.fixture
def keeper(stage: Stage) -> Iterator[Keeper]:
    """A keeper on the stage, and its threads ended afterwards."""
    keeper = Keeper(stage.service, stage.courier)
    yield keeper
    keeper._thread.shutdown(wait=True)


@contextmanager
def held(stage: Stage, dive_id: str) -> Iterator[None]:
    """Somebody at a terminal, without any time-out of ours, who has changed a dive and does not commit."""
    place = stage.engine.url.set(drivername="postgresql").render_as_string()
    with psycopg.connect(place) as hanging:
        hanging.execute("SELECT id FROM dives WHERE id = %s FOR NO KEY UPDATE", (dive_id,))
        yield
        hanging.rollback()


def look(stage: Stage, keeper: Keeper) -> tuple[str, ...]:
    """A look five seconds after the one before, with all that it carries."""
    stage.clock.at += timedelta(seconds=5)
    reasons = keeper.look()
    for carrying in keeper._carrying:
        carrying.result()
    return reasons


def test_the_contacts_of_a_dive_that_is_held_are_alarmed_at_the_second_look(stage: Stage, keeper: Keeper) -> None:
    """SERVICE FAULT, once however often the keeper looks; when it is let go the alarm itself follows, and its end."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at - timedelta(seconds=10)
    look(stage, keeper)  # what the party hears before
    stage.clock.at = dive.raise_by_at + timedelta(seconds=6)
    before = len(stage.to(CLEO))

    with held(stage, dive.id):
        assert DIVE_LATE in look(stage, keeper)
        assert stage.to(CLEO)[before:] == []
        for _ in range(2):
            look(stage, keeper)
        [fault] = stage.to(CLEO)[before:]
        assert "SERVICE FAULT" in fault
    look(stage, keeper)
    stage.text(ANNA, "OUT 2")

    assert "OVERDUE" in stage.to(CLEO)[before + 1]
    assert "over" in stage.to(CLEO)[-1]
    assert stage.dive(dive.id).phase == "closed"


def test_a_reminder_that_is_held_up_alarms_nobody(stage: Stage, keeper: Keeper) -> None:
    """Before the raise-by time nothing is told to contacts, whoever holds the dive."""
    dive = stage.dive_in()
    assert dive.due_out_at is not None
    stage.clock.at = dive.due_out_at + timedelta(seconds=11)
    before = len(stage.to(CLEO))

    with held(stage, dive.id):
        for _ in range(3):
            look(stage, keeper)

    assert stage.to(CLEO)[before:] == []
    look(stage, keeper)  # what was held up is done once it is let go
