"""Werkzeug takes every address of an application apart and makes functions for it; for the next one the same do."""

from __future__ import annotations

from collections.abc import Callable

from werkzeug.routing import BaseConverter, Rule
from werkzeug.routing.rules import RulePart

_KEPT: dict[tuple[object, ...], Callable[..., tuple[str, str]]] = {}
_TAKEN_APART: dict[tuple[object, ...], tuple[list[RulePart], list[tuple[bool, str]], dict[str, BaseConverter]]] = {}
_make = Rule._compile_builder
_parse = Rule._parse_rule


def _made_once(rule: Rule, append_unknown: bool = True) -> Callable[..., tuple[str, str]]:  # noqa: FBT001, FBT002 - its signature
    """What is made depends on these alone: whose address it is, is bound to it afterwards."""
    key = (tuple(rule._trace), repr(rule.defaults), append_unknown)
    if key not in _KEPT:
        _KEPT[key] = _make(rule, append_unknown)
    return _KEPT[key]


def _taken_apart_once(rule: Rule, address: str) -> list[RulePart]:
    """The parts are values; none of our converters asks whose map it converts for."""
    key = (address, *(rule.map.converters.items() if rule.map else ()))
    if key not in _TAKEN_APART:
        before = len(rule._trace)
        parts = list(_parse(rule, address))
        _TAKEN_APART[key] = (parts, rule._trace[before:], dict(rule._converters))
        return parts
    parts, trace, converters = _TAKEN_APART[key]
    rule._trace.extend(trace)
    rule._converters.update(converters)
    rule.arguments.update(converters)
    return parts


def keep_url_builders() -> None:
    """Do both once in this process: nine tenths of the time that making an application takes a test."""
    # Both on purpose: these are Werkzeug's own methods, which have no other way to be kept.
    Rule._compile_builder = _made_once  # type: ignore[method-assign]
    Rule._parse_rule = _taken_apart_once  # type: ignore[method-assign]
