"""Where a process is put together: the database, the clock and the way to hurry couriers, opened once."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from service.domain.people import Channel
from service.operations.gateway import OwnNumber
from service.operations.service import TEXTS_ONLY, Service
from service.operations.spooling import Spool
from service.settings import PREFIX, Settings, SettingsError
from service.store.engine import open_engine


def open_service(
    settings: Settings,
    process: str,
    nudge: Callable[[], None] | None = None,
    *,
    channels: frozenset[Channel] = TEXTS_ONLY,
    own_numbers: tuple[OwnNumber, ...] = (),
) -> Service:
    """The service for one process, under a name for the log such as keeper-4712. Connects to nothing yet.

    `channels` are the ways to people that the gateways in the settings carry, `own_numbers` the numbers that they send
    from; whoever opens it has read those.
    To be called in the process that will use it, never before a fork: connections must not be shared.
    Raises SettingsError when the database is of a kind that we do not know.
    """
    try:
        engine = open_engine(settings.database_url)
    except Exception:  # noqa: BLE001 - whatever it is, it is the setting
        # What an address holds may be a password, so that neither it nor the cause is shown.
        raise SettingsError(
            "LINETENDER_DATABASE_URL must be sqlite:///path/to/file or postgresql://user@host/name"
        ) from None
    name = f"{process}-{os.getpid()}"
    if nudge is None:
        return Service(engine, settings.clock(), settings.public_url, name, channels=channels, own_numbers=own_numbers)
    return Service(engine, settings.clock(), settings.public_url, name, nudge, channels, own_numbers)


def open_spool(settings: Settings) -> Spool | None:
    """Where what gateways bring lies while the database is away; None where the settings name no place."""
    return None if settings.spool_dir is None else Spool(Path(settings.spool_dir), settings.secret_key)


def ready_spool(settings: Settings) -> Spool | None:
    """As `open_spool`, for a process that is going to put things there: the directory is made.

    Raises SettingsError when nothing can be written there: found out in an outage it would be too late.
    """
    spool = open_spool(settings)
    if spool is None:
        return None
    try:
        spool.make()
    except OSError as fault:
        raise SettingsError(f"{PREFIX}SPOOL_DIR must be a directory that this process can write to: {fault}") from None
    return spool
