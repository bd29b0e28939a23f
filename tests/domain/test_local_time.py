"""Wall-clock times at a site, on ordinary days and on both nights of summer time."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import pytest

from service.domain.local_time import LocalTimeError, instant, is_zone, last_instant, minutes, next_instant, say
from tests.domain.builders import at

LONDON, EUCLA, LORD_HOWE = "Europe/London", "Australia/Eucla", "Australia/Lord_Howe"

# From the IANA time zone data, in local time of 2027: London goes forward on 28 March at 01:00 and back on 31 October
# at 02:00; Lord Howe, by half an hour, forward on 3 October and back on 4 April at 02:00; Eucla keeps +8:45.
FORWARD, BACK = date(2027, 3, 28), date(2027, 10, 31)


def utc(month: int, day: int, hour: int, minute: int = 0) -> datetime:
    """An instant of the year 2027."""
    return datetime(2027, month, day, hour, minute, tzinfo=UTC)


@pytest.mark.parametrize(
    ("day", "clock", "zone", "expected"),
    [
        pytest.param(date(2027, 6, 1), time(10, 0), LONDON, utc(6, 1, 9), id="a summer day"),
        pytest.param(date(2027, 1, 1), time(10, 0), LONDON, utc(1, 1, 10), id="a winter day"),
        pytest.param(FORWARD, time(0, 59), LONDON, utc(3, 28, 0, 59), id="last minute before the gap"),
        pytest.param(FORWARD, time(2, 0), LONDON, utc(3, 28, 1), id="first minute after the gap"),
        pytest.param(BACK, time(0, 59), LONDON, utc(10, 30, 23, 59), id="last minute before the overlap"),
        pytest.param(BACK, time(2, 0), LONDON, utc(10, 31, 2), id="first minute after the overlap"),
        pytest.param(date(2027, 10, 3), time(1, 59), LORD_HOWE, utc(10, 2, 15, 29), id="before half an hour's gap"),
        pytest.param(date(2027, 10, 3), time(2, 30), LORD_HOWE, utc(10, 2, 15, 30), id="after half an hour's gap"),
        pytest.param(FORWARD, time(1, 30), EUCLA, utc(3, 27, 16, 45), id="a zone of quarter hours"),
    ],
)
def test_a_wall_time_is_one_instant(day: date, clock: time, zone: str, expected: datetime) -> None:
    """A time that the site's clock shows once is that instant, in UTC."""
    assert instant(day, clock, zone) == expected
    assert instant(day, clock, zone).utcoffset() == UTC.utcoffset(None)


@pytest.mark.parametrize(
    ("day", "clock", "zone", "words"),
    [
        pytest.param(FORWARD, time(1, 0), LONDON, "2027-03-28 01:00 does not exist", id="gap begins"),
        pytest.param(FORWARD, time(1, 59), LONDON, "2027-03-28 01:59 does not exist", id="gap ends"),
        pytest.param(BACK, time(1, 0), LONDON, "2027-10-31 01:00 comes twice", id="overlap begins"),
        pytest.param(BACK, time(1, 59), LONDON, "2027-10-31 01:59 comes twice", id="overlap ends"),
        pytest.param(date(2027, 10, 3), time(2, 15), LORD_HOWE, "does not exist", id="half an hour's gap"),
        pytest.param(date(2027, 4, 4), time(1, 45), LORD_HOWE, "comes twice", id="half an hour's overlap"),
    ],
)
def test_a_wall_time_that_is_no_one_instant_is_refused_with_words(
    day: date, clock: time, zone: str, words: str
) -> None:
    """A time that the clocks leave out or repeat is refused, and the words say what to choose instead."""
    with pytest.raises(LocalTimeError, match=words) as refused:
        instant(day, clock, zone)

    assert "Choose" in str(refused.value)


@pytest.mark.parametrize(
    ("hhmm", "after", "expected"),
    [
        pytest.param("10:01", utc(6, 1, 9), utc(6, 1, 9, 1), id="a minute later"),
        pytest.param("10:00", utc(6, 1, 9), utc(6, 2, 9), id="this very minute is tomorrow's"),
        pytest.param("09:59", utc(6, 1, 9), utc(6, 2, 8, 59), id="a minute ago is tomorrow's"),
        pytest.param("00:10", utc(6, 1, 22, 50), utc(6, 1, 23, 10), id="past midnight at the site"),
        pytest.param("01:30", utc(10, 30, 23), utc(10, 31, 0, 30), id="comes twice: the earlier"),
        pytest.param("01:30", utc(10, 31, 0, 30), utc(10, 31, 1, 30), id="comes twice: the first is now"),
        pytest.param("01:30", utc(10, 31, 1, 29), utc(10, 31, 1, 30), id="comes twice: only the second to come"),
        pytest.param("01:30", utc(10, 31, 1, 30), utc(11, 1, 1, 30), id="came twice already"),
        pytest.param("01:30", utc(3, 28, 1, 0), utc(3, 29, 0, 30), id="left out and past: the next day's"),
        pytest.param("02:00", utc(3, 28, 0, 59), utc(3, 28, 1), id="first after the gap"),
    ],
)
def test_the_next_time_is_the_first_that_the_sites_clock_will_show(
    hhmm: str, after: datetime, expected: datetime
) -> None:
    """A time of day means its next coming, and of two to come the earlier, since a clock in doubt rings early."""
    assert next_instant(hhmm, LONDON, after) == expected


@pytest.mark.parametrize("after", [utc(3, 27, 22), utc(3, 28, 0, 59)], ids=["the evening before", "a minute before"])
def test_a_time_that_the_clocks_will_leave_out_is_refused(after: datetime) -> None:
    """On the night when clocks go forward nobody is made late until a time that never comes."""
    with pytest.raises(LocalTimeError, match="01:30 does not exist that night: the clocks go forward"):
        next_instant("01:30", LONDON, after)


@pytest.mark.parametrize(
    "hhmm", ["25:00", "24:00", "10:60", "1000", "10", "9:30", "10:30:15", "10:30+02:00", "", "ten"]
)
def test_what_is_no_time_of_day_is_refused_with_words(hhmm: str) -> None:
    """Only HH:MM is a time of day."""
    with pytest.raises(LocalTimeError, match=r"is no time of day\. Write it like 14:30"):
        next_instant(hhmm, LONDON, utc(6, 1, 9))


@pytest.mark.parametrize(
    ("said_at", "now", "zone", "expected"),
    [
        pytest.param(utc(6, 1, 13, 5), utc(6, 1, 9), LONDON, "14:05", id="today"),
        pytest.param(utc(6, 1, 22, 59), utc(6, 1, 9), LONDON, "23:59", id="last minute of today"),
        pytest.param(utc(6, 1, 23, 0), utc(6, 1, 9), LONDON, "Wed 2 Jun 00:00", id="first minute of tomorrow"),
        pytest.param(utc(5, 31, 22, 59), utc(6, 1, 9), LONDON, "Mon 31 May 23:59", id="yesterday"),
        pytest.param(utc(6, 1, 23, 30), utc(6, 1, 23, 10), LONDON, "00:30", id="today at the site, two days in UTC"),
        pytest.param(utc(10, 31, 0, 30), utc(10, 31, 0, 30), LONDON, "01:30 BST", id="the first time that night"),
        pytest.param(utc(10, 31, 1, 30), utc(10, 31, 0, 30), LONDON, "01:30 GMT", id="the second time that night"),
        pytest.param(utc(10, 31, 0, 59), utc(6, 1, 9), LONDON, "Sun 31 Oct 01:59 BST", id="twice, on another day"),
        pytest.param(utc(10, 30, 23, 59), utc(10, 31, 0), LONDON, "00:59", id="before the hour that comes twice"),
        pytest.param(utc(10, 31, 2), utc(10, 31, 1), LONDON, "02:00", id="after the hour that comes twice"),
        pytest.param(utc(3, 28, 1), utc(3, 28, 0), LONDON, "02:00", id="after the hour that is left out"),
        pytest.param(utc(4, 3, 15, 15), utc(4, 3, 15), LORD_HOWE, "01:45 +1030", id="a zone without abbreviations"),
        pytest.param(utc(6, 1, 16, 0), utc(6, 1, 9), EUCLA, "Wed 2 Jun 00:45", id="tomorrow there, today here"),
    ],
)
def test_a_time_names_the_day_when_it_is_not_today_at_the_site(
    said_at: datetime, now: datetime, zone: str, expected: str
) -> None:
    """Times are 24-hour and local to the site, and the day is named as soon as it could be mistaken."""
    assert say(said_at, zone, now) == expected


@pytest.mark.parametrize(
    ("language", "expected"),
    [
        ("en", "Wednesday 2 June 00:10"),
        ("es", "miércoles 2 de junio 00:10"),
        ("fr", "mercredi 2 juin 00:10"),
        ("de", "Mittwoch, 2. Juni, 00:10"),
        ("it", "mercoledì 2 giugno 00:10"),
    ],
)
def test_a_day_that_is_read_aloud_is_written_out(language: str, expected: str) -> None:
    """A voice makes a verb of Wed, and spells Jun."""
    at_night, evening = utc(6, 1, 23, 10), utc(6, 1, 22, 50)

    assert say(at_night, LONDON, evening, language, aloud=True) == expected
    assert say(evening, LONDON, evening, language, aloud=True) == "23:50"


@pytest.mark.parametrize("name", [LONDON, EUCLA, LORD_HOWE, "UTC"])
def test_a_zone_is_an_iana_name(name: str) -> None:
    """Names of the IANA data are zones."""
    assert is_zone(name)


@pytest.mark.parametrize("name", ["Europe/Nowhere", "Europe", "", "../etc", "a\0b", "x" * 300])
def test_anything_else_is_no_zone(name: str) -> None:
    """Asking about what is no zone, be it a directory or no name at all, raises nothing."""
    assert not is_zone(name)


@pytest.mark.parametrize(("seconds", "expected"), [(59, 0), (60, 1), (119, 1), (120, 2)])
def test_minutes_are_whole_and_rounded_down(seconds: int, expected: int) -> None:
    """A minute counts once it is over."""
    assert minutes(at(seconds=seconds) - at()) == expected


@pytest.mark.parametrize(
    ("typed", "before", "expected"),
    [
        pytest.param("10:00", utc(6, 1, 9), utc(6, 1, 9), id="this very minute"),
        pytest.param("10:01", utc(6, 1, 9), utc(5, 31, 9, 1), id="a minute ahead is yesterday"),
        pytest.param("23:50", utc(5, 31, 23, 10), utc(5, 31, 22, 50), id="before midnight, said after it"),
        pytest.param("01:30", utc(10, 31, 1, 40), utc(10, 31, 1, 30), id="came twice: the later"),
        pytest.param("01:30", utc(10, 31, 1, 10), utc(10, 31, 0, 30), id="came twice, the second still ahead"),
        pytest.param("01:30", utc(3, 28, 0, 30), utc(3, 27, 1, 30), id="will be left out tonight"),
        pytest.param(
            "01:30", utc(3, 29, 1, 0), utc(3, 29, 0, 30), id="was left out the night before, and not this one"
        ),
    ],
)
def test_a_time_that_has_been_is_the_latest_one(typed: str, before: datetime, expected: datetime) -> None:
    """What somebody saw at 23:50 was seen before now."""
    assert last_instant(typed, LONDON, before) == expected


@pytest.mark.parametrize(
    ("typed", "before", "words"),
    [
        ("25:00", utc(6, 1, 9), "no time of day"),
        ("9:00", utc(6, 1, 9), "no time of day"),
        ("01:30", utc(3, 28, 1, 30), "did not exist"),
        ("01:30", utc(3, 28, 23, 30), "did not exist"),
    ],
)
def test_a_time_that_never_was_is_refused(typed: str, before: datetime, words: str) -> None:
    """Neither what is no time, nor one that the clocks went over that night or the night before."""
    with pytest.raises(LocalTimeError, match=words):
        last_instant(typed, LONDON, before)
