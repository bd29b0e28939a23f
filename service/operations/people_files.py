"""People out as CSV, and in from CSV: first line by line what would happen, then all of it in one transaction.

An empty cell changes nothing, so that a list with fewer columns takes nothing away. Lines that are refused are left
out, which the page says before anybody confirms.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import zip_longest
from typing import Any

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.documents.people_csv import CONTACTS, OF_CONTACT, PeopleFileError, PeopleLine, from_csv, to_csv
from service.operations import desk_log
from service.operations.contact_reading import NamedPhone
from service.operations.own_numbers import texted_to
from service.operations.people import PEOPLE_MAX, PersonRead, PersonTyped, read_person
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import clubs, people, people_imports
from service.store.tables import ClubRow, PersonRow

KEPT = timedelta(minutes=30)

_NAMES_ONE = ("name", "phone", "email")  # a language alone is nobody's

LIST_GONE = "The list was kept for half an hour and is gone. Choose the file once more."
CHANGED = "Somebody changed the people of the club meanwhile, so this is shown once more. Nothing was taken over yet."


class Does(StrEnum):
    """What a line would do."""

    ADD = "add"
    CHANGE = "change"
    NOTHING = "nothing"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class LinePlan:
    """What one line would do, and why; `values` is what would be written."""

    number: int
    does: Does
    name: str
    words: str
    person_id: str | None
    phone: str
    values: dict[str, Any]


@dataclass(frozen=True, slots=True)
class ImportPlan:
    """What a list would do. `mark` is the same as long as nothing of that changes."""

    lines: tuple[LinePlan, ...]
    passed_over: tuple[str, ...]
    mark: str

    @property
    def counts(self) -> dict[str, int]:
        """How many lines do what."""
        counted = Counter(line.does for line in self.lines)
        return {does.value: counted[does] for does in Does}


def export(service: Service, admin: SignedIn) -> bytes:
    """The people of the admin's club as CSV; that somebody took them out is logged."""

    def work(session: Session) -> bytes:
        rows = people.listing(session, admin.club_id)
        desk_log.note(service, session, admin, "people_exported", {"count": len(rows)})
        return to_csv(_cells(row) for row in rows)

    return service.write(work)


def _cells(row: PersonRow) -> dict[str, str]:
    cells = {"name": row.name, "phone": row.phone, "language": row.language or "", "notes": row.notes or ""}
    for n, contact in zip(CONTACTS, row.usual_contacts, strict=False):
        cells |= {f"contact_{n}_{part}": contact.get(part) or "" for part in OF_CONTACT}
    return cells


def look_at(service: Service, admin: SignedIn, data: bytes) -> ImportPlan:
    """What a file would do; it is kept for half an hour to be confirmed. Raises PeopleFileError for none of ours."""
    now = service.clock.now()
    from_csv(data)
    content = data.decode("utf-8-sig")

    def work(session: Session) -> None:
        people_imports.forget_before(session, now - KEPT)
        people_imports.keep(session, admin.club_id, admin.admin_id, content, now)

    service.write(work)
    return service.read(lambda session: _plan(service, session, admin.club_id, data))


def confirm(service: Service, admin: SignedIn, mark: str) -> ImportPlan | None:
    """Take over the list that the admin has looked at: all that it says, or nothing.

    None once that is done. What it would do now, where that is something else than what was shown.
    Raises PeopleFileError where no list is kept.

    Reading thousands of numbers takes seconds, so it is done in no transaction that keeps others from writing.
    """
    now = service.clock.now()

    def look(session: Session) -> tuple[ImportPlan, str]:
        content = people_imports.find(session, admin.club_id, admin.admin_id, now - KEPT)
        if content is None:
            raise PeopleFileError(LIST_GONE)
        return _plan(service, session, admin.club_id, content.encode()), _as_they_are(session, admin.club_id)

    plan, seen = service.read(look)

    def work(session: Session) -> bool:
        clubs.hold(session, admin.club_id)
        if _as_they_are(session, admin.club_id) != seen:
            return False
        _take_over(session, admin.club_id, plan, now)
        people_imports.forget(session, admin.admin_id)
        desk_log.note(service, session, admin, "people_imported", {"lines": plan.counts})
        return True

    if plan.mark != mark:
        return plan
    try:
        done = service.write(work)
    except IntegrityError:  # somebody was added in the same instant
        done = False
    return None if done else service.read(look)[0]


def _take_over(session: Session, club_id: str, plan: ImportPlan, now: datetime) -> None:
    given = {"joined": "import", "added_at": now}
    people.keep_all(
        session, club_id, [(line.phone, line.values | given) for line in plan.lines if line.does is Does.ADD]
    )
    changed = [line for line in plan.lines if line.does is Does.CHANGE]
    people.change_all(session, club_id, [(line.person_id or "", line.values) for line in changed])


def _as_they_are(session: Session, club_id: str) -> str:
    """The same as long as nobody changes the people of the club."""
    told = hashlib.sha256()
    for row in people.listing(session, club_id):
        told.update(repr((row.id, row.phone, row.name, row.language, row.notes, row.usual_contacts)).encode())
    return told.hexdigest()


def give_up(service: Service, admin: SignedIn) -> None:
    """The list that the admin has looked at is not wanted."""
    service.write(lambda session: people_imports.forget(session, admin.admin_id))


def _plan(service: Service, session: Session, club_id: str, data: bytes) -> ImportPlan:
    club = clubs.get(session, club_id)
    if club is None:
        raise PeopleFileError("There is no such club.")
    file = from_csv(data)
    known = {row.phone: row for row in people.listing(session, club_id)}
    ours = texted_to(session, service.own_numbers)
    room, seen, lines = PEOPLE_MAX - len(known), dict[str, int](), []
    for line in file.lines:
        planned = _line(club, line, known, seen, ours)
        if planned.does is Does.ADD:
            room -= 1
            if room < 0:
                planned = _refused(line, f"a club keeps at most {PEOPLE_MAX} people")
        lines.append(planned)
    return ImportPlan(tuple(lines), file.passed_over, _mark(lines))


def _mark(lines: Sequence[LinePlan]) -> str:
    told = "\n".join(f"{line.number} {line.does} {line.person_id} {line.words}" for line in lines)
    return hashlib.sha256(told.encode()).hexdigest()[:32]


def _refused(line: PeopleLine, words: str) -> LinePlan:
    return LinePlan(line.number, Does.REFUSED, line.cells.get("name", ""), words, None, "", {})


def _line(
    club: ClubRow, line: PeopleLine, known: dict[str, PersonRow], seen: dict[str, int], ours: Collection[str]
) -> LinePlan:
    read = read_person(club, _typed(line), ours)
    if read.wrong:
        return _refused(line, " ".join(read.wrong.values()))
    if read.phone in seen:
        return _refused(line, f"the same phone is in line {seen[read.phone]} already")
    seen[read.phone] = line.number
    notes = "".join(f" ({note})" for note in line.notes)
    row = known.get(read.phone)
    if row is None:
        count = len(read.values["usual_contacts"])
        words = f"new, with {count or 'no'} {'contact' if count == 1 else 'contacts'}"
        return LinePlan(line.number, Does.ADD, read.values["name"], words + notes, None, read.phone, read.values)
    values = _changes(row, read, line)
    if not values:
        return LinePlan(line.number, Does.NOTHING, row.name, f"known already as it is{notes}", row.id, read.phone, {})
    words = "; ".join(_told(row, name, value) for name, value in values.items())
    return LinePlan(line.number, Does.CHANGE, row.name, words + notes, row.id, read.phone, values)


def _changes(row: PersonRow, read: PersonRead, line: PeopleLine) -> dict[str, Any]:
    """What of a known person the line says otherwise."""
    values = {
        name: value
        for name, value in read.values.items()
        if name != "usual_contacts" and line.cells.get(name) and value and value != getattr(row, name)
    }
    contacts = _contacts(row.usual_contacts, read.values["usual_contacts"], line)
    return values if contacts == row.usual_contacts else values | {"usual_contacts": contacts}


def _contacts(kept: Sequence[dict[str, Any]], read: Sequence[dict[str, Any]], line: PeopleLine) -> list[dict[str, Any]]:
    """Each contact of the line at its place; at a place for which the line has nothing whoever is kept there stays.

    Else a list with one contact's columns would take the others away, and with them who would have heard of an alarm.
    """
    given = iter(read)
    at = {n: next(given) for n in CONTACTS if any(line.cells.get(f"contact_{n}_{part}") for part in _NAMES_ONE)}
    named = {one["phone"] for one in at.values()}
    found = []
    for n, before in zip_longest(CONTACTS, kept):
        if n in at:
            found.append(_with_what_is_kept(at[n], before, kept))
        elif before is not None and before["phone"] not in named:
            found.append(before)
    return found


def _with_what_is_kept(
    given: dict[str, Any], before: dict[str, Any] | None, kept: Sequence[dict[str, Any]]
) -> dict[str, Any]:
    """A contact of a line with what only the record has of them: their language, e-mail and ways.

    They are known again by their phone, or under a new one by their name at the same place; ways are those of a phone.
    """
    same = next((one for one in kept if one["phone"] == given["phone"]), None)
    if same is None and before is not None and before["name"].casefold() == given["name"].casefold():
        same = {name: value for name, value in before.items() if name != "ways"}
    return {**(same or {}), **given}


def _told(row: PersonRow, name: str, value: Any) -> str:
    if name == "usual_contacts":
        names = ", ".join(one["name"] for one in value)
        phones = {one["phone"] for one in value}
        gone = ", ".join(f"{one['name']} {one['phone']}" for one in row.usual_contacts if one["phone"] not in phones)
        return f"contacts become {names}" + (f", no longer {gone}" if gone else "")
    was = getattr(row, name)
    return f"{name} becomes {value}" + (f", was {was}" if was else "")


def _typed(line: PeopleLine) -> PersonTyped:
    def cell(column: str) -> str:
        return line.cells.get(column, "")

    contacts = tuple(
        NamedPhone(
            cell(f"contact_{n}_name"),
            cell(f"contact_{n}_phone"),
            cell(f"contact_{n}_email"),
            cell(f"contact_{n}_language"),
        )
        for n in CONTACTS
    )
    return PersonTyped(cell("name"), cell("phone"), cell("language"), cell("notes"), contacts)
