"""Signs of life and checkpoints.

The canary proves more than that processes are up: it is a row whose number travels from beat through the
broker and through a worker of each queue. The keeper watches how long ago the last one set out that came
home.
"""

from __future__ import annotations

from typing import Final

from celery import Celery

from service.operations.breaking import tell_relief
from service.operations.canary_dive import look_after_canary_dives
from service.operations.checkpointing import write_checkpoint
from service.operations.erasing import erase_due
from service.operations.gateway_canary import look_after_canaries
from service.operations.health import forget_wrong_codes, return_canary, send_canary
from service.operations.intake import Intake
from service.operations.polling import poll
from service.operations.retention import erase_past
from workers import queues
from workers.process import Process

POLLS_WITHIN_S: Final = 45  # some gateways, of 12 s each


def add_tasks(celery: Celery, here: Process) -> None:
    """Give the application its upkeep tasks."""

    @celery.task(name=queues.CANARY_HOME, shared=False, time_limit=30, soft_time_limit=20)
    def canary_home(canary_id: int) -> None:
        """The canary came through. Idempotent: only the first time counts."""
        return_canary(here.service(), canary_id)

    @celery.task(name=queues.CANARY_ON, shared=False, time_limit=30, soft_time_limit=20)
    def pass_canary(canary_id: int) -> None:
        """Send the canary on to the last queue. Idempotent: coming home twice is as good as once."""
        canary_home.apply_async((canary_id,))

    @celery.task(name=queues.CANARY_OUT, shared=False, time_limit=30, soft_time_limit=20)
    def let_canary_go() -> None:
        """Let one canary go. Idempotent: a second one is one more sign of life."""
        pass_canary.apply_async((send_canary(here.service()),))

    @celery.task(name=queues.CHECKPOINT, shared=False, time_limit=30, soft_time_limit=20)
    def checkpoint() -> None:
        """Hash the heads of all chains, once an hour, and then forget what is of no more use.

        Idempotent: one that comes too early does nothing.
        """
        if write_checkpoint(here.service()):
            forget_wrong_codes(here.service())

    @celery.task(name=queues.POLL, shared=False, time_limit=POLLS_WITHIN_S + 15, soft_time_limit=POLLS_WITHIN_S)
    def ask_for_texts() -> None:
        """Ask the gateways that have a list for the texts that came in.

        Idempotent: a text is known by its gateway's id, and a list that was just read is not read again.
        """
        poll(here.service(), here.gateways())

    @celery.task(name=queues.GATEWAYS, shared=False, time_limit=POLLS_WITHIN_S + 15, soft_time_limit=POLLS_WITHIN_S)
    def look_after_gateways() -> None:
        """Send the daily test through each gateway, and tell admins what failed and what works again.

        Idempotent: a test is claimed before it is sent, and nothing is told twice.
        """
        look_after_canaries(here.service(), here.gateways())
        tell_relief(here.service(), [gateway.name for gateway in here.gateways()])

    @celery.task(name=queues.RETENTION, shared=False, time_limit=30, soft_time_limit=20)
    def erase_what_is_past() -> None:
        """Erase personal detail whose time is over.

        Idempotent: what is erased is erased, and a dive that another process has in hand is passed over.
        """
        erase_due(here.service())
        erase_past(here.service())

    @celery.task(name=queues.CANARY_DIVES, shared=False, time_limit=30, soft_time_limit=20)
    def look_after_dives() -> None:
        """Bring the daily canary dives a step further, and tell admins of one that is late.

        Idempotent: the dive's own state says what comes next, and nothing is texted or told twice.
        """
        # Without a spool: where the database is away this has failed before there is a text.
        look_after_canary_dives(here.service(), Intake(here.service(), None))
