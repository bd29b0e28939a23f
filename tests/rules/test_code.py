"""House rules for the shape of the code, read from its source."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import PurePosixPath

import pytest

from tests.rules import checks
from tests.rules.source import ROOT, Module, files, modules

LONGEST_MODULE = 400
LONGEST_TEST_MODULE = 500

# A thing without a room shows that a room is missing.
DRAWERS = frozenset({"utils", "util", "helpers", "helper", "common", "misc", "models"})

# Who talks to a person at a terminal.
MAY_PRINT = ("cli", "demo", "tour")


def found(check: Callable[[Module], list[str]], *under: str) -> list[str]:
    """What breaks a rule in all modules below some directories."""
    return [finding for module in modules(*under) for finding in check(module)]


def test_no_function_is_too_long_to_hold_in_the_head() -> None:
    """Every function has at most 70 lines."""
    assert found(checks.long_functions, "service", "workers", "deploy", "tests") == []


def test_no_module_is_too_long_to_know() -> None:
    """Every module has at most 400 lines, and a module of tests 500."""
    ours = [module for module in modules("service", "workers", "deploy") if module.lines > LONGEST_MODULE]
    theirs = [module for module in modules("tests") if module.lines > LONGEST_TEST_MODULE]

    assert [f"{module.path} has {module.lines} lines" for module in ours + theirs] == []


def test_the_heart_imports_nothing_that_acts() -> None:
    """The domain imports only its own modules and an allowed few that do no I/O."""
    assert found(checks.impure_imports, "service/domain") == []


def test_the_heart_never_asks_for_the_time() -> None:
    """In the domain `now` is an argument; no clock is read."""
    assert found(checks.clock_calls, "service/domain") == []


def test_no_time_without_a_zone_is_taken_from_a_clock() -> None:
    """Nothing calls `utcnow()`, or `now()` without a zone."""
    assert found(checks.naive_time, "service", "workers", "deploy", "tests") == []


def test_our_own_code_is_imported_at_the_top() -> None:
    """No function imports our own modules, so there are no hidden cycles."""
    assert found(checks.late_imports, "service", "workers") == []


def test_no_file_is_a_drawer_for_leftovers() -> None:
    """No file or directory is named for holding whatever has no room."""
    names = [path.relative_to(ROOT) for path in files()]

    assert [str(name) for name in names if DRAWERS & {PurePosixPath(part).stem for part in name.parts}] == []


def test_the_broker_holds_no_meaning() -> None:
    """No worker delays, retries or limits a task through the broker."""
    assert found(checks.meaning_in_broker, "workers") == []


def test_only_those_who_talk_to_a_terminal_print() -> None:
    """Only the command line, the demo and the tour print; everything else logs."""
    findings = found(checks.prints, "service", "workers")

    assert [line for line in findings if not any(word in line.partition(":")[0] for word in MAY_PRINT)] == []


def test_one_column_type_carries_time() -> None:
    """Only the module of our time type, and the frozen columns of past migrations, name SQLAlchemy's own."""
    naming = {module.path for module in modules("service/store") if checks.bare_datetime_columns(module)}
    ours = {path for path in naming if not path.startswith("service/store/migrations/")}

    assert len(ours) == 1, f"time columns use our type, but these name SQLAlchemy's: {sorted(ours)}"
    assert "TypeDecorator" in (ROOT / ours.pop()).read_text(encoding="utf-8")


def test_no_time_column_drops_the_zone() -> None:
    """Wherever SQLAlchemy's own time type is made, it is told to keep the zone."""
    assert found(checks.zoneless_columns, "service/store") == []


def test_every_test_says_what_holds() -> None:
    """Every test has a docstring."""
    assert found(checks.tests_without_docstring, "tests") == []


BROKEN = {
    "a long function": (checks.long_functions, "def f():\n" + "    x = 1\n" * 70),
    "a framework in the heart": (checks.impure_imports, "from sqlalchemy import select"),
    "the system in the heart": (checks.impure_imports, "import os"),
    "an outer room in the heart": (checks.impure_imports, "from service.store import engine"),
    "a clock in the heart": (checks.clock_calls, "x = datetime.now(UTC)"),
    "a date in the heart": (checks.clock_calls, "x = date.today()"),
    "a naive now": (checks.naive_time, "x = datetime.now()"),
    "a naive utcnow": (checks.naive_time, "x = datetime.datetime.utcnow()"),
    "a naive timestamp": (checks.naive_time, "x = datetime.fromtimestamp(5)"),
    "a late import": (checks.late_imports, "def f():\n    from service.web import x"),
    "a countdown": (checks.meaning_in_broker, "task.apply_async(countdown=5)"),
    "an eta": (checks.meaning_in_broker, "task.apply_async(eta=x)"),
    "a retry": (checks.meaning_in_broker, "self.retry()"),
    "a rate limit": (checks.meaning_in_broker, "task.rate_limit = '1/s'"),
    "a print": (checks.prints, "print(1)"),
    "a bare time column": (checks.bare_datetime_columns, "from sqlalchemy import DateTime"),
    "a column without a zone": (checks.zoneless_columns, "x = sa.DateTime()"),
    "a silent test": (checks.tests_without_docstring, "def test_x(): pass"),
}


@pytest.mark.parametrize(("check", "text"), BROKEN.values(), ids=BROKEN)
def test_each_rule_sees_what_it_forbids(check: Callable[[Module], list[str]], text: str) -> None:
    """A rule that could not fail would prove nothing."""
    assert len(check(Module("x.py", text))) == 1
