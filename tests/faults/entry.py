"""A process of an installation under test: the product's own command, with what a test must be able to turn.

`python -m tests.faults.entry worker`. The clock is one that the test moves, plans may be short so that a dive is over
while somebody waits for it, and a worker can be made deaf. Nothing else differs from `linetender worker`.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from datetime import timedelta
from pathlib import Path
from typing import Any

from celery import signals

from service.cli import answering_apart, main
from service.clock import SteadyClock
from service.domain import plan
from service.settings import Settings
from tests.faults.moved_clock import VARIABLE, MovedClock

DEAF = "DEAF_WHILE_THERE"
ANSWERING = "answering"  # what the web starts beside itself
SHORTEST_RUN = timedelta(seconds=5)


def go() -> None:
    """Run the command that was named."""
    clock = SteadyClock(MovedClock(Path(os.environ[VARIABLE])).now)
    Settings.clock = lambda _: clock  # type: ignore[method-assign]
    plan.RUN_TIME_MIN = SHORTEST_RUN
    signals.worker_ready.connect(_listen_as_told, weak=False)
    answering_apart.COMMAND = (sys.executable, "-m", "tests.faults.entry", ANSWERING)
    if sys.argv[1:] == [ANSWERING]:
        answering_apart.run()
    else:
        main()


def _listen_as_told(sender: Any, **_: Any) -> None:
    """As the remote control would, which the product keeps shut: drop the consumer while the file is there."""
    mark, queue = Path(os.environ[DEAF]), next(iter(sender.task_consumer.queues)).name

    def watch() -> None:
        deaf = False
        while True:
            if mark.exists() != deaf:
                deaf = not deaf
                sender.call_soon(sender.cancel_task_queue if deaf else sender.add_task_queue, queue)
            time.sleep(0.2)

    threading.Thread(target=watch, daemon=True).start()


if __name__ == "__main__":
    go()
