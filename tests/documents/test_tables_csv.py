"""Tables for a spreadsheet: read again as they were, and never a formula."""

from __future__ import annotations

import csv
import io

from service.documents.tables_csv import to_csv


def read(data: bytes) -> list[list[str]]:
    """As a spreadsheet reads it."""
    return list(csv.reader(io.StringIO(data.decode("utf-8-sig"))))


def test_cells_come_back_as_they_were() -> None:
    """Commas, quotes and lines within; what is not there is empty; lengths have a tenth of a second at most."""
    data = to_csv(["a", "b, c"], [['say "x"', 3], ["Tromsø\nline", None], [2.5, 90.0]])

    assert read(data) == [["a", "b, c"], ['say "x"', "3"], ["Tromsø\nline", ""], ["2.5", "90"]]


def test_what_a_spreadsheet_would_run_is_plain_words() -> None:
    """A gateway may be called anything."""
    cells = ["=1+1", "+1", "-x", "@x", "|x", "%x", "\t=1", "\uff1d1+1", "\uff0b1", "\uff0dx", "\uff20x"]

    assert read(to_csv(cells, [cells])) == [[f"'{cell.replace('|', chr(92) + '|')}" for cell in cells]] * 2
