"""A plan may name its day beside its time; a day that may be two is none, and a site may be called like one."""

from __future__ import annotations

from datetime import date

import pytest

from service.domain.texts import Intent, Kind, read
from service.domain.texts.days import date_of

TUESDAY = date(2027, 6, 1)


def plan(day: str | None, site: str = "LANTERN", time_in: str = "10:00") -> Intent:
    """The reading of a plan of two for fifty minutes."""
    return Intent(kind=Kind.PLAN, site=site, time_in=time_in, minutes=50, count=2, day=day)


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("PLAN LANTERN TOMORROW 1000 50 P2", "TOMORROW"),
        ("plan lantern 1000 tomorrow 50 p2", "TOMORROW"),
        ("plan tomorrow 10:00 lantern 50 p2", "TOMORROW"),
        ("plan lantern tomorrow at 10am 50 p2", "TOMORROW"),
        ("plan lantern 10 am tomorrow 50 p2", "TOMORROW"),
        ("plan lantern tomorrow 10 am 50 p2", "TOMORROW"),
        ("Plan lantern on Saturday 1000 50min 2 divers", "SATURDAY"),
        ("plan lantern 1000 on sat 50 p2", "SAT"),
        ("plan lantern today 1000 50 p2", "TODAY"),
        ("plan lantern tonight 10:00 50 p2", "TONIGHT"),
        ("plan lantern morgen um 10:00 50 p2", "MORGEN"),
        ("plan lantern 10:00 am Samstag 50 p2", "SAMSTAG"),
        ("plan lantern demain 10:00 50 p2", "DEMAIN"),
        ("plan lantern mañana a 10:00 50 p2", "MAÑANA"),
        ("plan lantern miércoles 1000 50 p2", "MIÉRCOLES"),
        ("plan lantern domani alle 1000 50 p2", "DOMANI"),
        ("plan lantern lunedì 1000 50 p2", "LUNEDÌ"),
    ],
)
def test_a_day_beside_the_time_is_the_day(text: str, day: str) -> None:
    """Before it or behind it, in five languages."""
    assert read(text) == plan(day)


def test_a_time_of_three_figures_is_one_beside_a_day_too() -> None:
    """As without it."""
    assert read("plan lantern tomorrow 930 50 p2") == plan("TOMORROW", time_in="09:30")


@pytest.mark.parametrize(
    ("text", "site"),
    [
        ("plan sunday 1000 50 p2", "SUNDAY"),
        ("plan sunday cove 1000 50 p2", "SUNDAY COVE"),
        ("plan friday point 50 p2 1000", "FRIDAY POINT"),
    ],
)
def test_a_site_may_be_called_like_a_day(text: str, site: str) -> None:
    """Where it does not stand beside the time, or where no other site is left."""
    assert read(text) == plan(None, site)


@pytest.mark.parametrize(
    "text",
    [
        "PLAN LANTERN TOMORROW 1000",
        "plan lantern tomorrow 50 p2",
        "plan tomorrow",
        "plan lantern mon 1000 tue 50 p2 x",
        "IN TOMORROW 50 P2",
    ],
)
def test_a_plan_that_is_not_whole_is_none(text: str) -> None:
    """And a start has no day."""
    assert read(text).kind is Kind.UNCLEAR


def test_a_start_takes_no_day() -> None:
    """Nobody starts a clock for tomorrow: it would be a site of that name, which is none."""
    assert read("IN LANTERN TOMORROW 50 P2").site == "LANTERN TOMORROW"


@pytest.mark.parametrize(
    ("word", "hour", "day"),
    [
        ("TODAY", 9, date(2027, 6, 1)),
        ("TODAY", 2, date(2027, 6, 1)),
        ("TOMORROW", 4, date(2027, 6, 2)),
        ("TOMORROW", 23, date(2027, 6, 2)),
        ("TOMORROW", 3, None),
        ("MORGEN", 0, None),
        ("WED", 9, date(2027, 6, 2)),
        ("MIÉRCOLES", 9, date(2027, 6, 2)),
        ("MON", 9, date(2027, 6, 7)),
        ("DOMENICA", 9, date(2027, 6, 6)),
        ("TUE", 9, None),
        ("MARDI", 9, None),
    ],
)
def test_a_day_that_may_be_two_is_none(word: str, hour: int, day: date | None) -> None:
    """Said on a Tuesday: its own name may be a week on, and after midnight tomorrow may be today."""
    assert date_of(word, TUESDAY, hour) == day
