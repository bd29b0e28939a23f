"""People as CSV (RFC 4180): name, phone, language, notes, and up to six contacts in their order.

What is written is safe to open in a spreadsheet: a cell that would be a formula has an apostrophe before it
(CWE-1236), as every phone with its + has. That apostrophe is taken off again when the file is read, and what would
still be a formula loses the signs that make it one.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from defusedcsv import csv as safe_csv

from service.documents.formulas import FULL_WIDTH, no_formula

CONTACTS: Final = range(1, 7)
OF_CONTACT: Final = ("name", "phone", "email", "language")
COLUMNS: Final = (
    "name",
    "phone",
    "language",
    "notes",
    *(f"contact_{n}_{part}" for n in CONTACTS for part in OF_CONTACT),
)
MEDIA_TYPE: Final = "text/csv"
BYTES_MAX: Final = 1_000_000
LINES_MAX: Final = 2_000
CELL_MAX: Final = 1_000

_MADE_SAFE = re.compile(rf"'(?=[@+\-=|%\s{FULL_WIDTH}])")
_FORMULA = re.compile(rf"^[@+\-=|%\s{FULL_WIDTH}]+")
_PHONES: Final = frozenset({"phone", *(f"contact_{n}_phone" for n in CONTACTS)})

Cells = dict[str, str]


class PeopleFileError(ValueError):
    """The file as a whole cannot be read; the message says what to do."""


@dataclass(frozen=True, slots=True)
class PeopleLine:
    """One line of a file by its number, the heading being 1; `notes` say what of it was changed in reading."""

    number: int
    cells: Cells
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PeopleFile:
    """The lines of a file, and its columns that are none of ours."""

    lines: tuple[PeopleLine, ...]
    passed_over: tuple[str, ...]


def to_csv(people: Iterable[Mapping[str, str]]) -> bytes:
    """A file with a byte order mark, without which spreadsheets take letters for others."""
    text = io.StringIO()
    writer = safe_csv.writer(text)
    writer.writerow(COLUMNS)
    for person in people:
        writer.writerow([no_formula(person.get(column, "")) for column in COLUMNS])
    return b"\xef\xbb\xbf" + text.getvalue().encode()


def from_csv(data: bytes) -> PeopleFile:
    """The lines of a file, with commas or semicolons, with or without a byte order mark. Raises PeopleFileError."""
    rows = _rows(_decoded(data))
    heading = [name.strip().lower().replace(" ", "_") for name in next(rows, [])]
    if "name" not in heading or "phone" not in heading:
        raise PeopleFileError("The first line must name the columns; name and phone are needed.")
    known = [name for name in heading if name in COLUMNS]
    if len(set(known)) < len(known):
        raise PeopleFileError("A column is there twice. Give each once.")
    lines: list[PeopleLine] = []
    for number, row in enumerate(rows, start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(lines) == LINES_MAX:
            raise PeopleFileError(f"The file has more than {LINES_MAX} people. Part it and import the parts.")
        lines.append(_line(number, dict(zip(heading, row, strict=False))))
    if not lines:
        raise PeopleFileError("There is nobody in the file, only the columns' names.")
    return PeopleFile(tuple(lines), tuple(name for name in heading if name and name not in COLUMNS))


def _decoded(data: bytes) -> str:
    if len(data) > BYTES_MAX:
        raise PeopleFileError("The file is larger than 1 MB. Part it and import the parts.")
    if not data.strip():
        raise PeopleFileError("The file is empty. Choose one with a line of column names and a line for each person.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PeopleFileError("The file is not in UTF-8. Save it as CSV UTF-8 and choose it again.") from None
    if "\0" in text:
        raise PeopleFileError("This is no CSV file. Save the list as CSV UTF-8 and choose that.")
    return text


def _rows(text: str) -> Iterator[list[str]]:
    first = text.partition("\n")[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    try:
        yield from csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    except csv.Error as error:
        raise PeopleFileError(f"The file cannot be read as CSV: {error}. Look for a quotation mark too many.") from None


def _line(number: int, row: Mapping[str, str]) -> PeopleLine:
    cells, notes = {}, []
    for column in COLUMNS:
        if column not in row:
            continue
        cell = _MADE_SAFE.sub("", row[column].strip(), count=1) if row[column].strip()[:1] == "'" else row[column]
        cell = cell.replace("\\|", "|").strip()[:CELL_MAX]
        if column not in _PHONES and _FORMULA.match(cell):
            cell = _FORMULA.sub("", cell)
            notes.append(f"{column.replace('_', ' ')} began like a formula, so the signs before it were left out")
        cells[column] = cell
    return PeopleLine(number, cells, tuple(notes))
