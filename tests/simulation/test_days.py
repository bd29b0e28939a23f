"""The checker sees what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete, insert, text, update

from service.store.tables import AttemptRow, ChainHeadRow, DiveRow, InboundTextRow, LogEntryRow, MessageRow
from tests.checker.questions import violations
from tests.operations.stage import ANNA, CLEO, DOV, Stage, staged

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
