"""The task that runs the clocks. Beat starts it every second; any number of beats and workers may."""

from __future__ import annotations

from typing import Final

from celery import Celery

from service.clock import clock_seconds
from service.operations.health import how_late
from service.operations.intake import drain_quietly
from service.operations.service import Service
from service.operations.sweeping import sweep
from workers import queues
from workers.process import Process

# Real seconds. Ticks that waited in the broker while no worker ran come all at once; one sweep serves them
# all.
JUST_DONE_S: Final = 0.25


def add_tasks(celery: Celery, here: Process) -> None:
    """Give the application its deadline task."""

    @celery.task(name=queues.SWEEP, shared=False, time_limit=30, soft_time_limit=20)
    def sweep_now() -> None:
        """Do all that is due.

        Idempotent: a dive is claimed and decided once, whoever else sweeps. A soft time limit rolls back
        the batch at hand and the next tick, a second later, takes it up.
        """
        # First what lies on the disk: among it may be the finish of a dive that is due.
        drain_quietly(here.service(), here.spool())
        sweep_unless_just_done(here.service())


def sweep_unless_just_done(service: Service) -> bool:
    """Sweep, but not when another sweep has just ended and left nothing due; whether it swept."""
    late = how_late(service)
    # A sweep that a wrong clock has put into the future says nothing of now.
    just_done = late.sweep_age_s is not None and 0 <= late.sweep_age_s < clock_seconds(service.clock, JUST_DONE_S)
    if just_done and late.oldest_due_s is None:
        return False
    sweep(service)
    return True
