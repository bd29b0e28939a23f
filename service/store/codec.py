"""Events, dives and grace periods to and from plain JSON.

What is read is checked against the types of the heart. A field that an older version did not write takes its
default, and one that a newer version added is passed over, so that old and new code can run side by side.
"""

from __future__ import annotations

import json
import re
import threading
from datetime import UTC, datetime
from functools import lru_cache
from math import isfinite
from typing import Any, Final, get_args

import msgspec

from service.domain.dive.events import Event
from service.domain.dive.state import Dive
from service.domain.grace import GracePeriods
from service.domain.place.conditions import Current
from service.domain.place.tide import TideWindow
from service.store.types import storable, utc

Json = dict[str, Any]


class UnreadableError(ValueError):
    """What is stored is not what the heart's types say; the message names the place."""


_learning = threading.Lock()
_learnt: dict[type, msgspec.json.Decoder[Any]] = {}


def _kind(event_type: type) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "_", event_type.__name__).lower()


EVENT_TYPES: Final[dict[str, type]] = {_kind(event_type): event_type for event_type in get_args(Event)}
_KINDS: Final = {event_type: kind for kind, event_type in EVENT_TYPES.items()}


_CANONICAL: Final = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
_SORTED: Final = msgspec.json.Encoder(order="sorted")
_AS_IT_IS: Final = msgspec.json.Encoder()
_NOT_IN_UTC: Final = re.compile(rb'T\d\d:\d\d:\d\d(?:\.\d+)?["+-]')


def canonical(value: object) -> str:
    """The one way to write a JSON value, for hashing: keys sorted, no spaces, letters as themselves.

    Raises ValueError for NaN and the infinities, which JSON does not have.
    """
    return storable(_CANONICAL.encode(value))


def canonical_words(value: object) -> str:
    """As `canonical`, in a tenth of the time, for words and whole numbers, and lists and dicts of such.

    Other numbers may have an exponent, which no two encoders write alike.
    """
    try:
        return _SORTED.encode(value).decode()
    except UnicodeEncodeError:  # half of a surrogate pair
        return canonical(value)


def stamp(at: datetime) -> str:
    """An instant as text: RFC 3339 in UTC with six decimals, so that equal instants are equal texts."""
    if at.tzinfo is not UTC:
        at = utc(at)
    return _written(at)


@lru_cache(maxsize=100)  # all that is written in a transaction is of one instant
def _written(at: datetime) -> str:
    return at.isoformat(timespec="microseconds")[: -len("+00:00")] + "Z"


def plain(value: object) -> Any:
    """A value of the heart as plain JSON values. Raises NaiveTimeError for a datetime without a zone."""
    return _plain(value)[0]


def _plain(value: object) -> tuple[Any, bool]:
    """The same, and whether all of its numbers are whole."""
    whole = [msgspec.to_builtins(value, builtin_types=(datetime,))]
    are_whole = True
    # The containers are new and ours alone, so they are changed where they are, and without a call for each.
    left: list[Any] = [whole]
    while left:
        container = left.pop()
        for key, inner in container.items() if type(container) is dict else enumerate(container):
            kind = type(inner)
            if kind is str or inner is None:
                continue
            if kind is dict or kind is list:
                left.append(inner)
            elif kind is datetime:
                container[key] = stamp(inner)
            elif kind is tuple:
                container[key] = again = list(inner)
                left.append(again)
            elif kind is float:
                are_whole = False
                if not isfinite(inner):
                    raise ValueError(f"{inner} is not JSON compliant")
    return whole[0], are_whole


def dump_event(event: Event) -> tuple[str, Json]:
    """The kind of an event (its name in snake_case) and its fields."""
    return _KINDS[type(event)], plain(event)


def dump_event_text(event: Event) -> tuple[str, str]:
    """The kind of an event and its fields as canonical JSON."""
    fields, are_whole = _plain(event)
    return _KINDS[type(event)], canonical_words(fields) if are_whole else canonical(fields)


def load_event(kind: str, detail: Json) -> Event:
    """The event of that kind. Raises UnreadableError for an unknown kind or fields that do not fit."""
    event_type = EVENT_TYPES.get(kind)
    if event_type is None:
        raise UnreadableError(f"there is no event {kind!r}")
    event: Event = _converted(detail, event_type)
    return event


def dump_dive(dive: Dive) -> str:
    """A dive as JSON. Raises NaiveTimeError for a datetime without a zone.

    Nobody hashes it, so it is written as quickly as can be. Its numbers came by events, which hold no NaN.
    """
    try:
        text = _AS_IT_IS.encode(dive)
    except UnicodeEncodeError:  # half of a surrogate pair
        return canonical(plain(dive))
    return canonical(plain(dive)) if _NOT_IN_UTC.search(text) else text.decode()


def load_dive(text: str) -> Dive:
    """The dive written by dump_dive. Raises UnreadableError."""
    decoder = learn(Dive)
    try:
        dive: Dive = decoder.decode(text)
    except (msgspec.MsgspecError, ValueError) as error:
        raise UnreadableError(str(error)) from error
    return dive


def dump_grace(grace: GracePeriods) -> Json:
    """Grace periods as plain JSON values."""
    fields: Json = plain(grace)
    return fields


def load_grace(fields: Json) -> GracePeriods:
    """Grace periods; what is absent has its default. Raises UnreadableError."""
    grace: GracePeriods = _converted(fields, GracePeriods)
    return grace


def load_window(fields: Json) -> TideWindow:
    """When a point of a site can be used. Raises UnreadableError."""
    window: TideWindow = _converted(fields, TideWindow)
    return window


def load_current(fields: Json) -> Current:
    """The usual current at a site. Raises UnreadableError."""
    current: Current = _converted(fields, Current)
    return current


def learn(wanted: type) -> msgspec.json.Decoder[Any]:
    """Make msgspec ready for a type that many threads will read; gives what reads its JSON.

    It learns a type at its first use, and a second thread that comes meanwhile uses what is half learnt: that ends
    the process with a segmentation fault. So the first use is one thread's alone.
    """
    known = _learnt.get(wanted)
    if known is not None:
        return known
    with _learning:
        decoder: msgspec.json.Decoder[Any] = msgspec.json.Decoder(wanted)
        _learnt[wanted] = decoder
    return decoder


def _converted(fields: object, wanted: type) -> Any:
    learn(wanted)
    try:
        return msgspec.convert(fields, wanted)
    except msgspec.ValidationError as error:
        raise UnreadableError(str(error)) from error
