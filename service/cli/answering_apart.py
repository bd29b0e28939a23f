"""Answering texts in a process beside the web, of lower priority: whoever stores the next text goes first.

To answer a text takes several times the processor that it takes to store one. In threads of the web the two would also
wait for each other's interpreter, whatever their priorities.
"""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import Final

from service.app import open_service
from service.cli.opening import gateways_of, settings_of_environment
from service.gateways.channels import channels_of
from service.gateways.own_numbers import own_numbers_of
from service.logs import set_up_logging
from service.operations.answering import LEFT, Answering
from service.operations.clock_mark import follow_mark_from_time_to_time
from workers.app import PUBLISHING, make_celery
from workers.nudge import broker_nudge, few
from workers.running import collect_seldom

_LOG = logging.getLogger(__name__)

COMMAND: Sequence[str] = (sys.executable, "-m", "service.cli.answering_apart")
NICER_BY: Final = 10  # about a tenth of the share of a process that stores, where both want the same core
STARTS_APART_S: Final = 10.0
ENDS_WITHIN_S: Final = 8.0  # what is not answered by then, a sweep answers

ENDED: Final = "inbound.answering_ended"
NOT_STARTED: Final = "inbound.answering_not_started"


class AnsweringApart:
    """Hands ids of stored texts to a process that answers them; while there is none that is ready, to `here`.

    It never waits. What that process had taken when it died is answered by a sweep; it is started again at most once
    in 10 s. It ends by itself when this process is gone.
    """

    def __init__(
        self,
        here: Callable[[int], None],
        command: Sequence[str],
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._here = here
        self._command = command
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._start_at_s = monotonic()
        self._process: subprocess.Popen[bytes] | None = None
        self._ready = False
        with self._lock:
            self._look()

    def __call__(self, inbound_id: int) -> None:
        """Have a text answered that is stored; it returns at once."""
        with self._lock:
            handed_over = self._hand_over(inbound_id)
        if not handed_over:
            self._here(inbound_id)

    def close(self) -> None:
        """Let the process end with what it has taken, and wait for that."""
        with self._lock:
            self._start_at_s = float("inf")
            process, self._process = self._process, None
        if process is not None:
            _close_pipes(process)
            process.wait()

    def _hand_over(self, inbound_id: int) -> bool:
        process = self._look()
        if process is None or process.stdin is None or not self._is_ready(process):
            return False
        try:
            os.write(process.stdin.fileno(), b"%d\n" % inbound_id)
        except BlockingIOError:
            _LOG.warning(LEFT, extra={"inbound": inbound_id})
        except OSError:  # it has just died
            return False
        return True

    def _look(self) -> subprocess.Popen[bytes] | None:
        """The process, started if there is none and it is time."""
        if self._process is not None and self._process.poll() is not None:
            _LOG.error(ENDED, extra={"code": self._process.returncode})
            _close_pipes(self._process)
            self._process = None
        if self._process is None and self._monotonic() >= self._start_at_s:
            self._start_at_s = self._monotonic() + STARTS_APART_S
            self._process, self._ready = _started(self._command), False
        return self._process

    def _is_ready(self, process: subprocess.Popen[bytes]) -> bool:
        """Whether it has said that it takes texts: it needs seconds to load."""
        if not self._ready and process.stdout is not None:
            try:
                self._ready = bool(os.read(process.stdout.fileno(), 1))
            except BlockingIOError:
                return False
        return self._ready


def _started(command: Sequence[str]) -> subprocess.Popen[bytes] | None:
    try:
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)  # noqa: S603 - our own
    except OSError as fault:
        _LOG.error(NOT_STARTED, extra={"why": type(fault).__name__})
        return None
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            os.set_blocking(pipe.fileno(), False)
    return process


def _close_pipes(process: subprocess.Popen[bytes]) -> None:
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            pipe.close()


def run() -> None:
    """Answer the texts whose ids come on standard input, a line each, until it ends."""
    # Whoever stops all processes at once stops the web too, and then the input ends.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)
    settings = settings_of_environment()
    set_up_logging(settings.log_format)
    celery = make_celery(settings, PUBLISHING)
    configs = gateways_of(settings)
    channels, own_numbers = channels_of(configs), own_numbers_of(configs)
    nudge = few(broker_nudge(celery))
    service = open_service(settings, "web", nudge, channels=channels, own_numbers=own_numbers)
    follow_mark_from_time_to_time(service)
    answering = Answering(service)
    collect_seldom()
    os.nice(NICER_BY)  # not before: to load takes long enough on a busy machine
    os.write(sys.stdout.fileno(), b".")
    for line in sys.stdin.buffer:
        answering(int(line))
    _end_within(ENDS_WITHIN_S)
    answering.close()


def _end_within(seconds: float) -> None:
    giving_up = threading.Timer(seconds, os._exit, (1,))
    giving_up.daemon = True
    giving_up.start()


if __name__ == "__main__":
    run()
