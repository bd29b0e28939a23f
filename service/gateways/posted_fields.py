"""The fields of a form that a gateway posted to us: fit to be kept, each of them once, of the form that is expected."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import datetime
from urllib.parse import parse_qsl

FORM_TYPE = "application/x-www-form-urlencoded"
FORM_FIELDS_MAX = 100
BODY_CHARACTERS_MAX = 1600
PROVIDER_ID = re.compile(r"[!-~]{1,100}")
SHORT_FIELD = re.compile(r"[^\s\x00-\x1f\x7f](?:[^\x00-\x1f\x7f]{0,38}[^\s\x00-\x1f\x7f])?")

_RAW_FIELDS_MAX = 64
_LONE_SURROGATE = re.compile("[\ud800-\udfff]")

Params = Iterable[tuple[str, str]]


class MalformedInbound(ValueError):  # noqa: N818 - named for what arrived, which is no error of ours
    """What was posted to us is not what it should be; the message says what is wrong with it."""


def form_pairs(body: bytes) -> list[tuple[str, str]]:
    """Every field in its order, nothing trimmed and nothing dropped: a signature covers them as they are.

    Raises MalformedInbound for more than 100 fields.
    """
    try:
        return parse_qsl(
            body.decode("utf-8", errors="surrogateescape"),
            keep_blank_values=True,
            max_num_fields=FORM_FIELDS_MAX,
            errors="surrogateescape",
        )
    except ValueError:
        raise MalformedInbound(f"a form may have {FORM_FIELDS_MAX} fields at most") from None


def clean_pairs(params: Params, received_at: datetime) -> list[tuple[str, str]]:
    """Return the fields as a database can keep them. Raises ValueError if `received_at` is naive."""
    if received_at.tzinfo is None:
        raise ValueError("received_at has no time zone")
    return [(storable(name), storable(value)) for name, value in params]


def storable(text: str) -> str:
    """Return the text without what a database refuses.

    NULs at the ends are padding. Elsewhere they, and halves of surrogate pairs, stood for a character that is
    lost: a mark keeps its place, so that a damaged text is not read as a shorter whole one.
    """
    return _LONE_SURROGATE.sub("\ufffd", text.strip("\x00").replace("\x00", "\ufffd"))


def only(pairs: Sequence[tuple[str, str]], name: str) -> str | None:
    """Return the value of a field, None where it is missing. Raises MalformedInbound where there are several."""
    values = {value for key, value in pairs if key == name}
    if len(values) > 1:
        raise MalformedInbound(f"{name} is given more than once, with different values")
    return next(iter(values), None)


def required(pairs: Sequence[tuple[str, str]], name: str, form: re.Pattern[str]) -> str:
    """Return the value of a field that must be there, in this form. Raises MalformedInbound."""
    value = (only(pairs, name) or "").strip()
    if not value:
        raise MalformedInbound(f"{name} is missing")
    if not form.fullmatch(value):
        raise MalformedInbound(f"{name} is too long or has characters that do not belong there")
    return value


def raw_of(pairs: Sequence[tuple[str, str]]) -> dict[str, str]:
    """Return what was posted, for the record; a name that came twice keeps all its values, a line each."""
    raw: dict[str, str] = {}
    for name, value in pairs[:_RAW_FIELDS_MAX]:
        key = name[:100]
        kept = f"{raw[key]}\n{value}" if key in raw else value
        raw[key] = kept[:BODY_CHARACTERS_MAX]
    return raw
