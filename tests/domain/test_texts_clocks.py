"""A time of day is read as people write it in our languages; what may be a length, or two times, is asked about."""

from __future__ import annotations

import pytest

from service.domain.texts import Intent, Kind, read


@pytest.mark.parametrize(
    ("text", "time_in"),
    [
        ("PLAN LANTERN 10h00 50 P2", "10:00"),
        ("PLAN LANTERN 10h30 50 P2", "10:30"),
        ("plan lantern 10 h 30 50 p2", "10:30"),
        ("PLAN LANTERN 10.00 50 P2", "10:00"),
        ("PLAN LANTERN 10:00 h 50 P2", "10:00"),
        ("PLAN LANTERN 10:00h 50 P2", "10:00"),
        ("plan lantern 10:00 hrs 50 p2", "10:00"),
        ("plan lantern 10 Uhr 30 50 p2", "10:30"),
        ("plan lantern um 10 Uhr 50 min p2", "10:00"),
        ("plan lantern 10.30 Uhr 50 p2", "10:30"),
        ("plan lantern à 10 heures 50 min p2", "10:00"),
        ("plan lantern à 9h30 50 p2", "09:30"),
        ("plan lantern alle ore 10:30 50 p2", "10:30"),
        ("plan lantern p2 ore 10 50 min", "10:00"),
        ("plan lantern alle 1000 50 p2", "10:00"),
        ("plan lantern a las 10:00 50 p2", "10:00"),
        ("plan lantern a las 10 h 50 min p2", "10:00"),
        ("plan lantern 10 o'clock 50 min p2", "10:00"),
        ("plan lantern 06h00 50 p2", "06:00"),
        ("plan lantern 7h00 50 p2", "07:00"),
        ("plan lantern 50 10h00 p2", "10:00"),
        ("plan lantern 23h59 50 p2", "23:59"),
    ],
)
def test_a_time_of_day_is_read_as_people_write_it(text: str, time_in: str) -> None:
    """With fifty minutes of run time beside it."""
    assert read(text) == Intent(kind=Kind.PLAN, site="LANTERN", time_in=time_in, minutes=50, count=2)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("PLAN LANTERN 1000 1h30 P2", 90),
        ("PLAN LANTERN 10h00 1h30 P2", 90),
        ("PLAN LANTERN 1h30 10h00 P2", 90),
        ("PLAN LANTERN 10h 1h P2", 60),
        ("PLAN LANTERN 1000 6h00 P2", 360),
        ("PLAN LANTERN 1000 9h P2", 540),  # too long for any dive, which the answer says
    ],
)
def test_a_run_time_in_hours_stays_one(text: str, minutes: int) -> None:
    """Up to six hours, the longest there is; a longer one where another time of day stands beside it."""
    assert read(text) == Intent(kind=Kind.PLAN, site="LANTERN", time_in="10:00", minutes=minutes, count=2)


@pytest.mark.parametrize(
    "text",
    [
        "PLAN LANTERN 10h 50 P2",  # ten to eleven, or ten for fifty minutes
        "PLAN LANTERN 10 Uhr 50 P2",
        "PLAN LANTERN à 10 heures 50 P2",
        "PLAN LANTERN ore 10 50 P2",
        "PLAN LANTERN 6h00 50 P2",  # six in the morning, or six hours
        "PLAN LANTERN 1h30 50 P2",
        "PLAN LANTERN 1h30 2h00 P2",
        "PLAN LANTERN 3 Uhr 50 min P2",  # or in the afternoon
        "PLAN LANTERN alle 10 50 P2",
        "PLAN LANTERN 25h00 50 P2",
        "PLAN LANTERN 10h60 50 P2",
        "PLAN LANTERN 10h00 P2",
        "PLAN LANTERN 10h00 11h00 50 P2",
    ],
)
def test_what_may_be_two_things_is_asked_about(text: str) -> None:
    """The answer has a plan that is whole."""
    assert read(text) == Intent(kind=Kind.UNCLEAR, near=Kind.PLAN)


def test_a_day_stands_beside_it() -> None:
    """As beside any other time."""
    plan = Intent(kind=Kind.PLAN, site="LANTERN", time_in="10:00", minutes=50, count=2)

    for text, day in (("plan lantern demain à 10h00 50 p2", "DEMAIN"), ("plan lantern 10h00 demain 50 p2", "DEMAIN")):
        got = read(text)
        assert (got.day, got.time_in, got.site) == (day, plan.time_in, plan.site)


@pytest.mark.parametrize("site", ["ORE", "PUNTA ALLE", "HORAS"])
def test_a_site_may_be_called_like_a_word_for_a_time(site: str) -> None:
    """Where nothing else would be the site, or the word does not lead to a time."""
    assert read(f"PLAN {site} 50 P2 1000").site == site


@pytest.mark.parametrize(
    ("text", "until"),
    [
        ("LATE UNTIL 14h30", "14:30"),
        ("late until 14h", "14:00"),
        ("late until 14 Uhr", "14:00"),
        ("late until 14:30 Uhr", "14:30"),
        ("late until 2h30", "02:30"),
    ],
)
def test_a_later_due_out_is_read_so_too(text: str, until: str) -> None:
    """Of a time there is no doubt behind `until`."""
    assert read(text) == Intent(kind=Kind.LATE, until=until)


@pytest.mark.parametrize("text", ["late until 3 Uhr", "late until 3 h"])
def test_an_early_hour_alone_is_asked_about(text: str) -> None:
    """It may be in the afternoon."""
    assert read(text) == Intent(kind=Kind.UNCLEAR, near=Kind.LATE)


def test_a_length_stays_a_length() -> None:
    """Where no time of day is expected."""
    assert (read("LATE 1h30").minutes, read("IN LANTERN 1h30 P2").minutes) == (90, 90)
