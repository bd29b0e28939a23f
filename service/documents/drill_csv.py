"""The messages and answers of an exercise as a table, safe to open in a spreadsheet (OWASP ASVS 5.0, 1.2.10)."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import astuple, dataclass, fields
from datetime import UTC, datetime
from typing import Final

from defusedcsv import csv

from service.documents.formulas import no_formula

MEDIA_TYPE: Final = "text/csv; charset=utf-8"


@dataclass(frozen=True, slots=True)
class DrillRowOut:
    """One line: a message, or an answer. Times are UTC; `seconds` is how long an answer took after the alarm."""

    dive: str
    what: str
    person: str
    way: str
    kind: str
    state: str
    queued_at: datetime | None = None
    handed_at: datetime | None = None
    delivered_at: datetime | None = None
    answered_at: datetime | None = None
    seconds: int | None = None
    why: str | None = None


def to_csv(rows: Iterable[DrillRowOut]) -> bytes:
    """The table, with its names in the first line, in UTF-8."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([field.name for field in fields(DrillRowOut)])
    for row in rows:
        writer.writerow([_cell(value) for value in astuple(row)])
    return out.getvalue().encode()


def _cell(value: object) -> str:
    if value is None:
        return ""
    return (
        value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ") if isinstance(value, datetime) else no_formula(str(value))
    )
