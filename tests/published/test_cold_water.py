"""What is said about cold water, against the publications that it is from.

Sources:
[1] FM 21-76, US Army Survival Manual, figure 16-7 (the borders of its bands)
[2] the table reprinted under the name "United States Search and Rescue Task Force" (tahoebuoydive.com; foxnews.com,
    25 November 2005); not a federal publication
[3] Transport Canada, TP 13822 (2003), executive summary 2(a)
[4] the 1-10-1 rule (G. Giesbrecht; coldwaterbootcampusa.org, raems.com)
[5] National SAR Manual, COMDTINST M16120.5A, volume I (1991), figure 4-1 and section D: "guidelines, not absolute
    factors"
"""

from __future__ import annotations

import re

import pytest

from service.domain.cold_water import Guidance, cold_water_guidance


def at_f(fahrenheit: float) -> Guidance:
    """The guidance for a temperature as the sources give it."""
    return cold_water_guidance((fahrenheit - 32) * 5 / 9)


@pytest.mark.parametrize(
    ("coldest_f", "warmest_f", "words"),
    [
        (29, 32, "in less than 15 minutes"),
        (32.5, 40, "after 15 to 30 minutes"),
        (40.01, 50, "after 30 to 60 minutes"),
        (60.01, 70, "after 2 to 7 hours"),
    ],
)
def test_exhaustion_without_a_suit(coldest_f: float, warmest_f: float, words: str) -> None:
    """[2] The times to exhaustion or unconsciousness of each band, from end to end."""
    for fahrenheit in (coldest_f, (coldest_f + warmest_f) / 2, warmest_f):
        assert f"exhaustion or unconsciousness may come {words}" in at_f(fahrenheit).words


def test_warm_water_has_no_time_to_exhaustion() -> None:
    """[2] Over 80 F the table gives none."""
    assert not at_f(80.1).is_cold
    assert "exhaustion" not in at_f(80.1).words


@pytest.mark.parametrize("colder_c", [4.4, 10.0, 15.5], ids=["40 F", "50 F", "60 F"])
def test_the_bands_change_where_the_manuals_do(colder_c: float) -> None:
    """[1] Its borders at 4.5, 10 and 15.5 C (40, 50 and 60 F): what is said changes within two tenths of a degree."""
    assert cold_water_guidance(colder_c) != cold_water_guidance(colder_c + 0.2)


def test_the_warmest_band_reaches_to_21_degrees() -> None:
    """[1] The figure begins at 21.0 C."""
    assert cold_water_guidance(21.0).is_cold


@pytest.mark.parametrize("water_c", [-1, 4, 8, 15])
def test_the_stages_come_in_their_order(water_c: float) -> None:
    """[3] Cold shock in the first minutes, then swimming failure; [4] one minute, ten minutes, one hour."""
    words = cold_water_guidance(water_c).words

    stages = ["Cold shock", "first minutes", "swimming", "1 minute", "10 minutes", "1 hour", "consciousness"]
    places = [words.index(stage) for stage in stages]
    assert places == sorted(places)


@pytest.mark.parametrize("water_c", range(-2, 21))
def test_no_time_is_a_reason_to_give_up(water_c: float) -> None:
    """[5] Guidelines, no absolute factors; no survival time, and what a suit does is said with it."""
    words = cold_water_guidance(water_c).words

    assert "guidance, not absolute" in words
    assert "a suit changes everything" in words
    assert not re.search(r"surviv|death|die\b|dead|expectancy|too late|give up", words, re.IGNORECASE)
