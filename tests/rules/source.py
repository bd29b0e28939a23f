"""The project's own files, as the rules look at them."""

from __future__ import annotations

import ast
import os
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent

# What tools leave behind; nothing in there is ours.
LEFT_BY_TOOLS = frozenset(
    {
        *(".git", ".venv", ".setup", ".demo", "__pycache__", "build", "node_modules"),
        *(".mypy_cache", ".ruff_cache", ".pytest_cache", ".hypothesis", ".import_linter_cache"),
    }
)

OUR_PACKAGES = ("service", "workers")


@dataclass(frozen=True)
class Module:
    """One Python file: its path from the root and its text."""

    path: str
    text: str

    @cached_property
    def tree(self) -> ast.Module:
        """The parsed text."""
        return ast.parse(self.text, self.path)

    @property
    def lines(self) -> int:
        """How long it is."""
        return len(self.text.splitlines())

    def at(self, node: ast.AST) -> str:
        """Where something stands, for a finding."""
        return f"{self.path}:{getattr(node, 'lineno', 0)}"


def files() -> Iterator[Path]:
    """Every file of the project that a person wrote or made on purpose."""
    for directory, below, names in os.walk(ROOT):
        below[:] = [name for name in below if name not in LEFT_BY_TOOLS and not name.endswith(".egg-info")]
        yield from (Path(directory, name) for name in sorted(names) if name not in LEFT_BY_TOOLS)


def texts() -> Iterator[tuple[str, str]]:
    """Path from the root and content of every file that is text."""
    for path in files():
        try:
            yield str(path.relative_to(ROOT)), path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue


def modules(*under: str) -> list[Module]:
    """Every Python file below these directories of the root.

    Raises:
        AssertionError: when there is none, so that no rule is kept by looking at nothing.

    """
    found = [module for module in _modules() if any(module.path.startswith(f"{directory}/") for directory in under)]
    assert found, f"no Python files under {under}"
    return found


@cache
def _modules() -> tuple[Module, ...]:
    """Every Python file, read once: parsing all of them for every rule takes long."""
    return tuple(Module(path, text) for path, text in texts() if path.endswith(".py"))
