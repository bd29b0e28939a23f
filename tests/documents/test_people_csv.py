"""People as CSV: safe in a spreadsheet, back as they were, and a file that is none of ours refused with what to do."""

from __future__ import annotations

import csv
import io

import pytest

from service.documents.people_csv import BYTES_MAX, LINES_MAX, PeopleFileError, from_csv, to_csv

ANNA = {
    "name": "Anna Holt",
    "phone": "+447700900001",
    "language": "de",
    "notes": "Key to the gate | north",
    "contact_1_name": "Zo\u00eb \u00d8st",
    "contact_1_phone": "+447700900011",
}


def read(text: str) -> list[dict[str, str]]:
    """The cells of each line of a file."""
    return [line.cells for line in from_csv(text.encode()).lines]


def test_what_is_exported_is_read_back_as_it_was() -> None:
    """With every letter, and the + of phones."""
    [line] = from_csv(to_csv([ANNA])).lines

    assert {name: value for name, value in line.cells.items() if value} == ANNA
    assert line.notes == ()


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "|", "%", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20"])
def test_no_cell_of_an_export_is_a_formula(sign: str) -> None:
    """CWE-1236: whatever somebody calls themselves."""
    content = to_csv([ANNA | {"name": f"{sign}cmd|' /C calc'!A0", "notes": f"{sign}1+2"}])

    cells = [cell for row in csv.reader(io.StringIO(content.decode("utf-8-sig"))) for cell in row if cell]
    assert not [cell for cell in cells if cell[0] in "=+-@|%\t\r\uff1d\uff0b\uff0d\uff20"]


@pytest.mark.parametrize(
    "typed", ["=HYPERLINK(1)", "'=HYPERLINK(1)", "\t=HYPERLINK(1)", "+=-HYPERLINK(1)", "'\uff1dHYPERLINK(1)"]
)
def test_a_formula_in_a_list_is_taken_as_plain_words(typed: str) -> None:
    """And the line says so; a phone keeps its +."""
    [line] = from_csv(f"name,phone,notes\nAnna,+447700900001,{typed}\n".encode()).lines

    assert line.cells == {"name": "Anna", "phone": "+447700900001", "notes": "HYPERLINK(1)"}
    assert line.notes == ("notes began like a formula, so the signs before it were left out",)


@pytest.mark.parametrize("mark", ["", "\ufeff"], ids=["no mark", "a byte order mark"])
@pytest.mark.parametrize("delimiter", [",", ";"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_the_files_of_common_spreadsheets_are_read(mark: str, delimiter: str, end: str) -> None:
    """Commas or semicolons, with or without a mark, any ends of lines, and names of columns in any case."""
    rows = [["Name", "Phone", "Contact 1 name"], ["Anna", "07700 900001", "Cleo; and, Dov"], ["", "", ""]]
    text = end.join(delimiter.join(f'"{cell}"' for cell in row) for row in rows) + end

    assert read(mark + text) == [{"name": "Anna", "phone": "07700 900001", "contact_1_name": "Cleo; and, Dov"}]


def test_a_column_that_is_none_of_ours_is_passed_over_and_named() -> None:
    """So that nobody thinks that it was taken."""
    file = from_csv(b"name,phone,shoe size\nAnna,1,39\n")

    assert file.passed_over == ("shoe_size",)
    assert file.lines[0].number == 2


BAD = [
    ("nothing", b"", "is empty"),
    ("no such columns", b"who,what\nAnna,1\n", "name and phone are needed"),
    ("a column twice", b"name,phone,phone\nAnna,1,2\n", "there twice"),
    ("nobody in it", b"name,phone\n\n", "nobody in the file"),
    ("another alphabet's bytes", "name,phone\nZo\u00eb,1\n".encode("latin-1"), "CSV UTF-8"),
    ("a spreadsheet itself", b"name,phone\nPK\x00\x03,1\n", "no CSV file"),
    ("a quotation mark too many", b'name,phone\n"Anna"a,1\n', "quotation mark"),
    ("too large", b"name,phone\n" + b"x" * BYTES_MAX, "larger than 1 MB"),
    ("too many people", b"name,phone\n" + b"Anna,1\n" * (LINES_MAX + 1), f"more than {LINES_MAX}"),
]


@pytest.mark.parametrize(("data", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_a_file_that_cannot_be_read_is_refused_with_what_to_do(data: bytes, words: str) -> None:
    """As a whole, before anything is looked up."""
    with pytest.raises(PeopleFileError, match=words):
        from_csv(data)
