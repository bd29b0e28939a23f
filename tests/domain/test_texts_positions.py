"""Texts that hold a position, and texts that do not although they look a little like it."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place import writing
from service.domain.place.geodesy import distance_m
from service.domain.place.position import Position
from service.domain.texts import Kind, read

SLIP = Position(47.12345, -20.54321)
TOWER = Position(52.658006, 1.716076)

TEXTS = Path(__file__).parents[1] / "data" / "inbound_texts.csv"

UNMISTAKABLE = [
    "47.12345,-20.54321",
    "47 07.407N 020 32.593W",
    "geo:47.12345,-20.54321",
    "+47.12345-020.54321/",
    "27T WN 34647 18984",
    "27TWN3464718984",
    "27twn 3464 1898",
    "89VX4FF4+9P",
    "89vx4ff4+9pq",
]
ONLY_BEHIND_AT = [
    "27 north 534648 5218984",
    "27T 534648 5218984",
    "27 T WN 34647 18984",
    "47,12345 -20,54321",
]


@pytest.mark.parametrize("text", UNMISTAKABLE)
@pytest.mark.parametrize("frame", ["{}", "AT {}", "at: {}.", "We are at {} thanks", "Hi. My position is {}"])
def test_an_unmistakable_position_is_read_with_at_and_without(text: str, frame: str) -> None:
    """What holds of texts holds of positions in them: courtesies and stray signs do not matter."""
    intent = read(frame.format(text))

    assert intent.kind is Kind.POSITION
    assert intent.position is not None
    assert distance_m(Position(*intent.position), SLIP) < 15


@pytest.mark.parametrize("text", UNMISTAKABLE)
def test_an_unmistakable_position_is_read_behind_a_start_and_a_call_for_help(text: str) -> None:
    """`IN` with a code, and SOS."""
    start, call = read(f"IN 482139 {text}"), read(f"SOS {text}")

    assert (start.kind, start.code) == (Kind.START, "482139")
    assert (call.kind, call.note) == (Kind.RAISE_NOW, None)
    for intent in (start, call):
        assert intent.position is not None
        assert distance_m(Position(*intent.position), SLIP) < 15


@pytest.mark.parametrize("text", [*UNMISTAKABLE, *ONLY_BEHIND_AT])
def test_a_start_and_a_call_for_help_may_say_at(text: str) -> None:
    """As a text of its own may."""
    start, call = read(f"IN 482139 at {text}"), read(f"SOS we are at {text}")

    assert (start.kind, start.code) == (Kind.START, "482139")
    assert (call.kind, call.note) == (Kind.RAISE_NOW, None)
    for intent in (start, call):
        assert intent.position is not None
        assert distance_m(Position(*intent.position), SLIP) < 15


@pytest.mark.parametrize("text", ONLY_BEHIND_AT)
def test_what_may_be_something_else_is_a_position_only_behind_at(text: str) -> None:
    """Alone it is asked about."""
    intent = read(f"AT {text}")

    assert intent.kind is Kind.POSITION
    assert intent.position is not None
    assert distance_m(Position(*intent.position), SLIP) < 15
    assert read(text).kind is Kind.UNCLEAR


@pytest.mark.parametrize("text", ["TG 514 131", "TG 51409 13177", "tg5140913177", "TG514131"])
def test_a_national_grid_reference_is_read_only_behind_at(text: str) -> None:
    """Two letters and figures may be a site or a car's number."""
    intent = read(f"AT {text}")

    assert intent.kind is Kind.POSITION
    assert intent.position is not None
    assert distance_m(Position(*intent.position), TOWER) < 71
    assert read(text).kind is Kind.UNCLEAR


def test_the_square_ta_is_no_courtesy() -> None:
    """Nor is it lost behind one."""
    intent = read("Hi. AT TA 123 456 ta")

    assert intent.kind is Kind.POSITION
    assert intent.position is not None
    assert distance_m(Position(*intent.position), Position(*read("AT TA 1230 4560").position or (0, 0))) < 100


@pytest.mark.parametrize(
    "text",
    [
        "AT TG 51 13",
        "AT 47.1,-20.5",
        "47.1 -20.5",
        "AT 47N 20W",
        "AT 27T WN 34 18",
        "AT 27TWN",
        "AT 89VX0000+",
        "AT 89VX4F00+",
        "AT F4+9P",
        "AT 4FF4+",
        "4FF4+9P",
        "AT 27 S 534648 3900000",
        "AT 47 07.407 20 32.593",
        "AT 97.12345,-20.54321",
        "AT 47.12345",
        "AT 482139",
        "AT OUT 482139",
        "AT BAY 123456",
        "AT ZAH 1234 5678",
        "AT YES 12345678",
        "AT OK 7K",
        "AT LANTERN",
    ],
)
def test_what_is_coarse_ambiguous_or_none_is_no_position(text: str) -> None:
    """What may be kilometres off is rather a slip, and what names no place is none."""
    intent = read(text)

    assert intent.kind is not Kind.POSITION
    assert intent.position is None


@pytest.mark.parametrize(
    ("text", "kind", "accuracy_m"),
    [
        ("AT 47.12,-20.54", Kind.POSITION, 673),
        ("47 07N 020 32W", Kind.POSITION, 1121),
        ("SOS 47.12,-20.54", Kind.RAISE_NOW, 673),
        ("IN 482139 47.12,-20.54", Kind.START, 673),
        ("IN 482139 47.1,-20.5", Kind.START, 6730),
        ("geo:47.12345,-20.54321;u=250", Kind.POSITION, 250),
        ("AT 47.12345,-20.54321", Kind.POSITION, None),
        ("AT 27T WN 346 189", Kind.POSITION, None),
    ],
)
def test_a_rounded_position_carries_how_far_it_may_be_off(text: str, kind: Kind, accuracy_m: float | None) -> None:
    """Whoever looks for them must not be sent to a point; a start is one however roughly it says where."""
    intent = read(text)

    assert intent.kind is kind
    assert intent.position is not None
    assert intent.accuracy_m == (None if accuracy_m is None else pytest.approx(accuracy_m, rel=0.01))


def test_a_position_that_is_too_rough_is_answered_with_how_far_it_may_be_off() -> None:
    """Whoever has it before their eyes can give more of it."""
    intent = read("AT 47.1,-20.5")

    assert intent.near is Kind.POSITION
    assert intent.trouble == (
        "decimal degrees so short may be 6732 m off: give more figures, or latitude and longitude"
    )


@pytest.mark.parametrize(
    "text",
    ["22222222+22", "77009001+23", "4 men 123456", "2 sup 1234", "NO 482139", "SU 482139", "all 123456", "31 N 482139"],
)
def test_words_and_numbers_alone_are_no_position(text: str) -> None:
    """Although a form of position could be seen in each."""
    assert read(text).position is None


def test_the_agreed_texts_are_as_agreed() -> None:
    """No form of position takes a text away from its kind."""
    with TEXTS.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            intent = read(row["text"])
            assert (row["text"], intent.kind.value) == (row["text"], row["intent"])
            assert (intent.position is not None) == ("position" in row["fields"])


@given(
    st.sampled_from([
        *("OUT {}", "{}", "IN {}", "SAFE {}", "OK {}", "LATE {}", "called {}", "PLAN LANTERN {} 50 P2", "+44{}"),
        *("NO {}", "TA {}", "ref {}", "all {} out", "{} out", "late til {}"),
    ]),
    st.from_regex(r"\A[0-9A-Z]{1,2} ?[0-9]{0,10}\Z", fullmatch=True),
)  # fmt: skip
def test_codes_counts_and_references_are_never_positions(frame: str, number: str) -> None:
    """Whatever their figures and letters."""
    assert read(frame.format(number)).position is None


FORMS = [
    *(writing.decimal, writing.degrees_minutes, writing.degrees_minutes_gsm, writing.dms, writing.utm),
    *(writing.mgrs, writing.plus_code, writing.geo_uri, writing.iso6709),
]


@given(st.sampled_from(FORMS), st.builds(Position, st.floats(-79.99, 83.99), st.floats(-180, 180)))
def test_whatever_we_write_can_be_texted_back(write: Callable[[Position], str | None], position: Position) -> None:
    """Behind `AT`, within the precision of the form and the six places that a text keeps."""
    intent = read(f"AT {write(position)}")

    assert intent.kind is Kind.POSITION
    assert intent.position is not None
    assert distance_m(Position(*intent.position), position) < 2.4


@pytest.mark.parametrize("text", ["1" * 201, "AT " + "47.12345,-20.54321" + " at the slip" * 20])
def test_a_long_text_is_no_position(text: str) -> None:
    """A position is short."""
    assert read(text).position is None
