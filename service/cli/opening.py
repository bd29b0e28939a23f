"""What commands open before they act, and what they refuse to act on."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import NoReturn

import click
from sqlalchemy.exc import SQLAlchemyError

from service.app import open_service
from service.gateways.channels import channels_of
from service.gateways.entries import GatewaySettingsError
from service.gateways.own_numbers import own_numbers_of
from service.gateways.settings import GatewayConfig, read_gateways
from service.logs import without_secrets
from service.operations.clock_mark import follow_mark_once
from service.operations.service import TEXTS_ONLY, Service
from service.settings import PREFIX, Settings, SettingsError, read_settings
from service.store.schema import current, fault_of


def settings_of_environment() -> Settings:
    """The settings of this process. Raises SettingsError."""
    return read_settings(os.environ)


def gateways_of(settings: Settings) -> tuple[GatewayConfig, ...]:
    """The gateways in the settings, in order of preference. Raises SettingsError, also when there is none."""
    try:
        return read_gateways(settings.gateways, public_url=settings.public_url)
    except GatewaySettingsError as fault:
        words = str(fault)
        raise SettingsError(words if words.startswith(PREFIX) else f"{PREFIX}GATEWAYS: {words}") from None


def opened(settings: Settings, process: str, nudge: Callable[[], None] | None = None) -> Service:
    """The service for this command; its connections are given back at the command's end."""
    configs = readable_gateways(settings)
    channels = channels_of(configs) if configs else TEXTS_ONLY
    service = open_service(settings, process, nudge, channels=channels, own_numbers=own_numbers_of(configs))
    click.get_current_context().call_on_close(service.engine.dispose)
    return service


def readable_gateways(settings: Settings) -> tuple[GatewayConfig, ...]:
    """As `gateways_of`, but none where they cannot be read; what a command does without them is for it to say."""
    try:
        return gateways_of(settings)
    except SettingsError:
        return ()


def service_with_schema(settings: Settings, process: str, nudge: Callable[[], None] | None = None) -> Service:
    """The service on a database at the current schema; for any other, one plain line and exit status 1.

    Its clock is not behind those of the other processes.
    """
    service = opened(settings, process, nudge)
    try:
        fault = schema_fault(service)
    except SQLAlchemyError as error:
        fail(does_not_answer(error))
    if fault is not None:
        fail(fault)
    follow_mark_once(service)
    return service


def schema_fault(service: Service) -> str | None:
    """In words, where the database is not at the current schema. Raises SQLAlchemyError when it does not answer."""
    return fault_of(current(service.engine))


def does_not_answer(error: SQLAlchemyError) -> str:
    """That a database does not answer, in words without secrets."""
    return f"the database does not answer: {first_line(error)}"


def first_line(fault: Exception) -> str:
    """The first line of what a library says, without secrets."""
    cause = getattr(fault, "orig", None) or fault
    return without_secrets(str(cause).strip().partition("\n")[0] or type(cause).__name__)


def fail(words: str) -> NoReturn:
    """End with one plain line and exit status 1."""
    click.echo(f"linetender: {words}", err=True)
    sys.exit(1)
