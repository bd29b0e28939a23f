"""The task that runs the clocks. Beat starts it every second; any number of beats and workers may."""

from __future__ import annotations

from celery import Celery

from service.operations.intake import drain_quietly
from service.operations.sweeping import sweep
from workers import queues
from workers.process import Process


def add_tasks(celery: Celery, here: Process) -> None:
    """Give the application its deadline task."""

    @celery.task(name=queues.SWEEP, shared=False, time_limit=30, soft_time_limit=20)
    def sweep_now() -> None:
        """Do all that is due.

        Idempotent: a dive is claimed and decided once, whoever else sweeps. A soft time limit rolls back
        the batch at hand and the next tick, a second later, takes it up. Ticks that waited in the broker while
        no worker ran come all at once: the first does what is due, and to the others one statement says that
        nothing is.
        """
        # First what lies on the disk: among it may be the finish of a dive that is due.
        drain_quietly(here.service(), here.spool())
        sweep(here.service())
