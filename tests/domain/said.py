"""What the code says to people, read out of its source: every `say(...)` and `count(...)` of the phrases."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

SERVICE = Path(__file__).resolve().parents[2] / "service"
_MAKERS = ("say", "count")
_LANGUAGE = "service.domain.language"


@dataclass(frozen=True, slots=True)
class Said:
    """One message of the code. `plural` is empty but for `count`; `values` are the names of what goes into it."""

    msgid: str
    plural: str
    values: frozenset[str]
    where: str


@cache
def all_said() -> tuple[Said, ...]:
    """Every message of the code; those without a letter of their own need no translation and are not here."""
    return tuple(said for path in sorted(SERVICE.rglob("*.py")) for said in _in_module(path) if has_words(said.msgid))


def has_words(msgid: str) -> bool:
    """Whether there is anything to translate outside the gaps."""
    outside = "".join(piece.partition("}")[2] if "}" in piece else piece for piece in msgid.split("{"))
    return any(letter.isalpha() for letter in outside)


def _in_module(path: Path) -> Iterator[Said]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    makers = {
        alias.asname or alias.name: alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == _LANGUAGE
        for alias in node.names
        if alias.name in _MAKERS
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in makers:
            yield _said(node, makers[node.func.id], f"{path.relative_to(SERVICE.parent)}:{node.lineno}")


def _said(call: ast.Call, maker: str, where: str) -> Said:
    """Raises ValueError where a message is no literal, so that no catalogue could have it."""
    literals = [argument.value if isinstance(argument, ast.Constant) else None for argument in call.args]
    wanted = 2 if maker == "count" else 1
    words = [literal for literal in literals[:wanted] if isinstance(literal, str)]
    if len(words) != wanted or any(keyword.arg is None for keyword in call.keywords):
        raise ValueError(f"{where}: write the English as a literal, and each value by its name")
    counted = {"count"} if maker == "count" else set()
    values = frozenset(keyword.arg for keyword in call.keywords if keyword.arg is not None) | counted
    return Said(words[0], words[1] if wanted > 1 else "", values, where)
