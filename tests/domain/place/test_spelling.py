"""Words to read out over a phone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place import writing
from service.domain.place.position import Position
from service.domain.place.spelling import spell, spell_position

SLIP = Position(47.12345, -20.54321)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ""),
        (" , ", ""),
        ("TG 51409 13177", "Tango Golf, five one four zero nine, one three one seven seven"),
        ("27t wn", "two seven Tango, Whiskey November"),
        ("8FVC2222+22", "eight Foxtrot Victor Charlie two two two two plus two two"),
        ("47.1,-20.5", "four seven decimal one, minus two zero decimal five"),
        ("47.1 N, 20.5 W", "four seven decimal one north, two zero decimal five west"),
        ("47.1N 20.5W", "four seven decimal one north, two zero decimal five west"),
        ("47° N 20° E", "four seven degrees north, two zero degrees east"),
        ("07.4'N 32.6'W", "zero seven decimal four minutes north, three two decimal six minutes west"),
        ('24.4"S', "two four decimal four seconds south"),
        ("7K N", "seven Kilo, November"),
        ("27N 534648", "two seven November, five three four six four eight"),
        ("31 north 534648", "three one north, five three four six four eight"),
        ("south", "south"),
        ("N 47", "November, four seven"),
        ("47.1N2", "four seven decimal one November two"),
        ("geo:1", "Golf Echo Oscar colon one"),
        ("1/2", "one slash two"),
        ("٣", "three"),
        ("é*", "latin small letter e with acute asterisk"),
        ("\x00", "unknown sign"),
        ("ß", "latin small letter sharp s"),
    ],
)
def test_every_character_has_its_word(text: str, words: str) -> None:
    """Digits one by one, letters by the alphabet, hemispheres in words where they are meant, groups with a pause."""
    assert spell(text) == words


def test_primes_are_minutes_and_seconds() -> None:
    """As in the form for people of ISO 6709."""
    assert spell(writing.dms(Position(47.5, -20.25), places=0)) == (
        "four seven degrees three zero minutes zero zero seconds north,"
        " two zero degrees one five minutes zero zero seconds west"
    )


def test_a_position_is_said_in_degrees_and_minutes() -> None:
    """As marine radio has it."""
    assert spell_position(SLIP) == (
        "four seven degrees, zero seven decimal four zero seven minutes north,"
        " zero two zero degrees, three two decimal five nine three minutes west"
    )


@given(st.builds(Position, st.floats(-90, 90), st.floats(-180, 180)))
def test_every_position_is_said_in_full(position: Position) -> None:
    """Seven digits of latitude and eight of longitude, each with its hemisphere."""
    words = spell_position(position).replace(",", "").split()

    figures = {"zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"}
    assert sum(word in figures for word in words) == 15
    assert words.count("decimal") == 2
    assert {"north", "south"} & set(words)
    assert words[-1] in ("east", "west")


@given(st.text(max_size=60))
def test_anything_can_be_spelled(text: str) -> None:
    """Whatever is in it."""
    assert bool(spell(text)) == bool(text.replace(",", "").split())
