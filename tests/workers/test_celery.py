"""The broker carries no meaning, and nothing hangs on it."""

from __future__ import annotations

import inspect
from types import SimpleNamespace
from typing import Any

import pytest
from celery import Celery

from service.settings import Settings
from workers import queues, running
from workers.app import LISTENING, PUBLISHING, make_celery
from workers.versions import TRIED, UntriedVersionsError, check_versions, installed


@pytest.fixture
def celery(settings: Settings) -> Celery:
    """The application as a worker makes it."""
    return make_celery(settings)


def our_tasks(celery: Celery) -> dict[str, Any]:
    """Our tasks by name, without those that Celery brings along."""
    return {name: task for name, task in celery.tasks.items() if not name.startswith("celery.")}


def test_every_task_has_a_queue_that_a_worker_listens_to(celery: Celery) -> None:
    """No task is sent where nobody takes it, and no queue is without a task."""
    assert our_tasks(celery).keys() == queues.QUEUE_OF.keys()
    assert set(queues.QUEUE_OF.values()) == set(queues.AT_ONCE)
    assert {queue.name for queue in celery.conf.task_queues} == set(queues.AT_ONCE)


def test_a_task_goes_to_its_queue(celery: Celery) -> None:
    """The routes that Celery works out are those of our table."""
    routed = {name: celery.amqp.router.route({}, name)["queue"].name for name in our_tasks(celery)}

    assert routed == queues.QUEUE_OF


def test_every_task_has_time_limits_and_keeps_no_result(celery: Celery) -> None:
    """A task that hangs is interrupted, then ended, and its outcome is in the database only."""
    for name, task in our_tasks(celery).items():
        assert 0 < task.soft_time_limit < task.time_limit <= 60, name
        assert task.ignore_result, name
        assert not task.acks_late, name


def test_every_task_says_why_it_may_run_twice(celery: Celery) -> None:
    """Each docstring has the word, so that nobody adds a task without thinking of it."""
    silent = [name for name, task in our_tasks(celery).items() if "Idempotent" not in (task.run.__doc__ or "")]

    assert silent == []


def test_no_task_leaves_a_delay_or_an_expiry_to_the_broker(celery: Celery) -> None:
    """Neither tasks nor schedule set what would give the broker a say."""
    for name, task in our_tasks(celery).items():
        assert (task.rate_limit, task.expires, task.default_retry_delay) == (None, None, 180), name
    for entry in celery.conf.beat_schedule.values():
        assert entry.keys() == {"task", "schedule"}


def test_the_schedule_names_tasks_that_exist(celery: Celery) -> None:
    """Beat sends nothing that no worker knows, and a sweep every second."""
    named = {entry["task"] for entry in celery.conf.beat_schedule.values()}

    assert named <= our_tasks(celery).keys()
    assert celery.conf.beat_schedule["sweep"] == {"task": queues.SWEEP, "schedule": 1.0}


def test_nothing_waits_for_the_broker_for_ever(celery: Celery) -> None:
    """Each wait for the broker ends: sockets, a place in the pool, publishing."""
    conf = celery.conf

    assert 0 < conf.broker_transport_options["socket_timeout"] <= 5
    assert 0 < conf.broker_transport_options["socket_connect_timeout"] <= 2
    assert conf.broker_pool_acquire_timeout == 1
    assert conf.task_publish_retry is False
    assert PUBLISHING["socket_timeout"] == 1


def test_a_worker_outlives_any_outage_of_the_broker(celery: Celery) -> None:
    """Connecting is tried again for ever, also at the start."""
    assert celery.conf.broker_connection_retry_on_startup is True
    assert celery.conf.broker_connection_max_retries is None
    assert LISTENING["health_check_interval"] == 5


def test_only_data_is_taken_from_the_broker(celery: Celery) -> None:
    """Nothing that comes from the broker is code."""
    assert celery.conf.accept_content == ["json"]
    assert celery.conf.task_serializer == "json"


def test_a_task_is_given_the_number_of_a_row_or_nothing(celery: Celery) -> None:
    """Whoever reads the broker reads no words, phones or places of people."""
    asked = {
        f"{name} {parameter}": annotation
        for name, task in our_tasks(celery).items()
        for parameter, annotation in inspect.get_annotations(task.run, eval_str=True).items()
        if parameter != "return"
    }

    assert asked == {f"{name} canary_id": int for name in (queues.CANARY_ON, queues.CANARY_HOME)}


def test_two_applications_do_not_share_tasks(settings: Settings) -> None:
    """Each application's tasks work with its own settings."""
    first, second = make_celery(settings), make_celery(settings)

    assert first.tasks[queues.SWEEP].app is first
    assert second.tasks[queues.SWEEP].app is second


def test_the_installed_versions_were_tried_together() -> None:
    """What the lock file brings starts."""
    check_versions(installed())

    assert installed() in TRIED


def test_versions_that_nobody_tried_are_refused_by_name() -> None:
    """A set that may go deaf without a word does not start, and the message says which it is."""
    with pytest.raises(UntriedVersionsError, match=r"celery 5\.7\.0, kombu 5\.6\.2, redis 8\.1\.0 were never tried"):
        check_versions(("5.7.0", "5.6.2", "8.1.0"))


@pytest.mark.parametrize(("queue", "by"), [(queues.DEADLINES, 0), (queues.URGENT, 0), (queues.MESSAGES, 10)])
def test_only_what_is_calm_gives_way(monkeypatch: pytest.MonkeyPatch, queue: str, by: int) -> None:
    """Clocks and alarms keep their priority; the worker of the calm queue lowers its own before it forks its pool."""
    did: list[object] = []

    class Worker:
        exitcode = 0

        def __init__(self, **named: Any) -> None:
            did.append(named["queues"])

        def start(self) -> None:
            did.append("starts")

    monkeypatch.setattr(running.os, "nice", did.append)

    assert running._worker(SimpleNamespace(Worker=Worker), queue, 2)() == 0  # type: ignore[arg-type]
    assert did == [by, [queue], "starts"]
