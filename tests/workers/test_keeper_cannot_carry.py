"""A database that answers, and from which no message can be carried, is none: the keeper alarms without it."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from service.operations.spooling import Spool
from service.store import schema
from tests.operations.stage import CLEO, FINN, Stage
from workers.keeper import LOOK_EVERY_S, Keeper

BEFORE = "0019"  # the next migration makes a column without which nothing is claimed
LOOK = timedelta(seconds=LOOK_EVERY_S)


@pytest.fixture
def keeper(stage: Stage, tmp_path: Path) -> Iterator[Keeper]:
    """A keeper whose seconds go as the stage's clock does, with a dive in its snapshot."""
    began = stage.clock.at

    def seconds() -> float:
        return (stage.clock.at - began).total_seconds()

    spool = Spool(tmp_path / "spool", "s" * 40)
    spool.make()
    stage.dive_in()
    keeper = Keeper(
        stage.service,
        stage.courier,
        seconds,
        gateways=[stage.first, stage.second],
        spool=spool,
    )
    assert keeper.look() == ()
    yield keeper
    keeper._thread.shutdown(wait=True)
    assert keeper._standby is not None
    keeper._standby.close()


def looks(stage: Stage, keeper: Keeper, seconds: float) -> list[bool]:
    """Looks for so long; whether each was done, with the database or without it."""
    done = []
    for _ in range(int(seconds / LOOK_EVERY_S)):
        stage.clock.at += LOOK
        done.append(keeper._look_anyhow())
    return done


def overdue(stage: Stage) -> list[str]:
    """What the first contact got of the alarm."""
    return [body for body in stage.to(CLEO) if "OVERDUE" in body]


def test_an_upgrade_without_its_migration_silences_no_alarm(
    stage: Stage, keeper: Keeper, caplog: pytest.LogCaptureFixture
) -> None:
    """Web and workers refuse that database; clocks go on in the keeper, but nothing that they decide would go out."""
    stage.engine.dispose()
    schema.take_back(stage.engine, BEFORE)
    stage.clock.at += timedelta(minutes=70)

    assert all(looks(stage, keeper, 60))
    assert overdue(stage) == []
    assert all(looks(stage, keeper, 180))

    assert "keeper_carry_failed" in caplog.messages
    assert "database_gone" in caplog.messages
    assert len(overdue(stage)) == 1
    assert any("the database is gone" in body for body in stage.to(FINN))

    stage.engine.dispose()
    schema.migrate(stage.engine)
    looks(stage, keeper, 10)
    keeper._thread.submit(lambda: None).result(30)
    stage.courier.carry()
    assert any("the database is back" in body for body in stage.to(FINN))
    assert len(overdue(stage)) == 1  # what was told is in the record before anything is carried


def test_where_somebody_else_carries_the_keeper_is_content(
    stage: Stage, keeper: Keeper, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """It cannot, as where its own program is an old one, and others can."""
    carry = stage.courier.carry

    def fails() -> None:
        raise OperationalError("SELECT", {}, Exception("no such column"))

    monkeypatch.setattr(stage.courier, "carry", fails)
    stage.clock.at += timedelta(minutes=70)
    looks(stage, keeper, 10)
    monkeypatch.undo()
    carry()

    caplog.clear()
    with caplog.at_level(logging.ERROR):
        looks(stage, keeper, 180)

    assert "keeper_look_failed" not in caplog.messages
    assert len(overdue(stage)) == 1
    assert not any("NOT CONFIRMED" in body for body in stage.to(CLEO))
