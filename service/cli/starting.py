"""What each process of an installation does first."""

from __future__ import annotations

import logging
import os

from service.cli.opening import settings_of_environment
from service.logs import set_up_logging
from service.operations.own_numbers import fault_of, receiving
from service.operations.service import Service
from service.settings import Settings, unknown_settings

_LOG = logging.getLogger(__name__)


def begun() -> Settings:
    """The settings of this process, which logs from here on, and names what it does not know of them."""
    settings = settings_of_environment()
    set_up_logging(settings.log_format)
    unknown = unknown_settings(os.environ)
    if unknown:
        _LOG.error("settings_unknown", extra={"names": unknown})
    return settings


def say_unheard(service: Service) -> None:
    """Log an error for each number that a gateway sends from and to which an answer would be heard by no club.

    The process starts all the same: without it nobody at all would be heard.
    """
    try:
        known = service.read(receiving)
    except Exception:  # noqa: BLE001 - the database is away, or broken: others say so
        _LOG.exception("senders_not_checked")
        return
    for one in service.own_numbers:
        if fault_of(one, known, service.own_numbers) is not None:
            _LOG.error("sender_not_heard", extra={"gateway": one.gateway, "remedy": "linetender doctor"})
