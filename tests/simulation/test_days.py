"""Many dive days by seed, and that the checker would see what is wrong."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, delete, insert, text, update

from service.store.engine import open_engine
from service.store.tables import AttemptRow, ChainHeadRow, DiveRow, InboundTextRow, LogEntryRow, MessageRow
from tests.checker.questions import violations
from tests.operations.stage import (
    ANNA,
    BEGIN_AT,
    CLEO,
    DOV,
    HandMovedClock,
    Stage,
    prepare,
    stage_on,
    staged,
)
from tests.simulation.day import Day

SEEDS = int(os.environ.get("SIMULATED_DAYS", "24"))  # a second or two each; more of them at night
A_TEST = 6  # seeds to a test, so that they can be shared out among processes


@pytest.fixture(scope="module")
def template() -> Iterator[sqlite3.Connection]:
    """A prepared database, to begin each day from."""
    engine = open_engine("sqlite://")
    prepare(engine, BEGIN_AT)
    with closing(sqlite3.connect(":memory:")) as copy:
        with engine.connect() as connection:
            connection.connection.driver_connection.backup(copy)
        engine.dispose()
        yield copy


@pytest.fixture(scope="module")
def shared() -> Iterator[Engine]:
    """One engine for all days: what it learned to compile it need not learn again."""
    engine = open_engine("sqlite://")
    yield engine
    engine.dispose()


@pytest.mark.parametrize("first", range(0, SEEDS, A_TEST))
def test_whatever_happens_on_a_dive_day_what_must_hold_holds(
    first: int, template: sqlite3.Connection, shared: Engine
) -> None:
    """Plans, texts, faults, crashes and outages by seed; the failing seed is shown, and plays the same again."""
    found = {}
    for seed in range(first, first + A_TEST):
        with shared.connect() as connection:
            template.backup(connection.connection.driver_connection)
        found[seed] = Day(seed, stage_on(shared, HandMovedClock())).play()

    assert {seed: broken for seed, broken in found.items() if broken} == {}


@pytest.mark.postgres
@pytest.mark.parametrize("seed", range(4))
def test_the_same_days_on_postgresql(seed: int, postgres_url: str) -> None:
    """Fewer, since the rules are the same; the database is not."""
    with staged(postgres_url) as stage:
        assert Day(seed, stage).play() == []


def test_a_seed_plays_the_same_day_twice(template: sqlite3.Connection, shared: Engine) -> None:
    """Else a failing seed could not be looked into."""
    days = []
    for _ in range(2):
        with shared.connect() as connection:
            template.backup(connection.connection.driver_connection)
        day = Day(7, stage_on(shared, HandMovedClock()))
        day.play()
        days.append([(taken.at, taken.gateway, taken.to, taken.body) for taken in day.stage.journal])

    assert days[0] == days[1]
    assert len(days[0]) > 5


# The checker must see each kind of wrong, else its silence means nothing


def alarmed_and_closed(stage: Stage) -> str:
    """A dive that was alarmed, acknowledged and closed; gives its id."""
    dive = stage.dive_in()
    stage.wait(minutes=20)
    stage.text(ANNA, "late 10")
    stage.wait(minutes=71)
    stage.text(CLEO, "OK")
    stage.text(ANNA, "out 2")
    assert violations(stage.engine, stage.journal, stage.clock.at) == []
    return dive.id


def closed_by_nobody(stage: Stage) -> str:
    """The entry of the close names nobody."""
    rewrite(stage, "event:closed", lambda detail: detail.replace('"Anna Holt"', '""'))
    return "2:"


def closed_from_elsewhere(stage: Stage) -> str:
    """The entry of the close names a phone that is not of the dive."""
    rewrite(stage, "event:closed", lambda detail: detail.replace(ANNA, "+447700900555"))
    return "8:"


def no_stand_down(stage: Stage) -> str:
    """The gateway never got one contact's stand-down, and nobody tries."""
    lost = stage.message(stage_dive(stage), "contact-0", "stand_down")
    drop = [taken for taken in stage.journal if taken.reference == lost.id]
    stage.first.taken[:] = [taken for taken in stage.first.taken if taken not in drop]
    return "3:"


def sent_after_the_close(stage: Stage) -> str:
    """An alarm went out an hour after the close."""
    alert = stage.message(stage_dive(stage), "contact-0", "alert")
    late = stage.clock.at + timedelta(hours=1)
    change(stage, insert(AttemptRow).values(message_id=alert.id, gateway="first", carried_by="x", started_at=late))
    return "4:"


def untold_of_an_extension(stage: Stage) -> str:
    """The second contact was never sent the later raise-by time."""
    change(stage, delete(AttemptRow).where(AttemptRow.message_id == extension(stage)))
    change(stage, delete(MessageRow).where(MessageRow.id == extension(stage)))
    return "5:"


def extension(stage: Stage) -> str:
    """The second contact's notice of more time."""
    [found] = [m for m in stage.messages(stage_dive(stage)) if m.step == "extension-1" and m.person_key == "contact-1"]
    return found.id


def row_changed(stage: Stage) -> str:
    """Somebody moved due out in the table."""
    change(stage, update(DiveRow).values(head_count=3))
    return "6:"


def entry_cut_off(stage: Stage) -> str:
    """The end of the log is gone."""
    change(stage, update(ChainHeadRow).values(seq=ChainHeadRow.seq + 1))
    return "6:"


def text_unlogged(stage: Stage) -> str:
    """A text is in the table and not in the log."""
    values = {"gateway": "first", "provider_id": "x", "sender": ANNA, "receiver": "x", "body": "out", "raw": {}}
    values |= {"received_at": stage.clock.at, "authentic": True, "state": "answered", "tries": 0}
    change(stage, insert(InboundTextRow).values(**values))
    return "7:"


def text_waiting(stage: Stage) -> str:
    """A text is stored, and nobody reads it."""
    stage.receive(ANNA, "status")
    stage.sleep(2)
    return "7:"


def told_a_stranger(stage: Stage) -> str:
    """A message went to a phone that is not of the dive."""
    change(stage, update(MessageRow).where(MessageRow.phone == DOV).values(phone="+447700900555"))
    return "8:"


def sent_without_a_record(stage: Stage) -> str:
    """The gateway has a text that we know nothing of."""
    stage.first.taken.append(replace(stage.first.taken[0], number=9_999, reference="unheard of"))
    return "8:"


def sent_twice(stage: Stage) -> str:
    """The gateway took a text twice without need."""
    stage.first.taken.append(replace(stage.first.taken[0], number=9_999))
    return "12:"


def behind_a_reminder(stage: Stage) -> str:
    """A reply was begun while an alert had long been waiting."""
    long_ago = stage.clock.at - timedelta(hours=3)
    change(stage, update(MessageRow).where(MessageRow.kind == "alert").values(queued_at=long_ago))
    return "9:"


def phase_fell(stage: Stage) -> str:
    """The row is in a phase that its events do not lead to."""
    change(stage, update(DiveRow).values(phase="in_water"))
    return "10:"


def wrong_count(stage: Stage) -> str:
    """An alarm told of fewer divers than there were."""
    change(stage, update(MessageRow).values(body=text("replace(body, '(2 divers)', '(1 diver)')")))
    return "11:"


PLANTED = [
    closed_by_nobody,
    closed_from_elsewhere,
    no_stand_down,
    sent_after_the_close,
    untold_of_an_extension,
    row_changed,
    entry_cut_off,
    text_unlogged,
    text_waiting,
    told_a_stranger,
    sent_without_a_record,
    sent_twice,
    behind_a_reminder,
    phase_fell,
    wrong_count,
]


@pytest.mark.parametrize("plant", PLANTED, ids=lambda plant: plant.__name__)
def test_the_checker_sees_what_is_wrong(plant: Callable[[Stage], str], tmp_path: Path) -> None:
    """One thing is broken in a record that was whole, and the checker names the rule that it breaks."""
    with staged(f"sqlite:///{tmp_path / 'linetender.db'}") as stage:
        alarmed_and_closed(stage)

        number = plant(stage)

        found = violations(stage.engine, stage.journal, stage.clock.at)
    assert any(line.startswith(number) for line in found), found


def test_the_checker_sees_a_dive_that_nobody_is_alerted_about(tmp_path: Path) -> None:
    """Past its raise-by time by more than the stated delay, with every process asleep."""
    with staged(f"sqlite:///{tmp_path / 'linetender.db'}") as stage:
        stage.dive_in()
        stage.sleep(70)

        found = violations(stage.engine, stage.journal, stage.clock.at)
    assert [line[:2] for line in found] == ["1:"]


def stage_dive(stage: Stage) -> str:
    """The id of the one dive."""
    return stage.service.read(lambda session: session.execute(text("SELECT id FROM dives")).scalar_one())


def change(stage: Stage, statement: Any) -> None:
    """Change what stands in a table, past all of our code."""
    stage.service.write(lambda session: session.execute(statement, execution_options={"synchronize_session": False}))


def rewrite(stage: Stage, kind: str, how: Callable[[str], str]) -> None:
    """Rewrite the detail of an entry, which the database itself would not let anybody do."""

    def work(session: Any) -> None:
        for name in session.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).scalars().all():
            session.execute(text(f"DROP TRIGGER {name}"))
        rows = session.execute(text("SELECT id, detail FROM log_entries WHERE kind = :kind"), {"kind": kind}).all()
        for number, detail in rows:
            session.execute(update(LogEntryRow).where(LogEntryRow.id == number).values(detail=how(detail)))

    stage.service.write(work)
