"""High and low waters as CSV (RFC 4180) with the columns at, height_m and high_or_low.

`at` is an ISO 8601 time with its offset from UTC, or the wall clock of the site without one. What is written has no
cell that a spreadsheet could take for a formula: times begin with a digit, and the rest are numbers and two words.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import NoReturn
from zoneinfo import ZoneInfo

from service.documents.site_reading import FILE, Fault, Findings, SiteFileError, refuse_size
from service.domain.local_time import LocalTimeError, instant
from service.domain.place.tide import TidalExtreme, check_extremes

MEDIA_TYPE = "text/csv"
COLUMNS = ("at", "height_m", "high_or_low")
LINES_MAX = 20_000  # more than ten years of two tides a day

_TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?(Z|[+-]\d\d:\d\d)?")
_HEIGHT = re.compile(r"[+-]?\d{1,3}(\.\d{1,4})?")


def to_csv(extremes: Iterable[TidalExtreme], zone: str) -> bytes:
    """The list with the times of the site's clock and their offsets."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for one in extremes:
        at = one.at.astimezone(ZoneInfo(zone)).isoformat(timespec="seconds")
        writer.writerow((at, f"{one.height_m:g}", "high" if one.high else "low"))
    return text.getvalue().encode()


def from_csv(data: bytes, zone: str) -> tuple[TidalExtreme, ...]:
    """The high and low waters of a file, in their order; `zone` is the site's.

    Raises SiteFileError with an entry for each bad line, and for a list that cannot be.
    """
    refuse_size(data)
    rows, findings = _rows(data), Findings()
    found = [_extreme(row, f"line {number}", zone, findings) for number, row in rows]
    extremes = tuple(one for one in found if one is not None)
    if not findings.faults:
        for words in check_extremes(extremes):
            findings.fault(FILE, words)
    if findings.faults:
        raise SiteFileError(findings.faults)
    return extremes


def _refuse(words: str) -> NoReturn:
    raise SiteFileError([Fault(FILE, words)])


def _rows(data: bytes) -> list[tuple[int, list[str]]]:
    """The rows behind the heading, with their line numbers; empty lines are passed over."""
    try:
        # Spreadsheets begin their UTF-8 with a byte order mark.
        reader = csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True)
        rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except UnicodeDecodeError:
        _refuse("It is not UTF-8. Save it as CSV in UTF-8.")
    except csv.Error as error:
        _refuse(f"It is not CSV that can be read: {error}.")
    heading = ",".join(COLUMNS)
    if not rows or [cell.strip().lower() for cell in rows[0][1]] != list(COLUMNS):
        _refuse(f"Its first line must be {heading}, with commas between the columns.")
    if len(rows) == 1:
        _refuse("It has no high or low water.")
    if len(rows) > LINES_MAX + 1:
        _refuse(f"It has more than {LINES_MAX} lines. Import it in parts.")
    return rows[1:]


def _extreme(row: list[str], where: str, zone: str, findings: Findings) -> TidalExtreme | None:
    if len(row) != len(COLUMNS):
        findings.fault(where, f"It has {len(row)} columns and not {len(COLUMNS)}: {', '.join(COLUMNS)}.")
        return None
    time, height, which = (cell.strip() for cell in row)
    at = _instant(time, zone, where, findings)
    if not _HEIGHT.fullmatch(height):
        findings.fault(where, "The height is a number of metres above chart datum, such as 4.2.")
    if which.lower() not in {"high", "low"}:
        findings.fault(where, "The last column says high or low.")
    if at is None or findings.has(where):
        return None
    return TidalExtreme(at, float(height), which.lower() == "high")


def _instant(time: str, zone: str, where: str, findings: Findings) -> datetime | None:
    try:
        if _TIME.fullmatch(time):
            read = datetime.fromisoformat(time)
            at = instant(read.date(), read.time(), zone) if read.tzinfo is None else read.astimezone(UTC)
            at.astimezone(ZoneInfo(zone))  # of the first and the last day of all the site's clock may show none
            return at
    except LocalTimeError as error:
        findings.fault(where, f"{error} Or give its offset from UTC.")
        return None
    except (ValueError, OverflowError):
        pass  # shaped like a time, and no time of any day
    findings.fault(where, "Give the time like 2027-06-01T10:20+01:00, or without the offset in the time of the site.")
    return None
