"""Every mutant of the service is caught: a silent checker over a broken service would be worth nothing."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from tests.checker.mutants import MUTANTS, Mutant
from tests.checker.questions import NEVER, PROMISED, violations
from tests.checker.scenarios import SCENARIOS
from tests.checker.theatre import Theatre, theatre

DOCS = Path(__file__).parents[2] / "docs" / "checker.md"


@pytest.fixture(scope="module")
def house() -> Iterator[Theatre]:
    """One engine for all days. What a broken service logs is of no interest."""
    logging.disable(logging.CRITICAL)
    with theatre() as opened:
        yield opened
    logging.disable(logging.NOTSET)


def seen_on(house: Theatre, mutant: Mutant) -> list[str]:
    """What the checker says of the day of a mutant, until the question that must speak has spoken."""
    stage = house.stage()
    found: list[str] = []
    # A broken service may well raise: what counts is what the record shows.
    with mutant.alive(), suppress(Exception):
        for _ in SCENARIOS[mutant.day](stage):
            found += violations(stage.engine, stage.journal, stage.clock.at)
            if any(line.startswith(f"{mutant.question}: ") for line in found):
                return found
    return found + violations(stage.engine, stage.journal, stage.clock.at)


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: mutant.name)
def test_the_checker_catches_the_mutant(house: Theatre, mutant: Mutant) -> None:
    """By the question that is about it."""
    assert {line.partition(":")[0] for line in seen_on(house, mutant)} >= {mutant.question}


def test_there_are_mutants_enough() -> None:
    """No two are the same, and each names a question and a day that exist."""
    assert len({(mutant.function, mutant.line, mutant.instead) for mutant in MUTANTS}) == len(MUTANTS) >= 30
    assert {mutant.question for mutant in MUTANTS} <= NEVER.keys() | PROMISED.keys()


@pytest.mark.parametrize("question", [*NEVER, *PROMISED])
def test_each_question_is_in_the_docs_with_its_mutants(question: str) -> None:
    """Which mutants prove that it speaks stands beside what it asks."""
    rows = [line.split(" | ") for line in DOCS.read_text(encoding="utf-8").splitlines() if line.startswith("| `")]
    [row] = [row for row in rows if row[0] == f"| `{question}`"]
    wanted = {mutant.function.rpartition(":")[2] for mutant in MUTANTS if mutant.question == question}

    assert {name for name in wanted if f"{name}`" not in row[2]} == set()


def test_a_line_that_is_gone_fails_loudly() -> None:
    """So that a mutant is renewed and not forgotten."""
    stale = Mutant("operations.links:hash_token", "return a line of long ago", "pass", "link", "an_alarm_is_answered")

    with pytest.raises(LookupError, match="renew it"), stale.alive():
        pass
