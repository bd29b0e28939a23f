"""Cross-checks of a plan: when each speaks, in what words, and what could not be checked."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.cross_checks import CAUTION, CrossCheck, CrossCheckInput, cross_checks
from service.domain.gas import GasPlan
from service.domain.place.daylight import Light, light_at
from service.domain.place.position import Position
from service.domain.place.tide import TidalExtreme

ENTRY = Position(47.12, -20.54)
TIME_IN = datetime(2027, 6, 1, 9, tzinfo=UTC)
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
GAS = GasPlan(cylinder_l=12, fill_bar=200, reserve_bar=50, surface_rate_l_min=20)  # at 10 m 45 min, at 5 m an hour
TIDES = (
    TidalExtreme(TIME_IN - 2 * HOUR, 1.0, high=False),
    TidalExtreme(TIME_IN + 4 * HOUR, 5.0, high=True),
    TidalExtreme(TIME_IN + 10 * HOUR, 1.0, high=False),
)
NOTHING = CrossCheckInput(run_time=timedelta(minutes=50), zone="Europe/London")


def timed(time_in_at: datetime, run_min: float = 50, grace_min: float = 15) -> CrossCheckInput:
    """A dive with its times, and all else well: shallow, plenty of gas, warm water, in the middle of a day."""
    due_out_at = time_in_at + run_min * MINUTE
    return CrossCheckInput(
        run_time=run_min * MINUTE,
        zone="Europe/London",
        time_in_at=time_in_at,
        due_out_at=due_out_at,
        raise_by_at=due_out_at + grace_min * MINUTE,
        depth_m=5,
        gas=GAS,
        entry=ENTRY,
        water_c=24,
        tides=TIDES,
    )


WELL = timed(TIME_IN)


def said(given_: CrossCheckInput, field: str) -> list[CrossCheck]:
    """What is said about one field."""
    return [check for check in cross_checks(given_) if check.field == field]


def the_light(given_: CrossCheckInput) -> str:
    """The one thing that is said of the light; empty for nothing."""
    return " ".join(check.words for check in said(given_, "time_in") if "Tide" not in check.words)


def test_of_a_plan_with_nothing_wrong_only_the_tide_is_told() -> None:
    """Everything was given and is well; the tide is always worth knowing."""
    (tide,) = cross_checks(WELL)

    assert tide == CrossCheck(
        field="time_in",
        words=(
            "Tide 2.0 m and rising at time in 10:00, 2.8 m and rising at due out 10:50. Wind and air pressure move it."
            " Source: half-sine between the high and low waters entered."
            " A cross-check only: computers, tables and training decide."
        ),
        source="half-sine between the high and low waters entered",
    )


def test_what_was_not_given_is_one_line_at_the_end() -> None:
    """Every check that could not be made, with the input that would allow it."""
    (closing,) = cross_checks(NOTHING)

    assert closing.field == "cross_checks"
    assert closing.words == (
        "Not cross-checked: gas (needs gas and depth); no-stop limit (needs depth); light (needs time in and position"
        " of the entry); tide (needs time in and high and low waters); cold water (needs water temperature)."
    )
    assert closing.missing == (
        *("gas", "depth", "time in", "position of the entry", "high and low waters", "water temperature"),
    )


ONE_MISSING = {
    "gas": (replace(WELL, gas=None), "gas (needs gas)", ("gas",)),
    "depth": (replace(WELL, depth_m=None), "gas (needs depth); no-stop limit (needs depth)", ("depth",)),
    "entry": (replace(WELL, entry=None), "light (needs position of the entry)", ("position of the entry",)),
    "tides": (replace(WELL, tides=()), "tide (needs high and low waters)", ("high and low waters",)),
    "water": (replace(WELL, water_c=None), "cold water (needs water temperature)", ("water temperature",)),
    "times": (
        replace(WELL, time_in_at=None, due_out_at=None, raise_by_at=None),
        "light (needs time in); tide (needs time in)",
        ("time in",),
    ),
    "tides of that day": (
        replace(WELL, tides=(TidalExtreme(TIME_IN + 10 * HOUR, 1, high=False),)),
        "tide (needs high and low waters around the dive)",
        ("high and low waters around the dive",),
    ),
    "a tide at the end": (
        replace(WELL, tides=(TIDES[0], replace(TIDES[1], at=TIME_IN + HOUR / 2))),
        "tide (needs high and low waters at due out)",
        ("high and low waters at due out",),
    ),
}


@pytest.mark.parametrize(("given_", "words", "missing"), ONE_MISSING.values(), ids=ONE_MISSING)
def test_one_missing_input_is_named(given_: CrossCheckInput, words: str, missing: tuple[str, ...]) -> None:
    """Only the checks that want it are listed."""
    closing = cross_checks(given_)[-1]

    assert closing.words == f"Not cross-checked: {words}."
    assert closing.missing == missing


def test_a_tide_that_is_known_at_one_end_is_told_there() -> None:
    """Half an answer is better than none, and says which half."""
    given_ = replace(WELL, tides=(TIDES[0], replace(TIDES[1], at=TIME_IN + HOUR / 2)))

    tide, _closing = cross_checks(given_)
    assert "rising at time in 10:00." in tide.words
    assert "due out" not in tide.words
    assert tide.missing == ()


@pytest.mark.parametrize(("run_min", "speaks"), [(45, False), (45.1, True), (46, True)])
def test_gas_speaks_when_it_is_shorter_than_the_run_time(run_min: float, *, speaks: bool) -> None:
    """At 10 m this gas lasts 45 minutes to its reserve."""
    found = said(replace(timed(TIME_IN, run_min), depth_m=10), "gas")

    assert bool(found) is speaks


def test_gas_says_how_long_at_what_depth_and_by_which_rule() -> None:
    """Figures, limits, source and caution."""
    (found,) = said(replace(WELL, depth_m=10), "gas")

    assert found.words == (
        "At 10 m the gas given lasts about 45 min to its reserve, less than the run time of 50 min."
        " It takes all of the dive to be at that depth. Source: Boyle's law, 10 m of sea water to 1 bar."
        " A cross-check only: computers, tables and training decide."
    )


@pytest.mark.parametrize(("run_min", "speaks"), [(48, False), (48.1, True)])
def test_the_no_stop_limit_speaks_when_the_run_time_is_longer(run_min: float, *, speaks: bool) -> None:
    """At 20 m the table has 48 minutes."""
    assert bool(said(replace(timed(TIME_IN, run_min), depth_m=20), "depth_m")) is speaks


def test_the_no_stop_limit_says_what_it_takes_for_granted() -> None:
    """The whole run time as bottom time, on air, of a first dive."""
    (found,) = said(replace(WELL, depth_m=20), "depth_m")

    assert found.words == (
        "At 20 m the air table has 48 min without decompression stops, and the run time is 50 min."
        " It takes all of the run time as bottom time, on air, of a first dive."
        " Source: US Navy Diving Manual, revision 7, table 9-7."
        " A cross-check only: computers, tables and training decide."
    )


def test_below_the_table_there_is_no_time_without_stops() -> None:
    """A depth past its last row."""
    (found,) = said(replace(WELL, depth_m=60), "depth_m")

    assert "has no time without decompression stops" in found.words


def test_cold_water_is_told_with_its_sources() -> None:
    """The guidance for the temperature, with the caution."""
    (found,) = said(replace(WELL, water_c=8.5), "water_c")

    assert found.words.startswith("Water of 8.5 °C: Cold shock")
    assert "guidance, not absolute" in found.words
    assert found.source in found.words
    assert found.words.endswith(CAUTION)


# At Skerry Bay on 1 June 2027 the sun sets a little after 21:00 UTC, which is 22:00 at the site.
EVENING: Light = light_at(ENTRY, datetime(2027, 6, 1, 18, tzinfo=UTC))


def ending(at: datetime | None, minutes: float, run_min: float = 50, grace_min: float = 15) -> CrossCheckInput:
    """A dive that is due out so many minutes after `at`."""
    assert at is not None
    return timed(at + (minutes - run_min) * MINUTE, run_min, grace_min)


def test_a_dive_in_the_middle_of_a_day_hears_nothing_of_light() -> None:
    """Hours of light are left after the raise-by time."""
    assert the_light(WELL) == ""


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        (ending(EVENING.civil_dusk_at, -76), ""),
        (ending(EVENING.civil_dusk_at, -74), "59 min after the raise-by time: little light for a search."),
        (ending(EVENING.civil_dusk_at, -46, grace_min=45), "1 min after the raise-by time"),
        (ending(EVENING.civil_dusk_at, -46, grace_min=47), "before the raise-by time: an overdue search would begin"),
        (ending(EVENING.sunset_at, 1), "The sun has set by due out"),
        (ending(EVENING.civil_dusk_at, -1), "The sun has set by due out"),
        (ending(EVENING.civil_dusk_at, 1), "It is dark at due out"),
        (ending(EVENING.civil_dawn_at, -1), "It is dark at due out"),
        (ending(EVENING.civil_dawn_at, 1), ""),
    ],
    ids=["over an hour", "under an hour", "a minute", "grace", "sunset", "twilight", "dark", "before dawn", "dawn"],
)
def test_light_speaks_when_a_search_would_run_out_of_it(given_: CrossCheckInput, words: str) -> None:
    """From an hour of light after the raise-by time down to a dive in the night; the morning is well."""
    assert words in the_light(given_)
    assert bool(the_light(given_)) is bool(words)


def test_times_of_light_are_those_of_the_sites_clock() -> None:
    """Dusk of 21:38 UTC is 22:38 at a site in summer time; what is next day's is named by its day."""
    told = the_light(ending(EVENING.civil_dusk_at, 1))

    assert told.startswith("It is dark at due out 22:")
    assert "dawn is at Wed 2 Jun 0" in told
    assert "Hills, cloud and fog make it darker. Source: sunset and civil twilight" in told


def test_without_a_raise_by_time_the_light_is_counted_from_due_out() -> None:
    """A dive whose grace period is not yet known."""
    given_ = replace(ending(EVENING.civil_dusk_at, -59), raise_by_at=None)

    assert "59 min after the raise-by time" in the_light(given_)


def test_a_polar_night_has_no_dawn_to_wait_for() -> None:
    """Far north in December it is dark, and stays so."""
    given_ = replace(timed(datetime(2027, 12, 21, 9, tzinfo=UTC)), entry=Position(85, 10), tides=())

    assert "and no dawn within a day" in the_light(given_)


def test_a_polar_day_is_light_enough() -> None:
    """Far north in June no dusk comes."""
    given_ = replace(timed(datetime(2027, 6, 21, 22, tzinfo=UTC)), entry=Position(75, 10), tides=())

    assert the_light(given_) == ""


inputs = st.builds(
    CrossCheckInput,
    run_time=st.timedeltas(timedelta(minutes=5), timedelta(hours=6)),
    zone=st.sampled_from(["Europe/London", "Pacific/Kiritimati", "America/St_Johns", "UTC"]),
    time_in_at=st.none() | st.datetimes(datetime(1901, 1, 1), datetime(2099, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001 - zone is added
    depth_m=st.none() | st.floats(0.1, 100),
    gas=st.none() | st.just(GAS),
    entry=st.none() | st.builds(Position, st.floats(-90, 90), st.floats(-180, 180)),
    tides=st.sampled_from([(), TIDES]),
    water_c=st.none() | st.floats(-2, 40),
)


@given(inputs, st.floats(5, 60))
def test_whatever_is_given_every_line_is_a_whole_sentence_with_its_caution(
    given_: CrossCheckInput, grace_min: float
) -> None:
    """No place, day or depth is an error; all but the closing line name a source and say that it is a cross-check."""
    start = given_.time_in_at
    if start is not None:
        due_out_at = start + given_.run_time
        given_ = replace(given_, due_out_at=due_out_at, raise_by_at=due_out_at + grace_min * MINUTE)

    checks = cross_checks(given_)

    told = [check for check in checks if check.field != "cross_checks"]
    assert all(check.words.endswith(CAUTION) and check.source in check.words for check in told)
    assert all(check.source and not check.missing for check in told)
    assert all("None" not in check.words and "!" not in check.words for check in checks)
    assert all(check.missing for check in checks if check not in told)
    assert [check.field for check in checks].count("cross_checks") <= 1
