"""The agreed forms of a finish, the kind of text that stops a clock: nothing else is ever read as one."""

from __future__ import annotations

import re

from service.domain.texts.intent import Intent, Kind
from service.domain.texts.numbers import people_in, take_code, take_reference
from service.domain.texts.typed import Typed

_WE = (
    "we are",
    "we all are",
    "we are all",
    "i am",
    "all",
    "all are",
    "all of us",
    "all of us are",
    "all divers",
    "all divers are",
    "everyone",
    "everyone is",
    "everybody",
    "everybody is",
)
_BOTH = ("both", "both are", "both of us", "both of us are", "both divers", "both divers are", "we are both")
_SO_MANY = (
    "{n}",
    "all {n}",
    "all {n} are",
    "{n} of us",
    "{n} of us are",
    "all {n} of us",
    "all {n} of us are",
    "{n} divers",
    "all {n} divers",
    "all {n} divers are",
    "we are all {n}",
)
# Not "surfaced": at the surface is not out of the water, and the swim to the exit is where it goes wrong.
_OUT = (
    "out",
    "out of water",
    "out of the water",
    "out safe",
    "out safely",
    "out safe and well",
    "out safe and sound",
    "out ok",
    "out and ok",
    "out and safe",
    "safe out",
    "safely out",
    "safe and out",
    "ok and out",
    "out of the water safe",
    "out of the water safely",
    "out of the water and safe",
    "ashore",
    "safely ashore",
    "back ashore",
    "back on shore",
    "back on the shore",
    "back on the beach",
    "back on land",
    "back on dry land",
    "back at the car",
)
_ALL = (
    "all",
    "all of us",
    "all of us are",
    "we are all",
    "everyone",
    "everyone is",
    "everybody",
    "everybody is",
)
_ALL_SO_MANY = ("all {n}", "all {n} are", "all {n} of us", "all {n} divers", "we are all {n}")
_ALL_BACK = ("back", "back safe", "back safely")
"""Too little alone, or of one diver (I'm back: on the surface? on the phone?); of all it is plain."""

_TAILS = ("{n}", "all {n}", "{n} divers", "all {n} divers", "{n} safe", "all {n} safe")
_ALL_TAILS = ("all", "all of us")
_BOTH_TAILS = ("both", "both of us", "both safe")


def _agreed() -> dict[str, int | None]:
    """List every agreed form with {n} for a head count; `both` counts two without saying a number."""
    forms: dict[str, int | None] = {f"out{' out' * more}": None for more in range(5)}
    for state in _OUT:
        forms.update({f"{who} {state}".strip(): None for who in ("", *_WE, *_SO_MANY)})
        forms.update({f"{who} {state} {tail}".strip(): None for who in ("", *_WE) for tail in _TAILS})
        forms.update({f"{state} {tail}": None for tail in _ALL_TAILS})
        forms.update({f"{state} {tail}": 2 for tail in _BOTH_TAILS})
        forms.update({f"{who} {state}": 2 for who in _BOTH})
    for state in _ALL_BACK:
        forms.update({f"{who} {state}": None for who in (*_ALL, *_ALL_SO_MANY)})
        forms.update({f"{who} {state}": 2 for who in _BOTH})
    return forms


AGREED_FINISH_FORMS = _agreed()

# What stands beside a finish, and says no more than it: "all ok, we are out", "out, forgot to text".
_ALL_WELL = r"all (?:ok|safe|well|good|fine)"
_FORGOT = r"(?:(?:i|we) )?forgot(?: to (?:text|message|say|tell you))?"
_BESIDE = re.compile(
    rf"^(?:(?:{_ALL_WELL}|{_FORGOT}) (?:and )?)+(?=\S)|(?: (?:and )?(?:{_ALL_WELL}|{_FORGOT}))+$",
)

_COUNT = re.compile(r"\b(?:p ?|x ?)?(\d{1,3})(?:(?:/| of )(\d{1,3}))?\b")


def read_finish(text: Typed) -> Intent | None:
    """Read a finish: one agreed form, with or without a head count, a code, a reference, and word that all are well."""
    words, reference = take_reference(text.words)
    words, code = take_code(words)
    words = _BESIDE.sub("", words)
    count = of = None
    if match := _COUNT.search(words):
        words = f"{words[: match.start()]}{{n}}{words[match.end() :]}"
        count = people_in(match[1])
        of = int(match[2]) if match[2] else None
        if count is None or (of is not None and count > of):
            return None
    if words not in AGREED_FINISH_FORMS:
        return None
    return Intent(kind=Kind.FINISH, code=code, count=AGREED_FINISH_FORMS[words] or count, of=of, ref=reference)
