"""The catalogue of faults is complete, and what it says plays them is there."""

from __future__ import annotations

import re

from tests.faults.all_faults import FAULTS
from tests.rules.source import ROOT
from tests.simulation.faults import KINDS

ROW = re.compile(r"^\| (F\d+) \|.*\| ([^|]+) \|$", re.MULTILINE)
NUMBERS = [f"F{number}" for number in range(1, 49)]


def played_by() -> dict[str, str]:
    """What plays each fault, by its number."""
    return dict(ROW.findall((ROOT / "docs/faults.md").read_text(encoding="utf-8")))


def named(kind: str) -> list[str]:
    """All that is named as `kind: one, another` in the catalogue."""
    lists = re.findall(rf"{kind}: ([^;`|\n]+)", "\n".join(played_by().values()))
    return [name.strip() for names in lists for name in names.split(",") if name.strip()]


def test_every_fault_has_its_row_and_something_that_plays_it() -> None:
    """F1 to F48 in their order, each with a fault of a chaos run, of a simulated day, or a test."""
    rows = played_by()

    assert list(rows) == NUMBERS
    assert [number for number, by in rows.items() if not re.search(r"chaos: |simulated: |`tests/", by)] == []


def test_every_fault_of_a_chaos_run_is_in_the_catalogue() -> None:
    """Neither is one left out, nor one named that does not exist."""
    assert sorted(set(named("chaos"))) == sorted(fault.name() for fault in FAULTS)


def test_every_simulated_fault_that_the_catalogue_names_exists() -> None:
    """By the name that the simulation has for it."""
    assert sorted(set(named("simulated")) - set(KINDS)) == []
