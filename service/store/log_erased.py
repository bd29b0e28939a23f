"""Whether the log says of each entry whose details are gone that they were erased: who may change it could hide one.

The database lets details be erased, since they are after a time. All of a dive is erased at once, and its chain says so
after that. Of the chains of clubs, and of that of the service, only what has people who belong to no dive is erased by
its age, and anything once a person wishes to be forgotten.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from sqlalchemy import Row

DETAILS_ERASED: Final = "details_erased"
PERSON_ERASED: Final = "person_erased"
ON_A_WISH: Final = "somebody in it was erased"
"""Why, in an entry of an erasure."""

TEXT_KINDS: Final = ("text_in", "text_in_unauthentic", "text_part_in")
"""Entries of a club's chain that have somebody's number and words, and name the row of the text."""

LOOSE_KINDS: Final = (
    *(*TEXT_KINDS, "text_read", "contact_agreed", "contact_declined", "opted_out", "person_joined", "messages"),
    *("attempt:", "receipt:", "another_way", "key_without_meaning", "told_meanwhile", "resent"),
)
"""What a club's chain has of people who belong to no dive. What admins did stays: it is what a club answers for."""

AGE_MIN: Final = timedelta(days=3)
"""To the day. No club keeps details for less than a week, but a text may have come after its dive had closed."""

_DIVE: Final = "dive:"


@dataclass(frozen=True, slots=True)
class Blank:
    """An entry without its details, the first of its day, of which no later one has said yet that they were erased."""

    seq: int
    on: date
    loose: bool


def is_of(kind: str, kinds: Collection[str]) -> bool:
    """Whether a kind of entry is one of these, or begins as one that ends with ":"."""
    return kind in kinds or f"{kind.partition(':')[0]}:" in kinds


def with_next(blanks: tuple[Blank, ...], row: Row[*tuple[Any, ...]]) -> tuple[Blank, ...]:
    """The entries of a chain of which that is to be said still, with the next entry."""
    of_dive = row.chain.startswith(_DIVE)
    if row.actor is None or row.detail is None:
        new = Blank(row.seq, row.at.date(), not of_dive and is_of(row.kind, LOOSE_KINDS))
        return blanks if any(_goes_with(one, new) for one in blanks) else (*blanks, new)
    if not blanks or row.kind not in (DETAILS_ERASED, PERSON_ERASED):
        return blanks
    if of_dive or row.kind == PERSON_ERASED or json.loads(row.detail).get("why") == ON_A_WISH:
        return ()
    return tuple(one for one in blanks if not one.loose or one.on > (row.at - AGE_MIN).date())


def _goes_with(one: Blank, new: Blank) -> bool:
    """Whether whatever is said of one is said of both, so that the first stands for it."""
    return one.loose is new.loose and (not one.loose or one.on == new.on)
