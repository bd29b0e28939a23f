"""The Celery application: its queues, its schedule, and the settings without which it hangs or forgets.

The broker carries no meaning. A tick or a nudge may be lost, come twice or come days late: the tasks look
into the database for what is due, and the keeper looks whether they do. So nothing here delays, repeats,
limits or expires a task, and nothing keeps results. In particular ticks have no `expires`: a worker whose
clock is ahead would throw all of them away. What piles up while no worker runs is worked off in seconds,
since a sweep that finds another one just done returns at once (`workers.deadlines`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from celery import Celery
from kombu.entity import Queue

from service.settings import Settings
from workers import courier, deadlines, queues, upkeep
from workers.process import Process

SWEEP_EVERY_S: Final = 1.0
CARRY_EVERY_S: Final = 2.0
CANARY_EVERY_S: Final = 15.0
CHECKPOINT_ASKED_EVERY_S: Final = 60.0
POLL_EVERY_S: Final = 60.0
GATEWAYS_EVERY_S: Final = 60.0
CANARY_DIVES_EVERY_S: Final = 10.0
RETENTION_EVERY_S: Final = 600.0

# Without time-outs on the socket a half-open link to the broker blocks beat and workers for ever (kombu's
# default). The time-outs are longer than the second for which a worker waits in one BRPOP.
LISTENING: Final = {
    "socket_timeout": 5,
    "socket_connect_timeout": 2,
    "socket_keepalive": True,
    "health_check_interval": 5,
    "visibility_timeout": 120,
    "unacked_restore_interval": 5,
    "unacked_restore_throttle": 1,
}

# Who publishes and waits: a page, a sweep, beat. Nobody may be kept for more than about a second.
PUBLISHING: Final = {
    "socket_timeout": 1,
    "socket_connect_timeout": 1,
    "socket_keepalive": True,
    "health_check_interval": 5,
    "max_retries": 0,
    "interval_start": 0,
    "interval_step": 0,
    "interval_max": 0,
}


def make_celery(settings: Settings, transport: Mapping[str, Any] = LISTENING) -> Celery:
    """The Celery application. It connects to nothing and opens no database before a worker process does."""
    celery = Celery("linetender", broker=settings.broker_url, set_as_current=False)
    celery.conf.update(_configuration(transport))
    here = Process(settings, celery)
    deadlines.add_tasks(celery, here)
    courier.add_tasks(celery, here)
    upkeep.add_tasks(celery, here)
    celery.finalize()
    return celery


def _configuration(transport: Mapping[str, Any]) -> dict[str, Any]:
    return {
        # Only data that a human could have typed: pickles from an open broker would be code.
        "accept_content": ["json"],
        "task_serializer": "json",
        # The outcome is a row in the database.
        "result_backend": None,
        "task_ignore_result": True,
        "task_store_errors_even_if_ignored": False,
        "worker_send_task_events": False,
        "task_send_sent_event": False,
        "enable_utc": True,
        "timezone": "UTC",
        # The lease in the database is the one authority on who does what again, so the broker may forget at
        # once.
        "task_acks_late": False,
        "task_reject_on_worker_lost": False,
        "task_publish_retry": False,
        "task_time_limit": 30,
        "task_soft_time_limit": 20,
        "task_queues": [_queue(name) for name in queues.AT_ONCE],
        "task_routes": {task: {"queue": queue} for task, queue in queues.QUEUE_OF.items()},
        "task_default_queue": queues.DEADLINES,
        "task_create_missing_queues": False,
        "worker_prefetch_multiplier": 1,
        "worker_max_tasks_per_child": 5_000,
        "worker_max_memory_per_child": 300_000,  # KiB
        "worker_soft_shutdown_timeout": 20,
        "worker_hijack_root_logger": False,
        "worker_redirect_stdouts": False,
        "worker_enable_remote_control": False,
        "broker_transport_options": dict(transport),
        "broker_connection_timeout": transport["socket_connect_timeout"],
        "broker_pool_acquire_timeout": 1,
        "broker_connection_retry": True,
        "broker_connection_retry_on_startup": True,
        # for ever: an hour without a broker must not leave dead workers
        "broker_connection_max_retries": None,
        "beat_scheduler": "celery.beat:Scheduler",  # in memory: there is nothing worth keeping
        "beat_max_loop_interval": 1,
        "beat_schedule": _schedule(),
    }


def _queue(name: str) -> Any:
    made: Any = Queue
    return made(name)


def _schedule() -> dict[str, dict[str, Any]]:
    """What beat sends, and every how many seconds: real ones, whatever the pace of a demo."""
    return {
        "sweep": {"task": queues.SWEEP, "schedule": SWEEP_EVERY_S},
        "carry-urgent": {"task": queues.CARRY_URGENT, "schedule": CARRY_EVERY_S},
        "carry-all": {"task": queues.CARRY_ALL, "schedule": CARRY_EVERY_S},
        "canary": {"task": queues.CANARY_OUT, "schedule": CANARY_EVERY_S},
        "checkpoint": {"task": queues.CHECKPOINT, "schedule": CHECKPOINT_ASKED_EVERY_S},
        "poll": {"task": queues.POLL, "schedule": POLL_EVERY_S},
        "gateways": {"task": queues.GATEWAYS, "schedule": GATEWAYS_EVERY_S},
        "canary-dives": {"task": queues.CANARY_DIVES, "schedule": CANARY_DIVES_EVERY_S},
        "retention": {"task": queues.RETENTION, "schedule": RETENTION_EVERY_S},
    }
