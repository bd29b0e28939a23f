"""What the tasks do beside calling the operations: skipping, checkpoints, and the end of their time."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from celery.exceptions import SoftTimeLimitExceeded
from kombu.exceptions import OperationalError
from sqlalchemy import func, select

from service.operations import health
from service.operations.canary_dive import set_number
from service.operations.checkpointing import write_checkpoint
from service.operations.sweeping import sweep
from service.settings import Settings
from service.store import inbound
from service.store.tables import CanaryRow, GatewayCanaryRow, LogCheckpointRow, WrongCodeRow
from tests.operations.stage import CLEO, CLUB, OURS, STRANGER, Stage
from workers import queues
from workers.app import make_celery
from workers.courier import carry
from workers.process import Process


def test_a_sweep_of_the_future_keeps_none_back(stage: Stage) -> None:
    """After a clock was wrongly two hours ahead, what is due is done all the same."""
    stage.clock.at += timedelta(hours=2)
    sweep(stage.service)
    stage.clock.at -= timedelta(hours=2)
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at

    sweep(stage.service)

    assert stage.dive(dive.id).phase == "alert"


def test_every_task_run_twice_does_what_once_does(settings: Settings, stage: Stage) -> None:
    """Each task that takes no number, twice in a row on an overdue dive: one alert."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.clock.at = dive.raise_by_at
    for _ in range(2):
        sweep(stage.service)
        stage.courier.carry(urgent_only=True)
        stage.courier.carry()
        write_checkpoint(stage.service)

    assert len([body for body in stage.to(CLEO) if "OVERDUE" in body]) == 1


def test_a_checkpoint_is_written_once_an_hour(stage: Stage) -> None:
    """Asked every minute, it is written when an hour has passed."""
    written = []
    for _ in range(62):
        written.append(write_checkpoint(stage.service))
        stage.clock.at += timedelta(minutes=1)

    count = stage.service.read(
        lambda session: session.execute(select(func.count()).select_from(LogCheckpointRow)).scalar_one()
    )
    assert [minute for minute, was in enumerate(written) if was] == [0, 60]
    assert count == 2


def test_a_canary_comes_home_once(settings: Settings, stage: Stage) -> None:
    """The task at the end of its way notes it; a second time changes nothing, nor does a number that nobody sent."""
    celery = make_celery(settings)
    with pytest.raises(OperationalError):
        celery.tasks[queues.CANARY_OUT]()
    sent = stage.service.read(lambda session: session.execute(select(CanaryRow.id)).scalar_one())

    for number in (sent, sent, sent + 77):
        celery.tasks[queues.CANARY_HOME](number)

    home = stage.service.read(
        lambda session: session.execute(
            select(func.count()).select_from(CanaryRow).where(CanaryRow.returned_at.is_not(None))
        ).scalar_one()
    )
    assert home == 1


class OutOfTimeCourier:
    """A courier whose task meets its soft time limit."""

    def carry(self, *, urgent_only: bool) -> int:
        """Run out of time."""
        raise SoftTimeLimitExceeded(urgent_only)


class OutOfTimeProcess(Process):
    """A process with such a courier."""

    def courier(self) -> OutOfTimeCourier:  # type: ignore[override]
        """The courier that runs out of time."""
        return OutOfTimeCourier()


def test_a_worker_that_starts_behind_goes_on_from_the_mark(settings: Settings, stage: Stage) -> None:
    """Each of its tasks takes the service from here; an hour that others are ahead is ours too."""
    here = Process(settings, make_celery(settings))
    stage.clock.at = datetime.now(UTC) + timedelta(hours=1)
    sweep(stage.service)

    behind = here.service().clock.now() - datetime.now(UTC)

    assert timedelta(minutes=59) < behind < timedelta(minutes=61)
    here.service().engine.dispose()


def test_a_courier_whose_time_is_over_ends_quietly(settings: Settings) -> None:
    """The soft limit ends the claiming and is no failure of the task."""
    carry(OutOfTimeProcess(settings, make_celery(settings)), urgent_only=False)


def test_wrong_codes_of_the_day_before_are_forgotten(
    settings: Settings, stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once an hour, in batches; what counts for an hour is kept for a day."""
    monkeypatch.setattr(health, "FORGOTTEN_AT_ONCE", 2)
    now = datetime.now(UTC)  # a task goes by the wall clock
    old, young = now - timedelta(hours=25), now - timedelta(hours=23)
    for at in (old,) * 5 + (young,):
        stage.service.write(lambda session, at=at: inbound.note_wrong_code(session, OURS, STRANGER, at))
    celery = make_celery(settings)

    celery.tasks[queues.CHECKPOINT]()

    left = stage.service.read(lambda session: list(session.execute(select(WrongCodeRow.at)).scalars()))
    assert left == [young]


def test_wrong_codes_are_forgotten_up_to_a_bound(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """A flood of them must not keep the task for longer than it may take; the next one goes on."""
    monkeypatch.setattr(health, "FORGOTTEN_AT_ONCE", 1)
    monkeypatch.setattr(health, "FORGETTING_ROUNDS_MAX", 3)
    old = stage.clock.at - timedelta(days=2)
    for _ in range(5):
        stage.service.write(lambda session: inbound.note_wrong_code(session, OURS, STRANGER, old))

    assert [health.forget_wrong_codes(stage.service) for _ in range(3)] == [3, 2, 0]


def test_the_task_for_gateways_sends_the_daily_test_once(stage: Stage, settings: Settings) -> None:
    """Two ticks make one test; what became of it is kept."""
    [one] = json.loads(settings.gateways)
    celery = make_celery(replace(settings, gateways=json.dumps([one | {"canary": STRANGER}])))

    for _ in range(2):
        celery.tasks[queues.GATEWAYS]()

    rows = stage.service.read(lambda session: session.execute(select(GatewayCanaryRow)).scalars().all())
    assert [(row.gateway, row.outcome, row.code) for row in rows] == [("one", "refused", "ConnectError")]


def test_the_task_for_canary_dives_begins_one(stage: Stage, settings: Settings) -> None:
    """Two ticks make one dive, started by its text."""
    stage.service.write(lambda session: set_number(stage.service, session, CLUB, STRANGER))
    celery = make_celery(settings)

    for _ in range(2):
        celery.tasks[queues.CANARY_DIVES]()

    assert [(dive.drill, dive.phase) for dive in stage.all_dives()] == [(True, "in_water")]
