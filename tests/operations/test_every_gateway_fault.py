"""Every way in which a gateway can fail, over real HTTP, and what people received by the gateways' own journals.

For each: at most twice, and never not at all while there is another way; within thirty seconds.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta

import pytest
from sqlalchemy import Engine, select

from service.gateways.exchange import Limits
from service.gateways.form_post import FormPostConfig, FormPostGateway
from service.operations.carrying import Courier
from service.operations.gateway import Route
from service.store.tables import DiveRow
from tests.fakes.behaviour import (
    Behaviour,
    accept_then_cut,
    broken,
    drip,
    html,
    huge,
    redirect,
    refuse,
    stall,
    throttle,
    without_sid,
)
from tests.fakes.gateway import ACCOUNT, NUMBER, TOKEN, FakeGateway
from tests.operations.conftest import staged_on
from tests.operations.stage import CLEO, DOV, Stage
from tests.servers.ports import free_port

# A tenth of the usual ones, so that what would take eight seconds takes less than one.
LIMITS = Limits(connect_s=0.3, write_s=0.5, read_s=0.8, pool_s=0.2, total_s=1.2)
WITHIN_S = 30  # from the alert to a gateway that has it
NEXT_WITHIN_S = 15
LATER = "Wed, 01 Jan 2031 00:00:00 GMT"

FAULTS = {
    "stalls": stall(3.0),
    "stalls, having taken it": stall(3.0, takes=True),
    "drips": drip(0.3),
    "drips, having taken nothing": drip(0.3, takes=False),
    "takes it and cuts the line": accept_then_cut(),
    "cuts the line": Behaviour(takes=False, cut=True),
    "500": broken(500),
    "500, having taken it": broken(500, takes=True),
    "502": broken(502),
    "503, having taken it": broken(503, takes=True),
    "a page for people": html(),
    "no name for what it took": without_sid(),
    "megabytes": huge(),
    "moved": redirect("https://elsewhere.example/"),
    "429, Retry-After 1": throttle("1"),
    "429, Retry-After 3600": throttle("3600"),
    "429, Retry-After a date": throttle(LATER),
    "429, Retry-After junk": throttle("soon, perhaps"),
    "429, Retry-After negative": throttle("-5"),
    "wrong key": refuse(401, 20003),
    "no credit": refuse(402),
    "no route to that country": refuse(400, 21408),
    "words blocked": refuse(400, 30007),
    "a code in no table": refuse(400, 99999),
}
NO_WAY_BY_THIS_ONE = ("no route to that country",)  # without another gateway that is final, as a bad number is
NUMBER_FAULTS = {"no such number": refuse(400, 21211), "landline": refuse(400, 21614), "opted out": refuse(400, 21610)}


@contextmanager
def overdue(engine: Engine, ports: Sequence[int], *, lists: bool = False, receipts: bool = False) -> Iterator[Stage]:
    """A dive whose alert is about to be queued, and a courier for the gateways at these ports."""
    with staged_on(engine) as stage:
        stage.dive_in()
        stage.wait(minutes=64, step=timedelta(minutes=64))
        stage.courier.close()
        configs = [
            FormPostConfig(
                name=name,
                base_url=f"http://127.0.0.1:{port}",
                account=ACCOUNT,
                token=TOKEN,
                sender=NUMBER,
                sends_receipts=receipts,
                route=Route(lists=lists),
            )
            for name, port in zip(("first", "second"), ports, strict=False)
        ]
        public_url = "https://dives.example.org"
        gateways = [FormPostGateway(config, public_url=public_url, limits=LIMITS) for config in configs]
        stage.courier = Courier(stage.service, gateways)
        stage.sleep(1)
        yield stage


def alerts(gateways: Sequence[FakeGateway], phone: str) -> list[str]:
    """The alerts that a phone received, by the gateways' own journals."""
    return [one.body for gateway in gateways for one in gateway.journal.to(phone) if "OVERDUE" in one.body]


def seconds_until_alerted(stage: Stage, gateways: Sequence[FakeGateway], phone: str) -> float:
    """Let the clock and the courier go on until a phone has the alert; gives what went by of both."""
    began_at, began = stage.clock.at, time.monotonic()
    stage.turn()
    while not alerts(gateways, phone) and stage.clock.at - began_at < timedelta(seconds=WITHIN_S):
        stage.clock.at += timedelta(seconds=1)
        stage.turn()
    return (stage.clock.at - began_at).total_seconds() + time.monotonic() - began


def two_more_minutes(stage: Stage) -> None:
    """Time in which one more copy could go out."""
    stage.wait(timedelta(minutes=2), step=timedelta(seconds=20))


@pytest.mark.parametrize("fault", FAULTS)
def test_whatever_the_first_gateway_does_the_alert_comes_by_the_second(sqlite_engine: Engine, fault: str) -> None:
    """Within thirty seconds, and no third time."""
    with FakeGateway() as first, FakeGateway() as second:
        first.script.always(FAULTS[fault])
        with overdue(sqlite_engine, [first.port, second.port]) as stage:
            gone_s = seconds_until_alerted(stage, [second], CLEO)
            two_more_minutes(stage)

        assert gone_s < WITHIN_S
        assert len(alerts([second], CLEO)) == 1
        assert 1 <= len(alerts([first, second], CLEO)) <= 2


def test_a_gateway_that_is_not_there_at_all_costs_no_minute(sqlite_engine: Engine) -> None:
    """Connections are refused: the second one has the alert, once."""
    with FakeGateway() as second, overdue(sqlite_engine, [free_port(), second.port]) as stage:
        gone_s = seconds_until_alerted(stage, [second], CLEO)
        two_more_minutes(stage)

        assert gone_s < WITHIN_S
        assert len(alerts([second], CLEO)) == 1


@pytest.mark.parametrize("fault", [name for name in FAULTS if name not in NO_WAY_BY_THIS_ONE])
def test_a_fault_that_passes_is_outlived_also_where_there_is_one_gateway(sqlite_engine: Engine, fault: str) -> None:
    """It fails once: the alert comes by itself later, at most twice."""
    with FakeGateway() as only, overdue(sqlite_engine, [only.port]) as stage:
        only.script.once(FAULTS[fault])
        gone_s = seconds_until_alerted(stage, [only], CLEO)
        two_more_minutes(stage)

        assert gone_s < WITHIN_S
        assert 1 <= len(alerts([only], CLEO)) <= 2
        assert stage.message(the_dive(stage), "contact-0", "alert").state == "handed"


@pytest.mark.parametrize("fault", [name for name in FAULTS if FAULTS[name].takes])
def test_what_was_taken_is_not_sent_again_where_the_gateway_can_be_asked(sqlite_engine: Engine, fault: str) -> None:
    """The answer was lost, the text was not: its list has it, and people received it once."""
    with FakeGateway() as first, FakeGateway() as second:
        first.script.always(FAULTS[fault])
        with overdue(sqlite_engine, [first.port, second.port], lists=True) as stage:
            gone_s = seconds_until_alerted(stage, [first], CLEO)
            two_more_minutes(stage)
            message = stage.message(the_dive(stage), "contact-0", "alert")

        assert gone_s < WITHIN_S
        assert len(alerts([first, second], CLEO)) == 1
        assert (message.state, message.handed_gateway) == ("handed", "first")
        assert message.provider_id == next(one.sid for one in first.journal.to(CLEO) if "OVERDUE" in one.body)


@pytest.mark.parametrize("fault", ["cuts the line", "500", "stalls", "a page for people"])
def test_what_the_gateway_says_it_does_not_have_goes_at_once(sqlite_engine: Engine, fault: str) -> None:
    """By the other one, and once."""
    with FakeGateway() as first, FakeGateway() as second:
        first.script.always(FAULTS[fault])
        with overdue(sqlite_engine, [first.port, second.port], lists=True) as stage:
            gone_s = seconds_until_alerted(stage, [second], CLEO)
            two_more_minutes(stage)

        assert gone_s < WITHIN_S
        assert len(alerts([first, second], CLEO)) == 1


@pytest.mark.parametrize("listing", [stall(3.0), broken(500), html(), Behaviour(cut=True)], ids=str)
def test_a_list_that_cannot_be_read_keeps_no_alarm_waiting(sqlite_engine: Engine, listing: Behaviour) -> None:
    """Then nobody knows, and twice is better than never."""
    with FakeGateway() as first, FakeGateway() as second:
        first.script.always(accept_then_cut())
        first.lists = listing
        with overdue(sqlite_engine, [first.port, second.port], lists=True) as stage:
            gone_s = seconds_until_alerted(stage, [second], CLEO)
            two_more_minutes(stage)

        assert gone_s < WITHIN_S
        assert len(alerts([first], CLEO)) == len(alerts([second], CLEO)) == 1


@pytest.mark.parametrize("fault", NUMBER_FAULTS)
def test_who_cannot_be_reached_brings_the_next_contact_within_fifteen_seconds(
    sqlite_engine: Engine, fault: str
) -> None:
    """The number is refused for good: nobody waits for it, and nobody tries it again."""
    with FakeGateway() as first, FakeGateway() as second:
        first.script.for_number(CLEO, NUMBER_FAULTS[fault])
        with overdue(sqlite_engine, [first.port, second.port]) as stage:
            gone_s = seconds_until_alerted(stage, [first], DOV)
            asked = [one for one in first.answered if one.to == CLEO]
            two_more_minutes(stage)

        assert gone_s < NEXT_WITHIN_S
        assert alerts([first, second], CLEO) == []
        assert [one for one in first.answered if one.to == CLEO] == asked


def test_what_is_accepted_and_never_delivered_goes_by_the_other_gateway(sqlite_engine: Engine) -> None:
    """No receipt comes: after two minutes the next contact is alerted, and the first one's alert goes another way."""
    with FakeGateway() as first, FakeGateway() as second:
        with overdue(sqlite_engine, [first.port, second.port], receipts=True) as stage:
            assert seconds_until_alerted(stage, [first], CLEO) < WITHIN_S
            stage.wait(timedelta(minutes=2), step=timedelta(seconds=10))
            stage.turn()
            stage.wait(timedelta(minutes=2), step=timedelta(seconds=10))

        assert len(alerts([first], CLEO)) == len(alerts([second], CLEO)) == 1
        assert 1 <= len(alerts([first, second], DOV)) <= 2


def the_dive(stage: Stage) -> str:
    """The id of the only dive."""
    return stage.service.read(lambda session: session.execute(select(DiveRow.id)).scalar_one())
