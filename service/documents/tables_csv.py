"""Tables as CSV for a spreadsheet (RFC 4180): what it would take for a formula is made plain words."""

from __future__ import annotations

import io
from collections.abc import Sequence

from defusedcsv import csv

from service.documents.formulas import no_formula

Cell = str | int | float | None


def to_csv(head: Sequence[str], rows: Sequence[Sequence[Cell]]) -> bytes:
    """A table with the names of its columns in the first line; what is not there is empty.

    In UTF-8 with a byte order mark, without which spreadsheets take letters for others.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([_plain(name) for name in head])
    writer.writerows([["" if cell is None else _plain(cell) for cell in row] for row in rows])
    return out.getvalue().encode("utf-8-sig")


def _plain(cell: str | float) -> str | int | float:
    if isinstance(cell, str):
        return no_formula(cell)
    return cell if isinstance(cell, int) else f"{cell:.1f}".removesuffix(".0")
