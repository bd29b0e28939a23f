"""The demo and the tour, for people who look around."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path
from types import FrameType
from typing import Final, NoReturn

import click

from service.demo.directory import AlreadyRunningError, ClockWentAheadError
from service.demo.running import CannotStartError, Demo
from service.demo.tour import play

PACE_MAX: Final = 600
TEND_EVERY_S: Final = 1.0

_PACE = click.FloatRange(1, PACE_MAX)
_PORT = click.IntRange(1, 65535)
_DATA = click.Path(file_okay=False, path_type=Path)


@click.command()
@click.option("--port", type=_PORT, default=8000, show_default=True, help="Where its pages are, on this machine.")
@click.option("--pace", type=_PACE, default=1, show_default=True, help="60: a second is a minute of dive time.")
@click.option("--data", type=_DATA, default=Path(".demo"), show_default=True, help="Its data directory.")
def demo(*, port: int, pace: float, data: Path) -> None:
    """Run everything on this machine: practice phones, an invented club, no other server needed.

    SQLite, an embedded broker, web, worker, beat, keeper and a practice gateway; nothing leaves this machine. The data
    stays in the data directory, and DIR/demo.json tells scripts the rest. DATABASE_URL, BROKER_URL and GATEWAYS are
    taken from the environment where they are set. Ctrl-C stops it.
    """
    _end_by_signal()
    try:
        with Demo(data, port=port, pace=pace, environ=os.environ, say=_say) as running:
            for line in _what_to_try(running.document, data):
                _say(line)
            while True:
                time.sleep(TEND_EVERY_S)
                running.tend()
    except KeyboardInterrupt:
        _say("Stopped.")
    except AlreadyRunningError as other:
        where = f"at {other.url}" if other.url else "and is still starting"
        _say(f"A demo is running on {data} already, {where}. For a second one: --data DIR and --port PORT.")
    except (CannotStartError, ClockWentAheadError) as fault:
        _cannot(fault, data)


@click.command()
@click.option("--port", type=_PORT, help="Where its pages are while it plays; without this, any that is free.")
@click.option("--pace", type=_PACE, default=60, show_default=True, help="60: a second is a minute of dive time.")
@click.option("--data", type=_DATA, default=Path(".demo"), show_default=True, help="It makes DIR/tour anew.")
def tour(*, port: int | None, pace: float, data: Path) -> None:
    """Play one overdue dive over real HTTP and print every phone's conversation and the log.

    Plan, in, overdue, alert, OK, distress, called, out, stand-down. Exit status 1 when a phone that had been told
    anything was left without the stand-down, or when the log does not verify. Takes DATABASE_URL and BROKER_URL
    from the environment where they are set. About a minute and a half at pace 60.
    """
    _end_by_signal()
    try:
        faults = play(data / "tour", port=port, pace=pace, environ=os.environ, say=_say)
    except KeyboardInterrupt:
        _say("Stopped.")
        sys.exit(130)
    except AlreadyRunningError:
        _say(f"A tour is playing in {data} already. For a second one: --data DIR.")
        sys.exit(1)
    except (CannotStartError, ClockWentAheadError) as fault:
        _cannot(fault, data)
    for words in faults:
        _say(f"FAULT: {words}")
    sys.exit(1 if faults else 0)


def _cannot(fault: Exception, data: Path) -> NoReturn:
    words = (
        f"the clock of {data} is ahead, since it ran faster before: keep a pace above 1, or choose another --data DIR"
        if isinstance(fault, ClockWentAheadError)
        else str(fault)
    )
    click.echo(f"linetender: {words}", err=True)
    sys.exit(1)


def _what_to_try(document: dict[str, object], data: Path) -> list[str]:
    url, pace = document["url"], document["pace"]
    speed = "in real time" if pace == 1 else f"one second is {pace:g} seconds of dive time"
    return [
        "",
        f"Linetender is running, {speed}: {url}",
        "",
        f"  {url}/practice   everybody's practice phone: type as any of them, watch texts arrive",
        f"  {url}/plan       file a plan",
        "",
        "Try: on Anna Holt's phone text PLAN LANTERN NOW 30 P2, then IN, then do nothing and watch.",
        "     Answer on Cleo Marsh's phone with OK. End it on Anna's with OUT 2.",
        "",
        f"For other commands on this data: . {data}/settings.sh && linetender audit verify",
        f"Logs: {data}/logs   Ctrl-C stops it.",
    ]


def _say(line: str) -> None:
    click.echo(line)
    sys.stdout.flush()


def _end_by_signal() -> None:
    """SIGTERM ends as Ctrl-C does; and while things end, a second one does not leave half of them running."""

    def end(_number: int, _frame: FrameType | None) -> None:
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.SIG_IGN)
        raise KeyboardInterrupt

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
