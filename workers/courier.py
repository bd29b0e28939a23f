"""The tasks that carry messages to gateways. A nudge makes them quick, beat's poll makes them certain."""

from __future__ import annotations

from typing import Final

from celery import Celery

from workers import queues
from workers.process import OutOfTime, Process

# After the soft limit no more is claimed; what is with a gateway by then has its 12 s and is recorded.
CLAIMS_FOR_S: Final = 20
ENDS_WITHIN_S: Final = 60


def add_tasks(celery: Celery, here: Process) -> None:
    """Give the application its courier tasks."""

    @celery.task(
        name=queues.CARRY_URGENT,
        shared=False,
        time_limit=ENDS_WITHIN_S,
        soft_time_limit=CLAIMS_FOR_S,
    )
    def carry_urgent() -> None:
        """Carry distress, alerts and stand-downs until none is waiting.

        Idempotent: a message is leased to one courier, and its outcome is recorded only by who holds the
        lease.
        """
        carry(here, urgent_only=True)

    @celery.task(
        name=queues.CARRY_ALL,
        shared=False,
        time_limit=ENDS_WITHIN_S,
        soft_time_limit=CLAIMS_FOR_S,
    )
    def carry_all() -> None:
        """Carry whatever is waiting, the most urgent first, until nothing is.

        Idempotent: a message is leased to one courier, and its outcome is recorded only by who holds the
        lease.
        """
        carry(here, urgent_only=False)


def carry(here: Process, *, urgent_only: bool) -> None:
    """Carry until nothing is waiting or the time is over; what is left is claimed by the next task."""
    try:
        here.courier().carry(urgent_only=urgent_only)
    except OutOfTime:
        # The courier's threads end and record what they have begun.
        return
