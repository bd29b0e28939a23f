"""Any value of the heart's types, drawn field by field from their annotations."""

from __future__ import annotations

import dataclasses
import types
import typing
from datetime import UTC, datetime, timedelta
from enum import Enum
from typing import Any

from hypothesis import strategies as st

from service.domain.gas import GasPlan
from service.domain.place.conditions import Current, Wind
from service.domain.place.position import Position
from service.domain.place.tide import TideWindow

OF_TYPE: dict[Any, st.SearchStrategy[Any]] = {
    bool: st.booleans(),
    datetime: st.datetimes(
        min_value=datetime(1990, 1, 1),  # noqa: DTZ001 - the strategy adds the zone
        max_value=datetime(2090, 1, 1),  # noqa: DTZ001 - the strategy adds the zone
        timezones=st.just(UTC),
    ),
    float: st.floats(allow_nan=False, allow_infinity=False),
    int: st.integers(min_value=-(2**31), max_value=2**31),
    str: st.text(max_size=20),
    timedelta: st.timedeltas(min_value=timedelta(days=-3), max_value=timedelta(days=3)),
    type(None): st.none(),
    Position: st.builds(Position, st.floats(-90, 90), st.floats(-180, 180)),
    Current: st.builds(Current, st.floats(0, 360), st.floats(0, 12)),
    TideWindow: st.builds(TideWindow, st.floats(-5, 0), st.floats(1, 20), st.floats(0, 12), st.none()),
    Wind: st.builds(Wind, st.floats(0, 360), st.floats(0, 120)),
    GasPlan: st.builds(GasPlan, st.floats(1, 60), st.floats(100, 350), st.floats(0, 99), st.floats(5, 100)),
}


def values_of(kind: Any) -> st.SearchStrategy[Any]:
    """A strategy for values of a type. Raises TypeError for a type that it does not know."""
    if kind in OF_TYPE:
        return OF_TYPE[kind]
    if isinstance(kind, types.UnionType) or typing.get_origin(kind) is typing.Union:
        return st.one_of([values_of(one) for one in typing.get_args(kind)])
    if typing.get_origin(kind) is tuple:
        return st.lists(values_of(typing.get_args(kind)[0]), max_size=3).map(tuple)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return st.sampled_from(kind)
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        fields = {field.name: values_of(hints[field.name]) for field in dataclasses.fields(kind)}
        return st.builds(kind, **fields)
    raise TypeError(f"no strategy for {kind}")
