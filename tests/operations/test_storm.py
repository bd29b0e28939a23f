"""An alarm storm at a sender's rate: what goes first, at which pace, and whether the forecast was right."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, Select, func, select
from sqlalchemy.orm import Session

from service.domain.encoding import segments
from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations import claiming
from service.operations.carrying import Courier
from service.operations.forecasting import forecast
from service.operations.gateway import Blame, Route
from service.operations.sweeping import sweep
from service.store import outbox, people
from service.store.outbox import NewMessage
from service.store.tables import MessageRow
from tests.bench.armed import arm
from tests.operations.conftest import staged_on
from tests.operations.stage import CLUB, ScriptedGateway, Stage, Taken, counted_statements, plan_of, refuse

ONE_A_SECOND = Route(segments_per_s=1.0)
ALERT, DISTRESS = "alert", "distress"


def seconds(count: float) -> timedelta:
    """A length of time."""
    return timedelta(seconds=count)


@dataclass(frozen=True)
class Ticking:
    """The seconds of a courier, by the hand-moved clock."""

    stage: Stage

    def __call__(self) -> float:
        """Where it is."""
        return self.stage.clock.at.timestamp()


@contextmanager
def storm_courier(stage: Stage, *gateways: ScriptedGateway) -> Iterator[Courier]:
    """A courier whose pauses move the hand-moved clock, and whose fifteen seconds go by that clock too."""

    def pause(length_s: float) -> None:
        stage.clock.at += seconds(length_s)

    courier = Courier(stage.service, gateways, monotonic=Ticking(stage), pause=pause)
    try:
        yield courier
    finally:
        courier.close()


def blow(stage: Stage, courier: Courier, until: Callable[[], bool], *, longest: timedelta) -> None:
    """Let time go by as it does, a sweep and a courier in turn, until something is so."""
    ends_at = stage.clock.at + longest
    while not until():
        assert stage.clock.at < ends_at, "not in time"
        before = stage.clock.at
        sweep(stage.service)
        courier.carry()
        stage.clock.at = max(stage.clock.at, before + seconds(5))


def overdue_at_once(stage: Stage, count: int) -> None:
    """So many dives that fall due in the same second, all that came before it sent."""
    for number in range(count):
        stage.dive_in(plan_of(number))
    stage.wait(minutes=64)


def kinds_of(stage: Stage) -> dict[str, tuple[str, int, str]]:
    """Of each message its kind, the place of its contact and its dive."""
    rows = select(MessageRow.id, MessageRow.kind, MessageRow.rank, MessageRow.dive_id)
    found = stage.service.read(lambda session: session.execute(rows).all())
    return {message_id: (kind, rank, dive or "") for message_id, kind, rank, dive in found}


def sent_in(stage: Stage, since: datetime) -> list[tuple[datetime, str, int, str]]:
    """What gateways took since then, in order: when, which kind, to which contact, of which dive."""
    what = kinds_of(stage)
    return [(taken.at, *what[taken.reference]) for taken in stage.journal if taken.at >= since]


def segments_of(taken: list[Taken]) -> int:
    """How many segments they have."""
    return sum(len(segments(one.body).parts) for one in taken)


def test_two_hundred_dives_overdue_in_one_second_at_one_segment_a_second(sqlite_engine: Engine) -> None:
    """Every first contact before any second one, no reminder before an alert, and the forecast was right."""
    with staged_on(sqlite_engine) as stage:
        begin_at = stage.clock.at + timedelta(hours=1)
        arm(stage.service, 200, lambda _: begin_at, until=stage.clock.at, with_log=False)
        stage.first.route = ONE_A_SECOND
        stage.clock.at = begin_at
        told = forecast(200, 2, 1.0)

        with storm_courier(stage, stage.first) as courier:
            # The party is reminded at the same moment, having missed it before, and that goes behind every alarm.
            blow(stage, courier, lambda: distress_heard(stage) == 400, longest=timedelta(minutes=60))
        sent = sent_in(stage, begin_at)
        journal = stage.journal

    firsts = [at for at, kind, rank, _ in sent if (kind, rank) == (ALERT, 0)]
    assert len(firsts) == 200
    assert max(firsts) <= min(at for at, kind, rank, _ in sent if (kind, rank) == (ALERT, 1))
    assert {kind for _, kind, _, _ in sent} == {ALERT, DISTRESS}
    heard = [at for at, kind, rank, _ in sent if kind == DISTRESS and rank < 2]
    assert (max(firsts) - begin_at).total_seconds() == pytest.approx(told.first_contact_s, rel=0.1)
    assert (max(heard) - begin_at).total_seconds() == pytest.approx(told.distress_s, rel=0.1)
    spent_s = (journal[-1].at - journal[0].at).total_seconds()
    assert segments_of(journal[:-1]) == pytest.approx(spent_s, rel=0.02)


def distress_heard(stage: Stage) -> int:
    """How many contacts have been told to call rescue."""
    what = kinds_of(stage)
    kinds = [what[taken.reference] for taken in stage.journal]
    return len({(dive, rank) for kind, rank, dive in kinds if kind == DISTRESS and rank < 2})


def test_two_couriers_share_one_sender(stage: Stage) -> None:
    """The rate is the sender's, however many carry for it; nothing goes twice."""
    overdue_at_once(stage, 6)
    stage.first.route = ONE_A_SECOND
    stage.sleep(1)
    begin_at = stage.clock.at
    sweep(stage.service)

    with storm_courier(stage, stage.first) as one, storm_courier(stage, stage.first) as other:
        for _ in range(4):
            one.carry(urgent_only=True)
            other.carry(urgent_only=True)

    sent = sent_in(stage, begin_at)
    assert [rank for _, _, rank, _ in sent] == [0] * 6
    gaps = [(later[0] - before[0]).total_seconds() for before, later in itertools.pairwise(sent)]
    assert all(gap >= 2 for gap in gaps)
    assert sum(gaps) == pytest.approx(15, abs=1.1)


def test_a_second_sender_takes_half_of_the_storm(stage: Stage) -> None:
    """What is urgent does not wait for the preferred gateway while another has a slot."""
    overdue_at_once(stage, 8)
    stage.first.route = stage.second.route = ONE_A_SECOND
    stage.sleep(1)
    begin_at = stage.clock.at
    sweep(stage.service)

    with storm_courier(stage, stage.first, stage.second) as courier:
        courier.carry()

    assert len(sent_in(stage, begin_at)) == 8
    assert len([one for one in stage.first.taken if one.at >= begin_at]) == 4
    assert stage.clock.at - begin_at <= seconds(4 * 3)


def test_what_is_calm_waits_for_the_preferred_sender(stage: Stage) -> None:
    """The second gateway may cost more: a reply waits its seconds."""
    stage.first.route = ONE_A_SECOND
    with storm_courier(stage, stage.first, stage.second) as courier:
        for number in range(3):
            stage.receive_and_answer(f"+4477009001{number:02}", "info")

        courier.carry()

    assert len(stage.first.taken) == 3
    assert stage.second.taken == []


def test_a_message_that_waits_for_its_sender_holds_up_none_of_another(unchecked: Stage) -> None:
    """Texts by a slow sender, and behind them one that another gateway carries: it goes at once."""
    stage = unchecked  # the numbers are nobody's
    stage.first.route = Route(prefixes=("+447700",), segments_per_s=1.0)
    stage.second.route = Route(prefixes=("+1",))
    with storm_courier(stage, stage.first, stage.second) as courier:
        queue(stage, [f"+4477009001{number:02}" for number in range(70)], MessageKind.ALERT)
        queue(stage, ["+12025550101"], MessageKind.OTHER)
        begin_at = stage.clock.at

        courier.carry()

    assert [one.at for one in stage.second.taken] == [begin_at]
    assert 14 <= len(stage.first.taken) <= 17  # fifteen seconds, and one that was early
    left = stage.service.read(lambda session: session.execute(still_queued()).scalar_one())
    assert left == 71 - len(stage.journal)


def test_alarms_that_wait_for_a_slow_sender_hide_none_of_another_however_many_they_are(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More of them than are ever passed over, and behind them one that another gateway carries: it goes at once."""
    stage = unchecked  # the numbers are nobody's
    monkeypatch.setattr(claiming, "PASSED_OVER_MAX", claiming.PAGE)
    stage.first.route = Route(prefixes=("+447700",), segments_per_s=1.0)
    stage.second.route = Route(prefixes=("+1",))
    with storm_courier(stage, stage.first, stage.second) as courier:
        queue(stage, [f"+447700900{number:03}" for number in range(2 * claiming.PAGE)], MessageKind.ALERT)
        stage.clock.at += seconds(1)
        queue(stage, ["+12025550101", "+33199000001"], MessageKind.ALERT)
        begin_at = stage.clock.at

        courier.carry()

    assert [one.at for one in stage.second.taken] == [begin_at]
    assert 14 <= len(stage.first.taken) <= 17  # the slow sender goes on at its rate
    states = dict(stage.service.read(lambda session: session.execute(select(MessageRow.phone, MessageRow.state)).all()))
    assert states["+33199000001"] == "failed"  # nobody carries to it, which is not to be hidden either


def test_an_urgent_message_that_comes_meanwhile_has_the_next_slot(unchecked: Stage) -> None:
    """Strictly by priority, however long the others have waited."""
    stage = unchecked  # the numbers are nobody's
    stage.first.route = ONE_A_SECOND
    queue(stage, [f"+4477009001{number:02}" for number in range(20)], MessageKind.OTHER)
    with storm_courier(stage, stage.first) as courier:
        stage.first.on_ask = lambda _: (
            queue(stage, ["+447700900199"], MessageKind.ALERT) if len(stage.first.asked) == 3 else None
        )

        courier.carry()

    numbers = [one.to for one in stage.first.taken]
    assert numbers.index("+447700900199") == 3
    stage.first.on_ask = None


def test_a_number_that_no_gateway_serves_fails_at_once_and_brings_the_next_contact(
    stage: Stage, caplog: pytest.LogCaptureFixture
) -> None:
    """Loudly: with a reason, in the log of the dive, and as an event for it."""
    faraway = "+12025550101"
    stage.service.write(lambda session: people.add(session, club_id=CLUB, name="Far Away", phone=faraway))
    dive = stage.dive_in(plan_of(1, [faraway, "+447700900301"]))
    stage.wait(minutes=64)
    stage.first.route = stage.second.route = Route(prefixes=("+44",))
    stage.sleep(1)

    stage.turn()

    message = stage.message(dive.id, "contact-0", "alert")
    assert message.state == "failed"
    assert message.failed_reason == "no gateway carries a message to this number by text"
    assert "OVERDUE" in stage.last_to("+447700900301")
    assert "contact-0" in stage.dive(dive.id).unreachable
    assert "no_gateway_for_message" in caplog.messages
    stage.text(dive.lead.phone or "", "out")


@pytest.mark.parametrize("blame", [Blame.GATEWAY, Blame.TRANSIENT])
def test_fresher_news_takes_the_place_of_an_alarm_that_never_went_out(stage: Stage, blame: Blame) -> None:
    """After an outage a contact hears the latest alarm once, in the place of the first that waited."""
    dive = stage.dive_in(plan_of(1))
    stage.first.usually = stage.second.usually = refuse(blame)
    stage.wait(minutes=92)

    waiting = [one for one in stage.messages(dive.id) if one.state == "queued" and one.kind in (ALERT, DISTRESS)]

    assert sorted((one.person_key, one.rank, one.step.partition("-")[0]) for one in waiting) == [
        ("contact-0", 0, "distress_again"),
        ("contact-1", 1, "distress_again"),
    ]
    over = {one.failed_reason for one in stage.messages(dive.id) if one.state == "expired" and one.kind == ALERT}
    assert over == {"a newer alarm takes its place"}


@pytest.mark.parametrize("route", [Route(), ONE_A_SECOND], ids=["no rate", "a rate"])
def test_a_courier_with_nothing_to_do_asks_one_question(stage: Stage, route: Route) -> None:
    """Looking often must cost nothing, also where a sender has a rate."""
    stage.first.route = route
    with storm_courier(stage, stage.first, stage.second) as courier, counted_statements(stage.engine) as statements:
        courier.carry()

    assert len([one for one in statements if one.startswith("SELECT")]) == 1
    assert not any(one.startswith(("INSERT", "UPDATE")) for one in statements)


def queue(stage: Stage, phones: list[str], kind: MessageKind, channel: Channel = Channel.TEXT) -> None:
    """Messages of the club that belong to no dive."""

    def work(session: Session) -> None:
        for phone in phones:
            message = NewMessage(
                club_id=CLUB,
                dive_id=None,
                person_key=f"phone:{phone}",
                name="somebody",
                phone=phone,
                kind=kind.name.lower(),
                priority=int(kind),
                step="news",
                body="Skerry Bay Divers: news.",
                segments=1,
                queued_at=stage.clock.at,
                due_at=stage.clock.at,
                channel=channel,
            )
            outbox.queue(session, message)

    stage.service.write(work)


def still_queued() -> Select[int]:
    """How many messages wait."""
    return select(func.count()).where(MessageRow.state == outbox.QUEUED)
