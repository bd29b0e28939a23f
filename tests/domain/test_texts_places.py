"""Texts about places that are no position: questions for one, the pack, on scene, short codes, and slips."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.texts import Intent, Kind, read
from tests.domain.readings import given_fields

ASKED = [
    *("WHERE", "where?", "Where are they?", "where are they now", "WHERE ARE THE DIVERS", "where is it", "7K where"),
    *("position?", "POS", "pos?", "Position please", "their position", "last known position?", "location?"),
    *("what's their position", "whats the position?", "where did they go in?", "Where were they"),
]
PACK = ["PACK", "pack?", "the pack", "The pack please", "handover", "HANDOVER?", "hand over", "send me the pack"]
ON_SCENE = [
    *("ON SCENE", "on scene.", "I'm on scene now", "im at the site", "I am at the site", "at the site now"),
    *(
        "we are at the site",
        "At site",
        "arrived at the site",
        "I have arrived on scene",
        "on site",
        "we're on the scene",
    ),
]


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        *((text, Kind.WHERE) for text in ASKED),
        *((text, Kind.PACK) for text in PACK),
        *((text, Kind.ON_SCENE) for text in ON_SCENE),
    ],
)
def test_what_contacts_ask_and_say_of_places_is_read(text: str, kind: Kind) -> None:
    """With and without a question mark, and with the reference of a dive."""
    assert read(text).kind is kind


@pytest.mark.parametrize(("verb", "kind"), [("WHERE", Kind.WHERE), ("PACK", Kind.PACK), ("ON SCENE", Kind.ON_SCENE)])
@pytest.mark.parametrize("ref", ["{} 7K", "{} 7k", "{} ref 7 k", "7K {}", "{} dive 7K please"])
def test_the_dive_is_named_by_its_reference(verb: str, kind: Kind, ref: str) -> None:
    """As with every other answer of a contact."""
    assert read(ref.format(verb)) == Intent(kind=kind, ref="7K")


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("on scene?", Kind.ON_SCENE),
        ("is anyone at the site", Kind.ON_SCENE),
        ("who is on scene", Kind.ON_SCENE),
        ("not on scene yet", Kind.ON_SCENE),
        ("where is Bram", Kind.WHERE),
        ("where exactly", Kind.WHERE),
        ("can I have the pack", Kind.PACK),
        ("at the beach", Kind.POSITION),
        ("at the scene tomorrow", Kind.ON_SCENE),
        ("position of the car", Kind.POSITION),
    ],
)
def test_what_is_only_like_it_is_asked_about(text: str, near: Kind) -> None:
    """Nobody is taken to be at the site because they ask who is."""
    assert read(text) == Intent(kind=Kind.UNCLEAR, near=near)


@pytest.mark.parametrize("text", ["at the site, cannot find them", "on scene nobody here they are missing"])
def test_trouble_at_the_site_is_trouble(text: str) -> None:
    """What is none of the forms and has a word of trouble in it raises the alarm as ever."""
    assert read(text).kind is Kind.WORRY


@pytest.mark.parametrize(
    "text", ["AT 4FF4+9P", "at 4ff4+9p.", "Hi. We are at VX4FF4+9P? ".replace("?", ""), "pos 4FF4+9PM"]
)
def test_a_short_plus_code_behind_at_waits_for_its_site(text: str) -> None:
    """Reading knows no place; the operation puts it near the site of the sender's dive."""
    intent = read(text)

    assert (intent.kind, intent.position) == (Kind.POSITION, None)
    assert intent.short_code is not None
    assert intent.short_code.removeprefix("VX").startswith("4FF4+9P")


def test_a_short_plus_code_comes_with_a_start_and_a_call_for_help() -> None:
    """A contact who is quoted the call hears the code as well: it is all there is until it is put in its place."""
    assert read("IN 482139 at 4FF4+9P") == Intent(kind=Kind.START, code="482139", short_code="4FF4+9P")
    assert read("SOS at 4FF4+9P") == Intent(kind=Kind.RAISE_NOW, short_code="4FF4+9P", note="at 4FF4+9P")


WRONG = {
    "AT 91 N 20 W": "latitude 91 is impossible: it goes from 90 south to 90 north",
    "at 91 N 5 W": "latitude 91 is impossible: it goes from 90 south to 90 north",
    "geo:91,5": "latitude 91 is impossible: it goes from 90 south to 90 north",
    "AT 56.1": "56.1 is one number: give latitude and longitude, as in 47.12345,-20.54321 or 47 07.407N 020 32.593W",
    "AT 47 75.1N 20 10.1W": "minutes and seconds go up to 59, not 75.1, in 47 75.1",
    "We are at 47 07.407 20 32.593 thanks": (
        "the hemispheres of 47 07.407 20 32.593 are not known: write it as 47.12345,-20.54321 or 47 07.407N 020 32.593W"
    ),
    "AT 27TWN": "27T WN is a square of 100 km: add its figures, as in 27T WN 34647 18984",
    "AT 27T WN 34 18": "MGRS so short may be 707 m off: give more figures, or latitude and longitude",
    "AT 97.12345,-20.54321": (
        "latitude 97.1235 is impossible: it goes from 90 south to 90 north; latitude comes first, so look whether the"
        " two numbers are swapped"
    ),
}


@pytest.mark.parametrize(("text", "trouble"), WRONG.items(), ids=list(WRONG))
def test_a_position_that_cannot_be_says_why(text: str, trouble: str) -> None:
    """It is unclear and nothing is guessed, but the answer can say what is wrong."""
    assert read(text) == Intent(kind=Kind.UNCLEAR, near=Kind.POSITION, trouble=trouble)


@pytest.mark.parametrize("text", ["at lantern", "AT 482139", "AT BAY 123456", "AT " + "1" * 250 + ".5", "91 N 20 W"])
def test_what_is_not_like_a_position_gets_no_lesson_about_positions(text: str) -> None:
    """Only `at` makes it one."""
    assert read(text).trouble is None


@given(st.sampled_from(["at the site {}", "on scene {}", "where {}", "pack {}"]), st.text(min_size=1, max_size=30))
def test_these_forms_stop_no_clock_whatever_follows(frame: str, tail: str) -> None:
    """The closing kinds are never read out of them."""
    found: dict[str, Any] = given_fields(intent := read(frame.format(tail)))

    assert intent.kind not in (Kind.FINISH, Kind.SAFE, Kind.CALL_OFF, Kind.OPT_OUT), found
