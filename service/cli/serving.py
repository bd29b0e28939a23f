"""The two processes that serve HTTP: web and fallback."""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from types import FrameType
from typing import Any, Final

import click
from flask import Flask
from gunicorn.app.base import BaseApplication  # type: ignore[import-untyped]
from sqlalchemy.exc import SQLAlchemyError

from service.app import open_service, open_spool, ready_spool
from service.cli import answering_apart
from service.cli.answering_apart import AnsweringApart
from service.cli.opening import first_line, gateways_of, opened, schema_fault, service_with_schema
from service.cli.starting import begun, say_unheard
from service.clock import clock_seconds
from service.gateways.channels import channels_of
from service.gateways.own_numbers import own_numbers_of
from service.logs import set_up_logging
from service.operations.answering import Answering
from service.operations.clock_mark import follow_mark_from_time_to_time
from service.operations.health import how_late
from service.operations.intake import drain_from_time_to_time, drain_quietly
from service.operations.service import Service
from service.operations.spooling import Spool
from service.operations.sweeping import sweep
from service.settings import PREFIX, Settings, SettingsError
from service.web import create_app
from service.web.context import EXTENSION
from service.web.desk.board_streams import STREAMS_MAX, Streams
from service.web.fallback import create_fallback
from workers.app import PUBLISHING, make_celery
from workers.nudge import broker_nudge, few
from workers.running import collect_seldom

_LOG = logging.getLogger(__name__)

WEB_PROCESSES: Final = 2
WEB_THREADS: Final = 8 + STREAMS_MAX  # open boards take none of the eight
FALLBACK_PORT: Final = 8001
SWEEP_FIRST_AFTER_S: Final = 60.0  # real seconds without a sweep
SWEEP_FIRST_WITHIN_S: Final = 30.0
SCHEMA_LOOKED_AT_EVERY_S: Final = 2.0


@click.command()
def web() -> None:
    """Serve pages, API and the gateways' endpoints.

    Listens on LINETENDER_HOST and LINETENDER_PORT; TLS is for a proxy before it. After a minute or more without any
    sweep it first does what fell due meanwhile, so that nobody is answered by a service that is behind. Where the
    database does not answer and there is LINETENDER_SPOOL_DIR, it starts all the same: what gateways bring is kept.
    """
    settings = begun()
    gateways_of(settings)
    spool = ready_spool(settings)
    if spool is not None and not _answers(opened(settings, "web")):
        _Web(settings, began_without_database=True).run()
        return
    service = service_with_schema(settings, "web")
    say_unheard(service)
    # First what lies on the disk: among it may be the finish of a dive that is due.
    drain_quietly(service, spool)
    sweep_first(service)
    service.engine.dispose()
    _Web(settings).run()


def _answers(service: Service) -> bool:
    """Whether the database does. A keeper hears what lies in the spool, so a finish or an SOS must come that far."""
    try:
        schema_fault(service)
    except SQLAlchemyError as error:
        _LOG.error("web_without_database", extra={"why": first_line(error)})
        return False
    finally:
        service.engine.dispose()
    return True


@click.command()
@click.option("--host", help="The address to listen on; LINETENDER_HOST where it is not given.")
@click.option("--port", type=click.IntRange(1, 65535), default=FALLBACK_PORT, show_default=True, help="Its port.")
def fallback(host: str | None, port: int) -> None:
    """Take what gateways bring while the web process does not: the fallback address in their settings.

    Needs no database and no broker: it checks signatures and keeps texts, receipts and keys in LINETENDER_SPOOL_DIR.
    A web process, worker or keeper on the same machine brings them into the database. Where gateways reach it by
    another address than the web, set LINETENDER_PUBLIC_URL to that for this process: signatures cover it.
    """
    settings = begun()
    gateways_of(settings)
    _spool_of(settings)
    _Fallback(replace(settings, host=host or settings.host, port=port)).run()


def end_at_another_schema(service: Service, end: Callable[[], None]) -> threading.Thread:
    """Have a web process that began without its database end once that is back at another schema, as others refuse it.

    Whatever starts it again then gets the refusal.
    """

    def look() -> None:
        while True:
            try:
                fault = schema_fault(service)
            except SQLAlchemyError:
                time.sleep(SCHEMA_LOOKED_AT_EVERY_S)
                continue
            if fault is not None:
                _LOG.error("web_at_another_schema", extra={"why": fault})
                end()
            return

    looking = threading.Thread(target=look, name="looks-at-schema", daemon=True)
    looking.start()
    return looking


def sweep_first(service: Service, within_s: float = SWEEP_FIRST_WITHIN_S) -> None:
    """As `sweep_if_behind`, but a sweep that fails or does not end keeps the web from serving for so long at most.

    Without the web no text comes in, and a finish would not be heard.
    """

    def quietly() -> None:
        try:
            sweep_if_behind(service)
        except Exception:  # noqa: BLE001 - logged; workers and keeper sweep too
            _LOG.exception("sweep_before_serving_failed")

    sweeping = threading.Thread(target=quietly, name="sweeps-first", daemon=True)
    sweeping.start()
    sweeping.join(within_s)
    if sweeping.is_alive():
        _LOG.error("sweep_before_serving_goes_on", extra={"after_s": within_s})


def sweep_if_behind(service: Service) -> bool:
    """Sweep when there was none for a minute or more, or never; whether that was so."""
    age_s = how_late(service).sweep_age_s
    if age_s is not None and age_s < clock_seconds(service.clock, SWEEP_FIRST_AFTER_S):
        return False
    swept = sweep(service)
    _LOG.warning("swept_before_serving", extra={"decided": swept.decided, "faults": swept.faults})
    return True


def _spool_of(settings: Settings) -> Spool:
    spool = ready_spool(settings)
    if spool is None:
        raise SettingsError(f"{PREFIX}SPOOL_DIR is not set: the fallback has nowhere else to keep what it takes")
    return spool


class _Web(BaseApplication):  # type: ignore[misc]
    """Gunicorn without a command line or a configuration file of its own."""

    processes, name = WEB_PROCESSES, "linetender-web"

    def __init__(self, settings: Settings, *, began_without_database: bool = False) -> None:
        self._settings = settings
        self._began_without_database = began_without_database
        super().__init__()

    def load_config(self) -> None:
        """Our few choices; all else is Gunicorn's."""
        chosen: dict[str, Any] = {
            "bind": f"{self._settings.host}:{self._settings.port}",
            "worker_class": "gthread",
            "workers": self.processes,
            "threads": WEB_THREADS,
            "timeout": 30,
            "graceful_timeout": 10,
            # A slow page must not hold a thread for ever; proxies close before that.
            "keepalive": 5,
            "accesslog": None,
            "errorlog": "-",
            "control_socket_disable": True,
            "proc_name": self.name,
        }
        for name, value in chosen.items():
            self.cfg.set(name, value)

    def load(self) -> Flask:
        """Called in each process after the fork, so that none shares a connection."""
        set_up_logging(self._settings.log_format)
        celery = make_celery(self._settings, PUBLISHING)
        configs = gateways_of(self._settings)
        channels, own_numbers = channels_of(configs), own_numbers_of(configs)
        nudge = few(broker_nudge(celery))
        service = open_service(self._settings, "web", nudge, channels=channels, own_numbers=own_numbers)
        if self._began_without_database:
            end_at_another_schema(service, lambda: os.kill(os.getppid(), signal.SIGTERM))
        follow_mark_from_time_to_time(service)
        spool = open_spool(self._settings)
        if spool is not None:
            drain_from_time_to_time(service, spool)
        answer = AnsweringApart(Answering(service), answering_apart.COMMAND)
        app = create_app(service, self._settings, configs, spool, answer)
        _end_streams_first(app.extensions[EXTENSION].streams)
        collect_seldom()  # whoever waits for an acknowledgement waits for the collector too
        return app


def _end_streams_first(streams: Streams) -> None:
    """On SIGTERM have open boards come back to the next process, else this one would wait a minute for its streams."""
    before = signal.getsignal(signal.SIGTERM)

    def end(number: int, frame: FrameType | None) -> None:
        streams.close()
        if callable(before):
            before(number, frame)

    signal.signal(signal.SIGTERM, end)


class _Fallback(_Web):
    """The same server, for what needs no database."""

    processes, name = 1, "linetender-fallback"

    def load(self) -> Flask:
        """Called after the fork, as in the web process."""
        set_up_logging(self._settings.log_format)
        configs = gateways_of(self._settings)
        return create_fallback(
            open_service(self._settings, "fallback"), self._settings, configs, _spool_of(self._settings)
        )
