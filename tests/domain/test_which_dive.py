"""The question which dive is meant names each by what people know it by, as far as there is room."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.dive import Dive, Phase
from service.domain.encoding import is_gsm7, segments
from service.domain.language import LANGUAGES, render
from service.domain.wording.which_dive import LISTED_MAX, Choice, how_it_stands, which_dive
from tests.domain.builders import PLAN, at, filed, in_water
from tests.domain.heart_strategies import LONG_CLUB, LONG_NAMES, LONG_SITE

CLUB = "Skerry Bay Divers"
REFS = ("7K", "2A", "4D", "9X", "3C")


def choices(number: int, verb: str = "OUT", site: str = "Lantern Cove", lead: str = "Anna Holt") -> list[Choice]:
    """So many dives, all of them due at one time."""
    due = how_it_stands(in_water().dive, at())
    return [Choice(f"{verb} {ref}", site, "LANTERN", lead, due) for ref in REFS[:number]]


def test_each_dive_is_named_by_site_lead_and_time() -> None:
    """In one text, where there are two."""
    assert which_dive(CLUB, choices(2)) == (
        "Skerry Bay Divers: which dive? Nothing changed."
        " Text OUT 7K (Lantern Cove, Anna Holt, due 10:50) or OUT 2A (Lantern Cove, Anna Holt, due 10:50)."
    )


@pytest.mark.parametrize(
    ("choice", "named"),
    [
        pytest.param(Choice("OUT 7K"), "OUT 7K or", id="nothing is known"),
        pytest.param(Choice("OUT 7K", "Lantern Cove"), "OUT 7K (Lantern Cove) or", id="it cannot be read"),
        pytest.param(
            Choice("OUT 7K", "Lantern Cove", "LANTERN", "", how_it_stands(filed().dive, at())),
            "OUT 7K (Lantern Cove, not started) or",
            id="their own",
        ),
    ],
)
def test_what_is_not_known_is_left_out(choice: Choice, named: str) -> None:
    """Nobody reads empty brackets, nor their own name."""
    assert named in which_dive(CLUB, [choice, Choice("OUT 2A")])


def stands() -> list[tuple[Dive, str]]:
    """A dive in each state, and how it stands at the start of the day."""
    waits, runs = filed().dive, in_water().dive
    planned = replace(waits, plan=replace(PLAN, time_in_at=at(90)))
    over = replace(runs, phase=Phase.CLOSED, closed_at=at(45))
    return [
        (waits, "not started"),
        (planned, "planned 11:30"),
        (runs, "due 10:50"),
        (replace(runs, phase=Phase.ALERT), "due 10:50"),
        (over, "over 10:45"),
    ]


@pytest.mark.parametrize(("dive", "words"), stands(), ids=[words for _, words in stands()])
def test_a_dive_is_known_by_the_time_that_its_people_wait_for(dive: Dive, words: str) -> None:
    """Whatever its phase."""
    assert render(how_it_stands(dive, at())) == words


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("number", range(2, LISTED_MAX + 2))
def test_all_of_them_are_told_apart_in_two_segments_in_every_language(language: str, number: int) -> None:
    """At most four, and each with its time; of two in one segment."""
    asked = which_dive(CLUB, choices(number, "SAFE 99"), language)

    assert is_gsm7(asked)
    assert len(segments(asked).parts) <= (1 if number == 2 else 2), asked
    assert asked.count("10:50") == min(number, LISTED_MAX)
    assert asked.count("Anna") == min(number, LISTED_MAX)
    assert REFS[LISTED_MAX] not in asked


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("away", [timedelta(), timedelta(days=9)], ids=["today", "on another day"])
def test_with_the_longest_names_their_times_are_left(language: str, away: timedelta) -> None:
    """What does not fit is dropped from the least important end, and no name is cut."""
    due = how_it_stands(in_water().dive, at() + away)
    long = [Choice(f"LATE 120 {ref}", LONG_SITE, "LANTERN", LONG_NAMES[0], due) for ref in REFS]

    asked = which_dive(LONG_CLUB, long, language)

    assert is_gsm7(asked)
    assert len(segments(asked).parts) <= 2
    assert asked.count("10:50") == LISTED_MAX
    assert asked.startswith((LONG_CLUB, "Linetender: "))


def test_where_nothing_fits_the_texts_alone_are_left() -> None:
    """A club may write its references as long as it likes: what to text is never dropped."""
    long = [Choice(f"OUT {ref} {'and so on ' * 7}".strip(), LONG_SITE, "L", "Anna", None) for ref in REFS]

    asked = which_dive(CLUB, long)

    assert "OUT 7K" in asked
    assert "(" not in asked
