"""The figures of a club against a day that was made by hand, on both databases; drills and canary dives are in none."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import event

from service.domain.people import Channel
from service.operations.alarm_endings import Ending
from service.operations.canary_dive import look_after_canary_dives, set_number
from service.operations.figures import Figures, Period, Spread, figures_of
from service.operations.gateway import ReceiptState
from service.operations.intake import Intake
from service.operations.retention import erase_dives
from service.operations.sweeping import sweep
from service.store.seed_sites import SITES
from tests.operations.stage import CLUB, Stage, plan, plan_of

TODAY = Period(date(2027, 6, 1), date(2027, 6, 1))


def of(stage: Stage, period: Period = TODAY, code: str | None = None) -> Figures:
    """The figures of the day, or of another time or site."""
    found = figures_of(stage.service, CLUB, period, code)
    assert found is not None
    return found


def sender(number: int) -> str:
    """The phone of the lead of that dive."""
    return f"+4477009001{number:02}"


def contact(number: int, place: int = 0) -> str:
    """A phone of that dive's contacts: the first and the second have numbers of their own."""
    return f"+447700900{2 + place}{number:02}"


def minutes_later(stage: Stage, minutes: float) -> None:
    """The clock goes on, with sweeps and couriers."""
    stage.wait(minutes=minutes)


@pytest.fixture
def day(stage: Stage) -> Stage:
    """That day, on both databases."""
    return played(stage)


@pytest.fixture
def quick_day(quick_stage: Stage) -> Stage:
    """The same on SQLite alone, for what is asked of the same statements once more."""
    return played(quick_stage)


def played(stage: Stage) -> Stage:
    """Five real dives filed by 11:00: one in time, one late, one for which rescue is called, one called off, one SOS.

    All times below are minutes from 09:00. Run time 50, grace 15. The alerts of the late two leave two minutes late.
    """
    for number in (1, 2, 3):
        stage.dive_in(plan_of(number))
    called_off = stage.file(plan_of(4))
    stage.text(sender(4), f"NOGO {called_off.start_code}")
    minutes_later(stage, 30)
    stage.text(sender(1), "OUT")
    minutes_later(stage, 30)
    stage.sleep(5)  # 65: the raise-by time of the second and the third
    sweep(stage.service)
    stage.sleep(2)
    stage.courier.carry()  # 67
    [alert] = [taken for taken in stage.journal if taken.to == contact(2) and "OVERDUE" in taken.body]
    stage.sleep(1)
    stage.receipt(alert, ReceiptState.DELIVERED)  # 68
    stage.text(contact(2), "OK")
    stage.sleep(2)
    stage.text(sender(2), "OUT")  # 70
    stage.turn()
    minutes_later(stage, 45)
    stage.text(contact(3, 1), "CALLED")  # 115
    minutes_later(stage, 5)
    stage.text(contact(3, 1), "SAFE 1")  # 120
    stage.dive_in(plan_of(5))
    minutes_later(stage, 10)
    stage.text(sender(5), "SOS")  # 130
    stage.sleep(4)
    stage.text(contact(5), "SAFE 1")  # 134
    return stage


def assert_the_day(found: Figures, *, by_contact: Ending = Ending.CONTACT_SAFE) -> None:
    """What a person with a pencil makes of that day."""
    assert (found.dives.filed, found.dives.started, found.dives.open, found.dives.overdue) == (5, 4, 0, 2)
    assert found.dives.closed == {"surfaced": 2, "stood_down": 2, "called_off": 1}
    assert (found.alarms, found.by_person, found.distress, found.hand_ups) == (3, 1, 1, 1)
    assert found.endings == {Ending.PARTY_OUT: 1, Ending.RESCUE_CALLED: 1, by_contact: 1}
    assert found.false_alarms == 2
    assert dict(found.times) == {
        "Due out to alert": Spread(2, 900, 900, 900),
        # 3, 4 and 50 minutes; 5, 4 and 55: the 90th percentile is 80 % of the way from the second to the third.
        "Alert to first answer": Spread(3, 240, pytest.approx(240 + 0.8 * 2760), 3000),
        "Alert to stand-down": Spread(3, 300, pytest.approx(300 + 0.8 * 3000), 3300),
    }


def test_the_figures_are_those_of_the_day(day: Stage) -> None:
    """Dives, alarms and times."""
    assert_the_day(of(day))


def test_the_figures_outlive_the_erasure_of_who_and_what(unchecked: Stage) -> None:
    """All but who it was that said that all are safe."""
    played(unchecked)
    ids = [dive.id for dive in unchecked.all_dives()]

    unchecked.service.write(
        lambda session: erase_dives(
            unchecked.service, session, CLUB, ids, "their time is over", unchecked.clock.at, set()
        )
    )

    assert_the_day(of(unchecked), by_contact=Ending.ASHORE_SAFE)


def test_no_reading_lasts_over_more_than_one_question(quick_day: Stage) -> None:
    """Or who writes an alarm would wait for all of them, on a SQLite where readers keep writers out."""
    asked: list[int] = []

    def begun(*_: object) -> None:
        asked.append(0)

    def asks(*_: object) -> None:
        asked[-1] += 1

    event.listen(quick_day.engine, "checkout", begun)
    event.listen(quick_day.engine, "before_cursor_execute", asks)
    try:
        of(quick_day, Period(date(2026, 6, 1), date(2027, 6, 1)))
    finally:
        event.remove(quick_day.engine, "checkout", begun)
        event.remove(quick_day.engine, "before_cursor_execute", asks)

    assert len(asked) > 12 * 3
    assert max(asked) <= 3  # BEGIN among them, and the counts of dives are two


def test_drills_and_the_canary_dive_are_in_no_figure(quick_day: Stage) -> None:
    """Whole ones, with alerts, distress, receipts and a hand-up: everything is as without them."""
    before = of(quick_day)
    drill = quick_day.file(plan_of(6), drill=True)
    quick_day.text(sender(6), f"IN {drill.start_code}")
    quick_day.service.write(lambda session: set_number(quick_day.service, session, CLUB, "+447700900888"))
    for _ in range(8):
        look_after_canary_dives(quick_day.service, Intake(quick_day.service, None))
        minutes_later(quick_day, 15)

    assert quick_day.dive(drill.id).distress_count > 0
    assert any(dive.drill and dive.lead.phone == "+447700900888" for dive in quick_day.all_dives())
    assert of(quick_day) == before


def test_lateness_is_from_due_to_taken(quick_day: Stage) -> None:
    """Of all alarms of the day two went two minutes late; what is late by nothing counts as 0."""
    lateness = dict(of(quick_day).lateness)

    alarms = lateness["Alerts and distress"]
    real = [m for dive in quick_day.all_dives() for m in quick_day.messages(dive.id) if m.kind in {"alert", "distress"}]
    assert alarms.count == len(real)
    assert (alarms.median, alarms.longest) == (0, 120)
    assert lateness["Start notices"].count == 8


def test_delivery_is_told_by_gateway_and_by_way(day: Stage) -> None:
    """One receipt came, after a minute; all the rest was taken by the first gateway and not confirmed."""
    found = of(day)
    total = sum(len(day.messages(dive.id)) for dive in day.all_dives())

    [first] = found.gateways
    [texts] = found.ways

    assert (first.name, texts.name) == ("first", Channel.TEXT.value)
    assert first.delivered == texts.delivered == 1
    assert first.receipt == texts.receipt == Spread(1, 60, 60, 60)
    assert texts.delivered + texts.unconfirmed + texts.failed + texts.unsent == total
    assert (first.refused, first.unknown) == (0, 0)


def test_a_dive_counts_on_the_day_it_was_filed_in_the_clubs_time(stage: Stage) -> None:
    """23:30 in summer is 22:30 in UTC, and the day begins at midnight of the club."""
    stage.clock.at = datetime(2027, 6, 1, 22, 59, tzinfo=UTC)
    stage.file(plan_of(1))
    stage.clock.at = datetime(2027, 6, 1, 23, 0, tzinfo=UTC)
    stage.file(plan_of(2))

    assert of(stage).dives.filed == 1
    assert of(stage, Period(date(2027, 6, 2), date(2027, 6, 2))).dives.filed == 1
    two = of(stage, Period(date(2027, 5, 31), date(2027, 6, 2)))
    assert [(bucket.first.day, bucket.filed) for bucket in two.buckets] == [(31, 0), (1, 1), (2, 1)]


def test_a_site_is_counted_alone(quick_day: Stage) -> None:
    """All dives of the day were at one site; an unknown site has no figures."""
    assert of(quick_day, code="LANTERN").dives.filed == 5
    assert of(quick_day, code=SITES[1].code).dives.filed == of(quick_day, code=SITES[1].code).alarms == 0
    assert figures_of(quick_day.service, CLUB, TODAY, "NOWHERE") is None


def test_an_open_alarm_is_open_and_no_false_alarm(quick_stage: Stage) -> None:
    """And has no end yet."""
    quick_stage.dive_in(plan())
    minutes_later(quick_stage, 70)

    found = of(quick_stage)

    assert (found.alarms, found.endings, found.false_alarms) == (1, {Ending.OPEN: 1}, 0)
    assert dict(found.times)["Alert to stand-down"] == Spread(0, None, None, None)


def test_a_period_without_dives_is_all_zero(quick_stage: Stage) -> None:
    """With a bar for each month of two years."""
    found = of(quick_stage, Period(date(2025, 1, 1), date(2026, 12, 31)))

    assert (found.dives.filed, found.alarms, found.gateways, found.ways) == (0, 0, (), ())
    assert (found.bucket_name, len(found.buckets)) == ("month", 24)


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [(date(2027, 2, 1), date(2027, 1, 31), "before the first"), (date(2025, 1, 1), date(2027, 1, 2), "two years")],
    ids=["backwards", "too long"],
)
def test_a_period_is_in_order_and_bounded(first: date, last: date, words: str) -> None:
    """Two years at most, a leap day among them."""
    assert Period(date(2023, 3, 1), date(2023, 3, 1) + timedelta(days=730))
    with pytest.raises(ValueError, match=words):
        Period(first, last)


@pytest.mark.parametrize(
    ("days", "name", "count"),
    [(35, "day", 35), (36, "week", 6), (190, "week", 28), (191, "month", 7)],
)
def test_bars_are_days_weeks_or_months(quick_stage: Stage, days: int, name: str, count: int) -> None:
    """As many as there is room for, and they cover the period."""
    found = of(quick_stage, Period(date(2027, 1, 1), date(2027, 1, 1) + timedelta(days=days - 1)))

    assert (found.bucket_name, len(found.buckets)) == (name, count)


def test_a_club_that_is_not_there_is_an_error(quick_stage: Stage) -> None:
    """A signed-in admin always has one."""
    with pytest.raises(LookupError):
        figures_of(quick_stage.service, "nobody", TODAY)
