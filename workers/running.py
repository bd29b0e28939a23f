"""Running Celery's own processes: one worker per queue under a small parent, and beat."""

from __future__ import annotations

import gc
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType
from typing import Any, Final

from celery import Celery, signals

from service.logs import set_up_logging
from service.settings import Settings
from workers import queues
from workers.app import PUBLISHING, make_celery

_LOG = logging.getLogger(__name__)

STOPS_WITHIN_S: Final = 30.0
SHORTEST_LIFE_S: Final = 5.0  # a child that dies sooner than this waits before it is started again
WAIT_AFTER_SHORT_LIFE_S: Final = 2.0
LOOK_EVERY_S: Final = 0.2
PARENT_LOOK_EVERY_S: Final = 1.0
COLLECTED_AFTER: Final = 200_000  # new values: more than a batch of any kind has at once


def run_beat(settings: Settings) -> None:
    """Send the ticks until a signal comes. Any number of beats may run."""
    _keep_our_logging(settings.log_format)
    celery = make_celery(settings, PUBLISHING)
    celery.Beat(loglevel="INFO", scheduler=celery.conf.beat_scheduler, socket_timeout=5, quiet=True).run()


def run_workers(settings: Settings) -> None:
    """Run one worker for each queue, and start again whichever ends, until a signal comes."""
    _keep_our_logging(settings.log_format)
    celery = make_celery(settings)
    _Workers({queue: _worker(celery, queue, at_once) for queue, at_once in queues.AT_ONCE.items()}).run()


def _worker(celery: Celery, queue: str, at_once: int) -> Callable[[], int]:
    def run() -> int:
        os.nice(queues.NICER_BY.get(queue, 0))
        worker = celery.Worker(
            hostname=f"{queue}@%h",
            queues=[queue],
            concurrency=at_once,
            pool="prefork",
            loglevel="INFO",
            without_gossip=True,
            without_mingle=True,
            without_heartbeat=True,
            quiet=True,
        )
        worker.start()
        return int(worker.exitcode or 0)

    return run


class _Workers:
    """The parent of the workers. Forked before anything is opened, so that they share no connection."""

    def __init__(self, bodies: dict[str, Callable[[], int]]) -> None:
        self._bodies = bodies
        self._pids: dict[int, str] = {}
        self._born: dict[str, float] = {}
        self._start_at: dict[str, float] = dict.fromkeys(bodies, 0.0)
        self._stopping = threading.Event()

    def run(self) -> None:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._stop)
        while not self._stopping.is_set():
            self._start_missing()
            self._reap()
            self._stopping.wait(LOOK_EVERY_S)
        self._end_all()

    def _stop(self, _number: int, _frame: FrameType | None) -> None:
        self._stopping.set()

    def _start_missing(self) -> None:
        running = set(self._pids.values())
        for queue in self._bodies:
            if queue not in running and time.monotonic() >= self._start_at[queue]:
                self._born[queue] = time.monotonic()
                self._pids[self._fork(queue)] = queue

    def _fork(self, queue: str) -> int:
        parent = os.getpid()
        pid = os.fork()
        if pid:
            return pid
        status = 1
        try:
            # A group of its own, so that its parent can end it with its pool; and Celery sets its own
            # handlers.
            os.setpgid(0, 0)
            for number in (signal.SIGTERM, signal.SIGINT):
                signal.signal(number, signal.SIG_DFL)
            end_with_parent(parent)
            status = self._bodies[queue]()
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 1
        except Exception:  # noqa: BLE001 - a fork must end here and nowhere else
            _LOG.exception("worker_failed", extra={"queue": queue})
        finally:
            sys.stderr.flush()
            os._exit(status)

    def _reap(self) -> None:
        for pid, queue in list(self._pids.items()):
            ended, status = os.waitpid(pid, os.WNOHANG)
            if not ended:
                continue
            del self._pids[pid]
            _end_group(pid)
            lived_s = time.monotonic() - self._born[queue]
            wait_s = WAIT_AFTER_SHORT_LIFE_S if lived_s < SHORTEST_LIFE_S else 0.0
            self._start_at[queue] = time.monotonic() + wait_s
            code = os.waitstatus_to_exitcode(status)
            _LOG.error("worker_ended", extra={"queue": queue, "code": code, "lived_s": round(lived_s, 1)})

    def _end_all(self) -> None:
        # Celery's soft shutdown: the tasks at hand get their seconds, and no new one is taken.
        for pid in self._pids:
            os.kill(pid, signal.SIGQUIT)
        give_up_at = time.monotonic() + STOPS_WITHIN_S
        while self._pids and time.monotonic() < give_up_at:
            for pid in list(self._pids):
                if os.waitpid(pid, os.WNOHANG)[0]:
                    del self._pids[pid]
            time.sleep(0.05)
        for pid in self._pids:
            _end_group(pid)
            os.waitpid(pid, 0)


def _end_group(pid: int) -> None:
    """End what is left of a worker and its pool at once; each of them was forked by us."""
    try:
        os.killpg(pid, signal.SIGKILL)
    except ProcessLookupError:
        return


def end_with_parent(parent: int) -> None:
    """From now on this process ends when its parent is gone: nobody would look after it or stop it."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(PARENT_LOOK_EVERY_S)
        os._exit(1)

    threading.Thread(target=watch, name="parent-watch", daemon=True).start()


def collect_seldom() -> None:
    """Let what is loaded by now be, and look for garbage after many batches of work instead of several times in each.

    A batch makes many values that go with it, without a cycle among them.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(COLLECTED_AFTER)


def _keep_our_logging(log_format: str) -> None:
    @signals.setup_logging.connect(weak=False)
    def _(**_: Any) -> None:
        set_up_logging(log_format)

    @signals.worker_process_init.connect(weak=False)
    def _(**_: Any) -> None:
        collect_seldom()
        end_with_parent(os.getppid())
