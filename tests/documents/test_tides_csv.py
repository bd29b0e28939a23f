"""High and low waters as CSV: written, read back, and refused line by line."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.documents.site_reading import FILE_BYTES_MAX, SiteFileError
from service.documents.tides_csv import LINES_MAX, from_csv, to_csv
from service.domain.place.tide import TidalExtreme

ZONE = "Europe/London"
HEAD = "at,height_m,high_or_low\n"
GOOD = "2027-06-01T10:00+01:00,4.1,high\n"


def faults(text: str | bytes) -> list[tuple[str, str]]:
    """What is wrong with a file, by where."""
    data = text if isinstance(text, bytes) else text.encode()
    with pytest.raises(SiteFileError) as refused:
        from_csv(data, ZONE)
    return [(fault.where, fault.words) for fault in refused.value.faults]


@st.composite
def lists(draw: st.DrawFn) -> tuple[TidalExtreme, ...]:
    """A good list, over a summer-time night perhaps."""
    at = draw(st.sampled_from([datetime(2027, 3, 27, 20, 5, tzinfo=UTC), datetime(2027, 10, 30, 20, 5, tzinfo=UTC)]))
    found = []
    for number in range(draw(st.integers(1, 12))):
        at += timedelta(minutes=draw(st.integers(240, 800)))
        height_m = draw(st.integers(25, 90)) / 10 if number % 2 else draw(st.integers(-20, 20)) / 10
        found.append(TidalExtreme(at, height_m, high=number % 2 == 1))
    return tuple(found)


@given(lists(), st.sampled_from([ZONE, "Etc/GMT+1", "Pacific/Chatham"]))
def test_any_list_comes_back_the_same_from_any_zone(extremes: tuple[TidalExtreme, ...], zone: str) -> None:
    """The offset is written, so the hour that comes twice is no question."""
    written = to_csv(extremes, zone)

    assert from_csv(written, ZONE) == extremes
    cells = [cell for line in written.decode().splitlines()[1:] for cell in line.split(",")]
    assert all(cell[0].isdigit() or cell in {"high", "low"} or float(cell) < 0 for cell in cells)


def test_times_without_an_offset_are_those_of_the_site() -> None:
    """In summer an hour ahead of UTC; blanks, capitals, a byte order mark and empty lines do no harm."""
    heading = "\ufeffAt, Height_m ,High_or_low\r\n\r\n"
    text = f"{heading} 2027-06-01 10:20 , 4.1 , HIGH\r\n2027-06-01T16:30:30,-0.2,low\r\n,,\r\n"

    assert from_csv(text.encode(), ZONE) == (
        TidalExtreme(datetime(2027, 6, 1, 9, 20, tzinfo=UTC), 4.1, high=True),
        TidalExtreme(datetime(2027, 6, 1, 15, 30, 30, tzinfo=UTC), -0.2, high=False),
    )


LINES = {
    "a time that does not exist": ("2027-03-28T01:30,4.1,high", "does not exist: the clocks go forward"),
    "a time that comes twice": ("2027-10-31T01:30,4.1,high", "comes twice: the clocks go back"),
    "a day that does not exist": ("2027-02-30T01:30,4.1,high", "Give the time like"),
    "before all time": ("0001-01-01T00:00+01:00,4.1,high", "Give the time like"),
    "another order of the day": ("01/06/2027 10:00,4.1,high", "Give the time like"),
    "words for a time": ("noon,4.1,high", "Give the time like"),
    "a formula": ("=NOW(),4.1,high", "Give the time like"),
    "a decimal comma": ('2027-06-01T10:00Z,"4,1",high', "number of metres"),
    "no height": ("2027-06-01T10:00Z,,high", "number of metres"),
    "not a number": ("2027-06-01T10:00Z,nan,high", "number of metres"),
    "neither high nor low": ("2027-06-01T10:00Z,4.1,slack", "high or low"),
    "two columns": ("2027-06-01T10:00Z,4.1", "2 columns and not 3"),
    "four columns": ("2027-06-01T10:00Z,4,1,high", "4 columns and not 3"),
}


@pytest.mark.parametrize(("line", "words"), LINES.values(), ids=LINES)
def test_a_bad_line_is_named_with_what_to_do(line: str, words: str) -> None:
    """By its number in the file, heading included."""
    ((where, said),) = faults(f"{HEAD}{GOOD}{line}\n")

    assert where == "line 3"
    assert words in said


def test_every_bad_line_is_told_at_once() -> None:
    """And what is wrong with one line is one entry."""
    found = faults(f"{HEAD}noon,high,4.1\n{GOOD}2027-06-01T16:00Z,x,low\n")

    assert [where for where, _ in found] == ["line 2", "line 4"]
    assert "time" in found[0][1]
    assert "number of metres" in found[0][1]


FILES = {
    "nothing": ("", "first line must be at,height_m,high_or_low"),
    "no heading": (GOOD, "first line must be"),
    "semicolons": ("at;height_m;high_or_low\n", "commas between the columns"),
    "a heading only": (HEAD, "no high or low water"),
    "not UTF-8": ("at,height_m,h\u00f6he\n".encode("latin-1"), "not UTF-8"),
    "a quote without an end": (f'{HEAD}"2027', "not CSV"),
    "too many lines": (HEAD + GOOD * (LINES_MAX + 1), "more than 20000 lines"),
    "a byte too many": ("," * (FILE_BYTES_MAX + 1), "more than 1 MB"),
    "two highs": (f"{HEAD}{GOOD}2027-06-01T16:00+01:00,4.0,high\n", "Two high waters follow each other"),
    "the wrong order": (f"{HEAD}{GOOD}2027-05-31T16:00+01:00,1.0,low\n", "in the order of time"),
    "a time twice": (f"{HEAD}{GOOD}{GOOD}", "in the order of time"),
    "a height of no tide": (f"{HEAD}2027-06-01T10:00+01:00,44,high\n", "from -5 to 20"),
}


@pytest.mark.parametrize(("text", "words"), FILES.values(), ids=FILES)
def test_a_list_that_cannot_be_is_refused(text: str | bytes, words: str) -> None:
    """It says what is wrong with the file as a whole."""
    ((where, said),) = faults(text)

    assert where == "file"
    assert words in said


def test_a_time_that_the_clock_of_the_site_cannot_show_is_refused() -> None:
    """It could never be written out again."""
    with pytest.raises(SiteFileError) as refused:
        from_csv(b"at,height_m,high_or_low\n9999-12-31T23:30Z,4.1,high\n", "Pacific/Auckland")

    assert "Give the time like" in str(refused.value)
