"""The log as files: JSON lines, or rows for a spreadsheet. Written as it is read, never held whole."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from io import StringIO
from types import MappingProxyType
from typing import Any, Final

from defusedcsv import csv
from flask import Response

from service.documents.formulas import no_formula
from service.operations.log_exporting import COLUMNS

JSON_LINES, CSV, PDF = "jsonl", "csv", "pdf"
_MEDIA_TYPES: Final = {JSON_LINES: "application/jsonl; charset=utf-8", CSV: "text/csv; charset=utf-8"}


def as_file(entries: Iterator[dict[str, Any]], form: str, name: str) -> Response:
    """A download; its name says which club or dive and has no name of a person."""
    response = Response(_WRITERS[form](entries), content_type=_MEDIA_TYPES[form])
    response.headers["Content-Disposition"] = f'attachment; filename="{name}.{form}"'
    return response


def _lines(entries: Iterator[dict[str, Any]]) -> Iterator[str]:
    for entry in entries:
        yield json.dumps(entry, ensure_ascii=False) + "\n"


def _rows(entries: Iterator[dict[str, Any]]) -> Iterator[str]:
    """RFC 4180, and no cell that a spreadsheet would run as a formula."""
    yield _row(COLUMNS)
    for entry in entries:
        yield _row([_cell(entry[name]) for name in COLUMNS])


def _row(cells: Any) -> str:
    buffer = StringIO(newline="")
    csv.writer(buffer, lineterminator="\r\n").writerow(cells)
    return buffer.getvalue()


def _cell(value: object) -> str:
    """The library takes care of the usual first letters of a formula; these are read as such by some programs too."""
    if value is None:
        return ""
    return no_formula(json.dumps(value, ensure_ascii=False) if isinstance(value, dict) else str(value))


_Writer = Callable[[Iterator[dict[str, Any]]], Iterator[str]]
_WRITERS: Final[Mapping[str, _Writer]] = MappingProxyType({JSON_LINES: _lines, CSV: _rows})
