"""The checker itself: that it shares no code with the service, is quick, and can be run from the command line."""

from __future__ import annotations

import ast
import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.checker.__main__ import main
from tests.checker.questions import violations
from tests.operations.stage import ANNA, Stage, plan_of, staged

HERE = Path(__file__).parent
ITS_OWN = (
    *("__main__", "chains", "folding", "questions", "questions_gateways", "questions_ladder", "questions_messages"),
    *("questions_meanwhile", "questions_rescue", "questions_rows", "questions_texts", "questions_words", "reading"),
)
MOST_S = 0.2  # measured: 0.03; a machine that is loaded is no fault of the checker


def imported(name: str) -> Iterator[str]:
    """What a module of the checker imports."""
    tree = ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        if isinstance(node, ast.ImportFrom):
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("name", ITS_OWN)
def test_the_checker_shares_nothing_with_the_service_but_the_schema(name: str) -> None:
    """It imports the standard library, SQLAlchemy and itself."""
    others = {module for module in imported(name) if module.split(".")[0] in ("service", "workers", "tests")}

    assert {module for module in others if not module.startswith("tests.checker")} == set()
    assert not any(module.split(".")[2] not in ITS_OWN for module in others if module.count(".") == 2)


@pytest.fixture
def busy_day(tmp_path: Path) -> Iterator[Stage]:
    """Five dives whose alarms nobody answers for hours."""
    with staged(f"sqlite:///{tmp_path / 'linetender.db'}") as stage:
        for number in range(5):
            stage.dive_in(plan_of(number))
        stage.wait(minutes=250)
        yield stage


def test_a_day_is_asked_in_a_few_hundredths_of_a_second(busy_day: Stage) -> None:
    """It is asked several times in each simulated day; so every table is read once."""
    began = time.process_time()
    found = violations(busy_day.engine, busy_day.journal, busy_day.clock.at)
    took = time.process_time() - began

    assert found == []
    assert len(busy_day.journal) > 200
    print(f"{len(busy_day.journal)} messages: {took * 1000:.0f} ms")
    assert took < MOST_S


def test_from_the_command_line_it_says_what_does_not_hold(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With a whole journal all holds; with one line less the message that nobody took is named."""
    url, journal = f"sqlite:///{tmp_path / 'linetender.db'}", tmp_path / "journal.jsonl"
    with staged(url) as stage:
        stage.dive_in()
        stage.text(ANNA, "out 2")
        now = stage.clock.at.isoformat()
        facts = ("number", "gateway", "to", "body", "reference")
        lines = [{name: getattr(one, name) for name in facts} | {"at": one.at.isoformat()} for one in stage.journal]
    outcomes = []
    for kept in (lines, lines[1:]):
        journal.write_text("\n".join(map(json.dumps, kept)), encoding="utf-8")
        outcomes.append((main(["--database", url, "--journal", str(journal), "--now", now]), capsys.readouterr().out))

    assert outcomes[0] == (0, "all holds\n")
    assert outcomes[1][0] == 1
    assert outcomes[1][1].startswith(f"handed: {lines[0]['reference']} is handed, and no gateway has it")
