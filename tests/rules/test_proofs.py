"""Where a document names a test as its proof, that test is there."""

from __future__ import annotations

import ast
import re
from functools import cache

import pytest

from tests.rules.source import ROOT

DOCUMENTS = sorted(str(path.relative_to(ROOT)) for path in (ROOT / "docs").glob("*.md"))
NAMED = re.compile(r"`(tests/[\w/]+\.py)(?:::(\w+))?`")


@cache
def names_in(path: str) -> frozenset[str] | None:
    """The names of the functions in a file of tests; None when there is no such file."""
    file = ROOT / path
    if not file.is_file():
        return None
    return frozenset(
        node.name for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))) if isinstance(node, ast.FunctionDef)
    )


def missing(text: str) -> list[str]:
    """The tests that a text names and that are not there."""
    gone = []
    for path, name in NAMED.findall(text):
        there = names_in(path)
        if there is None or (name and name not in there):
            gone.append(f"{path}::{name}" if name else path)
    return gone


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_test_that_a_document_names_is_there(document: str) -> None:
    """A proof that was renamed or removed is renamed or removed in the document too."""
    assert missing((ROOT / document).read_text(encoding="utf-8")) == []


def test_a_proof_that_is_gone_is_seen() -> None:
    """The rule sees a file that is not there, and a name that is not in a file."""
    here = "tests/rules/test_proofs.py"

    assert missing(f"see `tests/no/such.py` and `{here}::test_nothing` and `{here}::missing`") == [
        "tests/no/such.py",
        f"{here}::test_nothing",
    ]
