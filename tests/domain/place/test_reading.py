"""Any form of a position, told from any other and from what is none."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place import writing
from service.domain.place.geodesy import distance_m
from service.domain.place.national_grid import from_grid
from service.domain.place.position import Position, PositionError
from service.domain.place.reading import likely_swapped, read_place, read_position

SLIP = Position(47.12345, -20.54321)

EXPLAINED = (Path(__file__).parents[3] / "docs" / "positions.md").read_text(encoding="utf-8")

TEXTS = Path(__file__).parents[2] / "data" / "inbound_texts.csv"


@pytest.mark.parametrize(
    ("text", "form", "reading"),
    [
        ("47.12345,-20.54321", "decimal degrees", "47.12345 N, 20.54321 W (decimal degrees)"),
        ("20.54321W 47.12345N", "decimal degrees", "47.12345 N, 20.54321 W (decimal degrees)"),
        ("47 07.407N 020 32.593W", "degrees and minutes", "47.12345 N, 20.54322 W (degrees and minutes)"),
        (
            "47 07 24.42N 020 32.593W",
            "degrees, minutes and seconds",
            "47.12345 N, 20.54322 W (degrees, minutes and seconds)",
        ),
        (
            "47,12345 -20,54321",
            "decimal degrees with a decimal comma",
            "47.12345 N, 20.54321 W (decimal degrees with a decimal comma)",
        ),
        ("geo:47.12345,-20.54321", "geo: address", "47.12345 N, 20.54321 W (geo: address)"),
        ("+47.12345-020.54321/", "ISO 6709", "47.12345 N, 20.54321 W (ISO 6709)"),
        ("-0.000001,0.000", "decimal degrees", "0.00000 N, 0.00000 E (decimal degrees)"),
        ("-47.500,20.250", "decimal degrees", "47.50000 S, 20.25000 E (decimal degrees)"),
    ],
)
def test_a_reading_says_how_it_was_understood(text: str, form: str, reading: str) -> None:
    """In letters, whatever it was typed with, and by the name of the form."""
    found = read_place(text)

    assert found is not None
    assert (found.format, found.reading, found.accuracy_m) == (form, reading, None)
    assert read_position(text) == found.position


# By the sphere of 6371 km: half a step of the last figure each way, and the diagonal of the two.
@pytest.mark.parametrize(
    ("text", "off_m"),
    [
        ("47.12,-20.54", 673),
        ("47.1,-20.5", 6730),
        ("47.12345,-20.5", 3790),
        ("47N 20W", 67_300),
        ("47 07N 020 32W", 1121),
        ("47 07.4N 020 32.6W", 112),
        ("47 07.40N 020 32.60W", None),
        ("47 07 24N 20 32 35W", None),
        ("47.123,-20.543", None),
        ("0.00,0.00", 786),
        ("90N 0E", 55_600),
        ("0N 180W", 78_600),
        ("89.99N 179.99E", 556),
        ("20.54W 47.12N", 673),
        ("S47.12 W20.54", 673),
        ("-47.12° -20.54°", 673),
    ],
)
def test_few_figures_are_a_rounding_that_may_be_so_far_off(text: str, off_m: float | None) -> None:
    """Nobody is to look at one point where the figures say no more than a square."""
    found = read_place(text)

    assert found is not None
    assert found.accuracy_m == (None if off_m is None else pytest.approx(off_m, rel=0.01))


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("27T WN 34647 18984", "MGRS"),
        ("27T 534648 5218984", "UTM"),
        ("TG 514 131", "British National Grid"),
        ("BNG 651409 313177", "British National Grid"),
        ("89VX4FF4+9P", "plus code"),
    ],
)
def test_each_grid_is_told_from_the_others(text: str, form: str) -> None:
    """With its name in the reading."""
    found = read_place(text)

    assert found is not None
    assert found.format == form
    assert f"({form}" in found.reading


@pytest.mark.parametrize(
    ("text", "accuracy_m"),
    [("geo:47.1,-20.5;u=35", 35), ("geo:47.1,-20.5;crs=wgs84;U=7.5", 7.5), ("geo:47.1234,-20.5432", None)],
)
def test_the_uncertainty_of_a_geo_address_is_its_accuracy(text: str, accuracy_m: float | None) -> None:
    """In metres; None where it says nothing."""
    found = read_place(text)

    assert found is not None
    assert found.accuracy_m == accuracy_m


def test_a_short_code_is_looked_for_near_a_site() -> None:
    """And refused without one."""
    short = writing.plus_code(SLIP)[4:]

    found = read_position(short, near=Position(47.1, -20.5))

    assert found is not None
    assert distance_m(found, SLIP) < 3
    with pytest.raises(PositionError, match="short plus code"):
        read_position(short)


@pytest.mark.parametrize(
    "text",
    [
        "\uff14\uff17.12345,-20.54321",
        "  47.12345 \u2212 20.54321 ".replace("\u2212 ", "\u2212"),
        "\u200147.12345,\u2003-20.54321",
        "89vx4ff4\uff0b9p",
    ],
)
def test_wide_digits_and_odd_blanks_do_not_matter(text: str) -> None:
    """Phones type them."""
    found = read_position(text)

    assert found is not None
    assert distance_m(found, SLIP) < 10


@pytest.mark.parametrize(
    "text",
    [
        *("OUT 123456", "123456", "482139", "482 139", "IN 482139", "OUT 2 731905", "IN LANTERN 50 P2", "P2"),
        *("+447700900123", "07700 900123", "+44 7700 900 123", "112", "OK 7K", "OK 7K 2", "SAFE 2", "LATE 20", "+15"),
        *("LANTERN", "LANTERN SLIP", "north slip", "NO", "BAY", "all 12", "yes 1", "Skerry Bay 2", "10:30", "D18"),
    ],
)
def test_words_codes_and_phone_numbers_are_no_positions(text: str) -> None:
    """Neither read nor refused."""
    assert read_place(text, SLIP) is None


def test_of_the_agreed_texts_only_those_of_a_position_are_one() -> None:
    """A text of any other kind, whole, is none."""
    with TEXTS.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))

    read = [row["text"] for row in rows if read_place(row["text"], SLIP)]

    assert read == [
        "geo:56.12345,-5.54321",
        "geo:0,0?q=56.12345,-5.54321(Lantern)",
        "https://maps.example/?q=56.12345,-5.54321",
    ]


def examples(heading: str, column: int) -> list[str]:
    """What stands in code signs in one column of the table under a heading of docs/positions.md."""
    section = EXPLAINED.split(f"## {heading}\n")[1].split("\n## ")[0]
    rows = [line.split("|")[column] for line in section.splitlines() if line.startswith("| ")]
    return [example for row in rows for example in re.findall("`([^`]+)`", row)]


@pytest.mark.parametrize("text", [t for t in examples("What is read", 2) if "..." not in t])
def test_each_example_of_the_page_is_read(text: str) -> None:
    """As a place off Skerry Bay, or on the National Grid as the tower of its guide."""
    found = read_position(text, near=SLIP)

    assert found is not None
    assert min(distance_m(found, SLIP), distance_m(found, Position(52.658, 1.716))) < 80


@pytest.mark.parametrize("text", examples("What is refused, and why", 1))
def test_each_refusal_of_the_page_is_one(text: str) -> None:
    """Not only unread."""
    with pytest.raises(PositionError):
        read_position(text)


@pytest.mark.parametrize("text", examples("What is written", 2))
def test_each_example_of_what_is_written_is_written(text: str) -> None:
    """By one of the writers, for the slip or for the tower."""
    tower = from_grid(651_409.5, 313_177.5)
    written = {
        writing.decimal(SLIP),
        writing.degrees_minutes(SLIP),
        writing.degrees_minutes_gsm(SLIP),
        writing.dms(SLIP),
        writing.utm(SLIP),
        writing.mgrs(SLIP),
        writing.national_grid(tower),
        writing.plus_code(SLIP),
        writing.geo_uri(SLIP, 35),
        writing.iso6709(SLIP),
    }

    assert text in written


@given(st.text(max_size=150), st.none() | st.just(SLIP))
def test_reading_never_breaks(text: str, near: Position | None) -> None:
    """Any text is a position, none, or refused."""
    try:
        found = read_place(text, near)
    except PositionError:
        return
    assert found is None or found.reading


SHAPED = st.from_regex(
    r"\A(mgrs |utm |bng |geo:|[NSEW] ?|[+-])?[0-9A-HJ-NP-Z]{1,3}[ ,.°'+]?[0-9A-Z]{0,6}[ ,.°'+;-]{0,2}[0-9]{0,7}"
    r"[ ,.]?[0-9]{0,7}[NSEW/]?\Z"
)


@given(SHAPED)
def test_what_is_nearly_a_position_is_read_or_refused_in_words(text: str) -> None:
    """No form leaves another kind of fault."""
    try:
        found = read_place(text, SLIP)
    except PositionError:
        return
    assert found is None or -90 <= found.position.lat <= 90


@pytest.mark.parametrize(
    ("position", "near", "swapped"),
    [
        (Position(-20.54321, 47.12345), SLIP, True),
        (SLIP, SLIP, False),
        (Position(47.5, -20.5), SLIP, False),
        (Position(10, 10), SLIP, False),
        (Position(10, 100), SLIP, False),
        (Position(-20.5, 47.1), Position(-20.5, 47.2), False),
    ],
)
def test_swapped_numbers_are_noticed_near_a_site(position: Position, near: Position, swapped: bool) -> None:  # noqa: FBT001
    """Far from it as they stand, and near it the other way about."""
    assert likely_swapped(position, near) == swapped


@pytest.mark.parametrize(
    ("position", "near", "swapped"),
    [
        (Position(45.3, 47), Position(47, 47), False),
        (Position(45.1, 47), Position(47, 47), True),
        (Position(-23.14, 47), Position(47, -20.54), True),
        (Position(-23.24, 47), Position(47, -20.54), False),
    ],
)
def test_two_hundred_kilometres_are_far(position: Position, near: Position, swapped: bool) -> None:  # noqa: FBT001
    """Beyond them as it stands, and within them the other way about."""
    assert likely_swapped(position, near) == swapped
