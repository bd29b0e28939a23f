"""Werkzeug makes a function for every address of an application; for the next application the same ones do."""

from __future__ import annotations

from collections.abc import Callable

from werkzeug.routing import Rule

_KEPT: dict[tuple[object, ...], Callable[..., tuple[str, str]]] = {}
_make = Rule._compile_builder


def _made_once(rule: Rule, append_unknown: bool = True) -> Callable[..., tuple[str, str]]:  # noqa: FBT001, FBT002 - its signature
    """What is made depends on these alone: whose address it is, is bound to it afterwards."""
    key = (tuple(rule._trace), repr(rule.defaults), append_unknown)
    if key not in _KEPT:
        _KEPT[key] = _make(rule, append_unknown)
    return _KEPT[key]


def keep_url_builders() -> None:
    """Make each once in this process: four fifths of the time that making an application takes a test."""
    Rule._compile_builder = _made_once  # type: ignore[method-assign]
