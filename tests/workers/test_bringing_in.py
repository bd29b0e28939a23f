"""Workers and keeper bring in what lay on the disk before they decide, and ask gateways for what was not posted."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.operations.gateway import InboundText, Route
from service.operations.polling import poll
from service.operations.spooling import Spool
from service.settings import Settings
from tests.fakes.gateway import ACCOUNT, TOKEN, FakeGateway
from tests.operations.stage import ANNA, CLEO, OURS, HandMovedClock, Stage, staged
from tests.workers.test_keeper import wait_until
from workers import queues
from workers.app import make_celery
from workers.keeper import Keeper
from workers.process import Process


@pytest.fixture
def settings(settings: Settings, tmp_path: Path) -> Settings:
    """Settings with a place on the disk."""
    return replace(settings, spool_dir=str(tmp_path / "spool"))


@pytest.fixture
def spool(settings: Settings) -> Spool:
    """That place."""
    spool = Spool(Path(settings.spool_dir or ""), settings.secret_key)
    spool.make()
    return spool


@pytest.fixture
def overdue(settings: Settings) -> Iterator[Stage]:
    """A stage on which a dive of Anna's is overdue by the wall clock, and nobody has looked yet."""
    with staged(settings.database_url, HandMovedClock(datetime.now(UTC) - timedelta(minutes=67))) as stage:
        stage.dive_in()
        stage.clock.at = datetime.now(UTC)
        yield stage


def finish(stage: Stage, sid: str = "SM1") -> InboundText:
    """Anna's finish, as it came before the dive was overdue."""
    return InboundText("first", sid, ANNA, OURS, "OUT 2", {}, stage.clock.at - timedelta(minutes=20))


def alerted(stage: Stage) -> bool:
    """Whether Cleo was handed an alert."""
    stage.clock.at = max(stage.clock.at, datetime.now(UTC))
    stage.courier.carry()
    return any("OVERDUE" in body for body in stage.to(CLEO))


def test_a_sweep_that_finds_nothing_on_the_disk_raises_the_alarm(settings: Settings, overdue: Stage) -> None:
    """What the tests below keep from happening."""
    make_celery(settings).tasks[queues.SWEEP]()

    assert alerted(overdue)


def test_a_finish_on_the_disk_comes_before_the_alarm(settings: Settings, overdue: Stage, spool: Spool) -> None:
    """The database is back, the dive is due, and the first sweep knows that they are out."""
    spool.keep(finish(overdue))

    make_celery(settings).tasks[queues.SWEEP]()

    assert spool.waiting() == []
    assert not alerted(overdue)


def test_a_disk_that_fails_keeps_no_alarm_back(settings: Settings, overdue: Stage, tmp_path: Path) -> None:
    """Where the place is no directory at all the sweep goes on."""
    (tmp_path / "no directory").write_text("a file")

    make_celery(replace(settings, spool_dir=str(tmp_path / "no directory"))).tasks[queues.SWEEP]()

    assert alerted(overdue)


def test_a_file_that_nobody_can_read_keeps_no_alarm_back(settings: Settings, overdue: Stage, spool: Spool) -> None:
    """It is put aside, and the sweep goes on."""
    spool.keep(finish(overdue))
    [path] = spool.waiting()
    path.write_bytes(b"damaged")

    make_celery(settings).tasks[queues.SWEEP]()

    assert alerted(overdue)


def test_the_keeper_knows_what_is_on_the_disk_before_it_acts(overdue: Stage, spool: Spool) -> None:
    """It too would otherwise raise the alarm, since no worker runs."""
    spool.keep(finish(overdue))
    keeper = Keeper(overdue.service, overdue.courier, spool=spool)

    assert keeper.look() == ()

    keeper._thread.shutdown(wait=True)
    keeper._asking.shutdown(wait=True)
    assert not alerted(overdue)


def test_the_keeper_asks_for_texts_when_no_worker_does(stage: Stage) -> None:
    """Nobody has read the list before: it is overdue."""
    dive = stage.dive_in()
    stage.clock.at += timedelta(minutes=30)  # the finish came ten minutes after the start
    stage.first.route = Route(lists=True)
    stage.first.inbox = [finish(stage)]
    keeper = Keeper(stage.service, stage.courier, gateways=[stage.first])

    keeper.look()

    assert wait_until(lambda: not stage.dive(dive.id).live)
    keeper._thread.shutdown(wait=True)
    keeper._asking.shutdown(wait=True)


def test_a_fault_of_asking_does_not_end_the_keeper(
    stage: Stage, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A gateway that breaks its promise never to raise is logged, and the look goes on."""

    def broken(*_: object) -> None:
        raise RuntimeError("a fault in the gateway's own code")

    stage.first.route = Route(lists=True)
    monkeypatch.setattr(stage.first, "recent_texts", broken)
    keeper = Keeper(stage.service, stage.courier, gateways=[stage.first])

    keeper.look()

    assert wait_until(lambda: "keeper_poll_failed" in caplog.messages)
    keeper._thread.shutdown(wait=True)
    keeper._asking.shutdown(wait=True)


def test_a_worker_asks_its_gateways(settings: Settings, overdue: Stage) -> None:
    """Over real HTTP: a finish that the gateway could not post closes the dive within a minute of the tick."""
    with FakeGateway(number=OURS) as fake:
        gateway = {"name": "one", "kind": "form-post", "base_url": fake.base_url, "account": ACCOUNT, "token": TOKEN}
        gateways = json.dumps([gateway | {"sender": OURS, "lists": True}])
        fake.text_unposted(ANNA, "OUT 2")

        told = replace(settings, gateways=gateways)
        here = Process(told, make_celery(told))
        poll(here.service(), here.gateways())
        here.gateways()[0].close()
        here.service().engine.dispose()

    assert not alerted(overdue)
    [entry] = [one for one in overdue.entries(chain="club:skerry-bay") if (one.detail or {}).get("way")]
    assert (entry.detail or {})["way"] == "listed"
