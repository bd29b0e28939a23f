"""The processes that serve nobody: worker, beat, keeper."""

from __future__ import annotations

import logging
import os
import signal
import threading
from types import FrameType

import click

from service.app import ready_spool
from service.cli.opening import gateways_of, opened, service_with_schema
from service.cli.starting import begun, say_unheard
from service.gateways.settings import open_gateways
from service.operations.carrying import Courier
from service.operations.spooling import Spool
from service.settings import PREFIX, Settings, SettingsError
from workers.keeper import Keeper
from workers.running import run_beat, run_workers
from workers.versions import UntriedVersionsError, check_versions, installed
from workers.watchdog import Watchdog

_LOG = logging.getLogger(__name__)


@click.command()
def worker() -> None:
    """Run the clocks and carry the messages: one worker process for each queue.

    Any number may run, on any number of machines. SIGTERM lets the tasks at hand end; give it 40 seconds.
    """
    settings = begun()
    _check_versions()
    gateways_of(settings)
    service = service_with_schema(settings, "worker")
    say_unheard(service)
    service.engine.dispose()
    run_workers(settings)


@click.command()
def beat() -> None:
    """Send the ticks that start sweeps and couriers. Any number may run: ticks carry no meaning."""
    settings = begun()
    _check_versions()
    run_beat(settings)


@click.command()
def keeper() -> None:
    """Stand by: see within seconds that dives or alarms are late, and then do the work itself.

    Needs the database and the gateways, and neither broker nor workers. Run it on another machine where you can; two
    keepers are harmless.
    """
    settings = begun()
    configs = gateways_of(settings)
    service = opened(settings, "keeper")
    # Beside its looks: the database may be gone already, and waiting for it would be time without a keeper.
    threading.Thread(target=say_unheard, args=(service,), name="says-unheard", daemon=True).start()
    gateways = open_gateways(configs, public_url=settings.public_url)
    courier = Courier(service, gateways)
    stopping = threading.Event()

    def stop(_number: int, _frame: FrameType | None) -> None:
        stopping.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    spool, watchdog = _spool_of_keeper(settings), Watchdog(os.environ)
    Keeper(service, courier, gateways=gateways, spool=spool, completed=watchdog.completed).run(stopping)


def _spool_of_keeper(settings: Settings) -> Spool | None:
    spool = ready_spool(settings)
    if spool is None:
        _LOG.error("keeper_without_snapshot", extra={"why": f"{PREFIX}SPOOL_DIR is not set"})
    return spool


def _check_versions() -> None:
    try:
        check_versions(installed())
    except UntriedVersionsError as fault:
        raise SettingsError(str(fault)) from None
