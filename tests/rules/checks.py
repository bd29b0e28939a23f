"""The house rules, each as a function from one module to what breaks it."""

from __future__ import annotations

import ast
from collections.abc import Iterator

from tests.rules.source import OUR_PACKAGES, Module

LONGEST_FUNCTION = 70

# What the heart may lean on: no I/O, no clock, no chance, no system.
HEART_MAY_IMPORT = frozenset(
    {
        *("__future__", "abc", "bisect", "collections", "dataclasses", "datetime", "decimal", "enum"),
        *("fractions", "functools", "heapq", "itertools", "math", "operator", "re", "statistics", "string"),
        *("types", "typing", "unicodedata", "zoneinfo"),
        *("anyascii", "phonenumbers", "service"),
        # Arithmetic of the ellipsoid and of grids: numbers in, numbers out.
        *("convertbng", "geographiclib", "mgrs", "utm"),
        # The catalogues of messages and the names of days, read from the packages themselves as time zones are.
        *("babel", "gettext", "importlib", "io"),
    }
)

CLOCK_CALLS = frozenset({"now", "utcnow", "today", "monotonic", "perf_counter", "time_ns", "localtime"})

# Each would put state or meaning into the broker.
BROKER_ARGUMENTS = frozenset({"countdown", "eta", "rate_limit"})

Function = ast.FunctionDef | ast.AsyncFunctionDef


def functions(module: Module) -> Iterator[Function]:
    """Every function of a module, at any depth."""
    for node in ast.walk(module.tree):
        if isinstance(node, Function):
            yield node


def called_name(call: ast.Call) -> str:
    """The last part of what is called: `now` for `datetime.now()`."""
    match call.func:
        case ast.Attribute(attr=name) | ast.Name(id=name):
            return name
    return ""


def calls(module: Module) -> Iterator[ast.Call]:
    """Every call in a module."""
    return (node for node in ast.walk(module.tree) if isinstance(node, ast.Call))


def imported(node: ast.AST) -> list[str]:
    """The modules that a statement imports, by full name; none for other nodes."""
    match node:
        case ast.Import(names=names):
            return [alias.name for alias in names]
        case ast.ImportFrom(module=name, level=level):
            return ["." * level + (name or "")]
    return []


def long_functions(module: Module) -> list[str]:
    """Functions of more lines than one can hold in the head."""
    return [
        f"{module.at(node)} {node.name} has {length} lines"
        for node in functions(module)
        if (length := (node.end_lineno or node.lineno) - node.lineno + 1) > LONGEST_FUNCTION
    ]


def impure_imports(module: Module) -> list[str]:
    """What a module of the heart imports and must not."""
    return [
        f"{module.at(node)} imports {name}"
        for node in ast.walk(module.tree)
        for name in imported(node)
        if name.partition(".")[0] not in HEART_MAY_IMPORT
        or (name.startswith("service") and not name.startswith("service.domain"))
    ]


def clock_calls(module: Module) -> list[str]:
    """Where a module of the heart asks what time it is."""
    return [f"{module.at(call)} calls {called_name(call)}()" for call in calls(module) if is_clock(call)]


def is_clock(call: ast.Call) -> bool:
    """Whether a call reads a clock, by its name."""
    return isinstance(call.func, ast.Attribute) and call.func.attr in CLOCK_CALLS


def naive_time(module: Module) -> list[str]:
    """Where a time without a zone is made from a clock."""
    return [
        f"{module.at(call)} {called_name(call)}() has no zone"
        for call in calls(module)
        if called_name(call) in {"utcnow", "utcfromtimestamp"} or is_bare_now(call)
    ]


def is_bare_now(call: ast.Call) -> bool:
    """Whether a call is `datetime.now()`, or `fromtimestamp` without a zone, on the class `datetime`."""
    match call.func:
        case ast.Attribute(value=ast.Name(id="datetime") | ast.Attribute(attr="datetime"), attr="now"):
            return not call.args and not call.keywords
        case ast.Attribute(value=ast.Name(id="datetime") | ast.Attribute(attr="datetime"), attr="fromtimestamp"):
            return len(call.args) + len(call.keywords) < len(("timestamp", "zone"))
    return False


def late_imports(module: Module) -> list[str]:
    """Imports of our own code inside functions, which hide a cycle."""
    return [
        f"{module.at(node)} {function.name} imports {name}"
        for function in functions(module)
        for node in ast.walk(function)
        for name in imported(node)
        if name.startswith(".") or name.partition(".")[0] in OUR_PACKAGES
    ]


def meaning_in_broker(module: Module) -> list[str]:
    """Where a worker leaves a delay, a retry or a limit to the broker."""
    found = [
        f"{module.at(call)} passes {keyword.arg}="
        for call in calls(module)
        for keyword in call.keywords
        if keyword.arg in BROKER_ARGUMENTS
    ]
    retries = [f"{module.at(call)} calls .retry()" for call in calls(module) if is_retry(call)]
    settings = [
        f"{module.at(node)} sets {node.attr}"
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Attribute) and node.attr in BROKER_ARGUMENTS
    ]
    return found + retries + settings


def is_retry(call: ast.Call) -> bool:
    """Whether a call is `something.retry(...)`."""
    return isinstance(call.func, ast.Attribute) and call.func.attr == "retry"


def prints(module: Module) -> list[str]:
    """Where something is printed."""
    return [
        f"{module.at(call)} prints"
        for call in calls(module)
        if isinstance(call.func, ast.Name) and call.func.id == "print"
    ]


def bare_datetime_columns(module: Module) -> list[str]:
    """Where SQLAlchemy's own time types are named."""
    return [
        f"{module.at(node)} names {name}"
        for node in ast.walk(module.tree)
        for name in named(node)
        if name in {"DateTime", "TIMESTAMP", "DATETIME"}
    ]


def zoneless_columns(module: Module) -> list[str]:
    """Where SQLAlchemy's own time type is made without `timezone=True`."""
    return [
        f"{module.at(call)} drops the zone"
        for call in calls(module)
        if called_name(call) in {"DateTime", "TIMESTAMP"} and "timezone=True" not in map(ast.unparse, call.keywords)
    ]


def named(node: ast.AST) -> list[str]:
    """The identifier that a node is, or those that it imports."""
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return [name]
        case ast.ImportFrom(names=names):
            return [alias.name for alias in names]
    return []


def tests_without_docstring(module: Module) -> list[str]:
    """Tests that do not say in a sentence what holds."""
    return [
        f"{module.at(node)} {node.name}"
        for node in functions(module)
        if node.name.startswith("test_") and not ast.get_docstring(node)
    ]
