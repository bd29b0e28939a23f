"""Two entries of one person made one. What happened under either phone stays in the log as it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, islice
from typing import Any

from sqlalchemy.orm import Session

from service.domain.plan import CONTACTS_MAX, WORDS_MAX
from service.operations import desk_log
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import clubs, people
from service.store.tables import PersonRow

SHOWN_MAX = 100


@dataclass(frozen=True, slots=True)
class Twins:
    """Two people of one name, who may be one: ids, names, phones."""

    first: tuple[str, str, str]
    second: tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class OtherName:
    """Somebody whose phone another person's contacts have under another name."""

    person: tuple[str, str, str]
    named_by: tuple[str, str]
    as_name: str


@dataclass(frozen=True, slots=True)
class Merged:
    """What of the two would be kept. `left_out`: contacts for whom there is no room."""

    name: str
    phone: str
    values: dict[str, Any]
    left_out: tuple[str, ...]
    counted_on_by: tuple[str, ...]


def candidates(service: Service, club_id: str) -> tuple[tuple[Twins, ...], tuple[OtherName, ...]]:
    """Who may be there twice: by the same name, and by a phone that somebody's contacts have under another name."""
    rows = service.read(lambda session: people.listing(session, club_id))
    by_name: dict[str, list[PersonRow]] = {}
    for row in rows:
        by_name.setdefault(folded(row.name), []).append(row)
    pairs = (pair for alike in by_name.values() for pair in combinations(alike, 2))
    twins = [Twins(_key(one), _key(other)) for one, other in islice(pairs, SHOWN_MAX)]
    by_phone = {row.phone: row for row in rows}
    others = [
        OtherName(_key(known), (row.id, row.name), kept["name"])
        for row in rows
        for kept in row.usual_contacts
        if (known := by_phone.get(kept["phone"])) is not None and folded(known.name) != folded(kept["name"])
    ]
    return tuple(twins), tuple(others[:SHOWN_MAX])


def folded(name: str) -> str:
    """A name as two writings of it agree."""
    return " ".join(name.split()).casefold()


def _key(row: PersonRow) -> tuple[str, str, str]:
    return row.id, row.name, row.phone


def preview(service: Service, club_id: str, keep_id: str, other_id: str, *, other_phone: bool) -> Merged | None:
    """What merging would make of the two; None unless both are people of the club."""

    def work(session: Session) -> Merged | None:
        kept, other = people.get(session, club_id, keep_id), people.get(session, club_id, other_id)
        if kept is None or other is None or keep_id == other_id:
            return None
        return _merged(kept, other, people.listing(session, club_id), other_phone=other_phone)

    return service.read(work)


def merge(service: Service, admin: SignedIn, keep_id: str, other_id: str, *, other_phone: bool) -> bool:
    """Keep one with what either has; whoever counts on the phone that goes counts on the one that stays.

    False unless both are people of the admin's club. `other_phone`: the phone of the one who goes is the right one.
    """

    def work(session: Session) -> bool:
        if clubs.get(session, admin.club_id) is None:
            return False
        clubs.hold(session, admin.club_id)  # who merges, changes or erases at once sees what this did
        kept, other = people.get(session, admin.club_id, keep_id), people.get(session, admin.club_id, other_id)
        if kept is None or other is None or keep_id == other_id:
            return False
        everybody = people.listing(session, admin.club_id)
        merged = _merged(kept, other, everybody, other_phone=other_phone)
        gone = kept.phone if other_phone else other.phone
        people.remove(session, admin.club_id, other_id)
        people.change(session, admin.club_id, keep_id, merged.values | {"phone": merged.phone})
        for row in everybody:
            if row.id not in (keep_id, other_id) and any(one["phone"] == gone for one in row.usual_contacts):
                contacts = with_phone(row.usual_contacts, gone, merged.phone, row.phone)
                people.change(session, admin.club_id, row.id, {"usual_contacts": contacts})
        desk_log.note(service, session, admin, "people_merged", {"kept": keep_id, "gone": other_id})
        return True

    return service.write(work)


def _merged(kept: PersonRow, other: PersonRow, everybody: Sequence[PersonRow], *, other_phone: bool) -> Merged:
    phone, gone = (other.phone, kept.phone) if other_phone else (kept.phone, other.phone)
    own = {kept.phone, other.phone}
    contacts = [one for one in kept.usual_contacts if one["phone"] not in own]
    have = {one["phone"] for one in contacts}
    contacts += [one for one in other.usual_contacts if one["phone"] not in own | have]
    notes = "\n".join(dict.fromkeys(words for words in (kept.notes, other.notes) if words))
    consents = [at for at in (kept.consent_at, other.consent_at) if at]
    values = {
        "usual_contacts": contacts[:CONTACTS_MAX],
        "language": kept.language or other.language,
        "notes": notes[:WORDS_MAX] or None,
        "verified_at": (other if other_phone else kept).verified_at,
        "consent_at": max(consents, default=None),
    }
    counted = tuple(row.name for row in everybody if any(one["phone"] == gone for one in row.usual_contacts))
    return Merged(kept.name, phone, values, tuple(one["name"] for one in contacts[CONTACTS_MAX:]), counted)


def with_phone(contacts: Sequence[dict[str, Any]], gone: str, phone: str, own: str) -> list[dict[str, Any]]:
    """The contacts with the one number in the place of the other, nobody twice and nobody their own contact."""
    found: dict[str, dict[str, Any]] = {}
    for one in contacts:
        renumbered = one | {"phone": phone} if one["phone"] == gone else one
        if renumbered["phone"] != own:
            found.setdefault(renumbered["phone"], renumbered)
    return list(found.values())
