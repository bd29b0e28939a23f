"""After a restore the admins hear of every open dive of which the keeper's snapshot knows more than the copy does."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.operations import lost_dives
from service.operations.backing_up import back_up
from service.operations.restoring import restore
from service.store import kept
from tests.operations.away import Keeping
from tests.operations.stage import ANNA, CLUB, FINN, Stage, plan_of
from tests.operations.test_unreadable import damage


@pytest.fixture
def keeping(unchecked: Stage, tmp_path: Path) -> Keeping:
    """A keeper whose snapshot is fresh."""
    keeping = Keeping(unchecked, tmp_path / "spool")
    keeping.look()
    return keeping


def backed_up(keeping: Keeping, tmp_path: Path) -> Path:
    """A backup of now."""
    path, _ = back_up(keeping.stage.engine, tmp_path / "one", keeping.stage.clock.at, "1.0")
    return path


def put_back(keeping: Keeping, backup: Path) -> None:
    """The keeper looks once more, the backup is restored, and a new keeper begins."""
    keeping.look()
    restore(keeping.stage.service, backup, replaces=True, even_if_running=True)
    keeping.start_again()
    keeping.look()
    keeping.stage.courier.carry()


def told(stage: Stage) -> list[str]:
    """What the admin has heard of lost dives."""
    return [body for body in stage.to(FINN) if "set back" in body]


def test_what_was_filed_or_moved_on_since_the_copy_is_told_once(keeping: Keeping, tmp_path: Path) -> None:
    """One in the water, one delayed, one planned; not one that has not changed, nor one that is over."""
    stage = keeping.stage
    unchanged, delayed, over = stage.dive_in(plan_of(1)), stage.dive_in(), stage.dive_in(plan_of(2))
    stage.wait(minutes=1)
    backup = backed_up(keeping, tmp_path)
    stage.text(ANNA, "LATE 10")
    begun, filed = stage.dive_in(plan_of(3)), stage.file(plan_of(4))
    stage.text(over.lead.phone or "", f"OUT {over.finish_code}")

    put_back(keeping, backup)

    heard = told(stage)
    assert len(heard) == 3
    assert f"dive {delayed.reference}, Anna Holt" in "".join(heard)
    assert f"Phone {begun.lead.phone} and the contacts." in "".join(heard)
    assert f"dive {filed.reference}, " in "".join(heard)
    assert "not yet started" in "".join(heard)
    assert f"dive {unchanged.reference}, " not in "".join(heard)
    [entry] = [one for one in stage.entries(chain="service") if one.kind == "dives_lost"]
    assert set((entry.detail or {})["dives"]) == {delayed.id, begun.id, filed.id}

    keeping.look()
    keeping.start_again()
    keeping.look()
    stage.courier.carry()
    assert len(told(stage)) == 3


def test_of_many_the_first_due_are_told_one_by_one(
    keeping: Keeping, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flood of texts would be read by nobody: the rest is a number."""
    monkeypatch.setattr(lost_dives, "TOLD_MAX", 2)
    stage = keeping.stage
    backup = backed_up(keeping, tmp_path)
    planned = [stage.file(plan_of(number)) for number in (1, 2)]
    begun = [stage.dive_in(plan_of(number)) for number in (3, 4)]

    put_back(keeping, backup)

    heard = told(stage)
    assert [any(f"dive {one.reference}, " in body for body in heard) for one in begun] == [True, True]
    assert [any(f"dive {one.reference}, " in body for body in heard) for one in planned] == [False, False]
    assert any("2 more open dives are lost or out of date" in body for body in heard)


def test_one_that_cannot_be_read_is_told_by_its_plain_columns(keeping: Keeping, tmp_path: Path) -> None:
    """Who, where, and whom to phone."""
    stage = keeping.stage
    backup = backed_up(keeping, tmp_path)
    dive = stage.dive_in()
    damage(stage, dive)

    put_back(keeping, backup)

    [heard] = told(stage)
    assert f"dive {dive.reference}, Anna Holt" in heard
    assert f"Phone {ANNA}" in heard


def test_an_ordinary_day_loses_nothing(keeping: Keeping) -> None:
    """Ended, called off, opened again, kept: no dive is ever at an earlier version."""
    stage = keeping.stage
    dive, other = stage.dive_in(), stage.dive_in(plan_of(1))
    keeping.look()
    stage.text(ANNA, f"OUT {dive.finish_code}")
    keeping.look()
    stage.text(ANNA, "SOS")
    keeping.look()
    stage.service.write(lambda session: kept.keep(session, CLUB, other.id, "Finn Aske", "inquiry", stage.clock.at))
    keeping.start_again()
    keeping.look()

    assert [one for one in stage.entries(chain="service") if one.kind == "dives_lost"] == []
