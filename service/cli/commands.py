"""The commands, put together."""

from __future__ import annotations

import sys
from typing import Any

import click

from service.cli import (
    admins,
    audit,
    backups,
    capacity,
    clocks,
    dives,
    doctor,
    gateways,
    processes,
    recovery,
    showing,
    sites,
)
from service.settings import SettingsError

SETTINGS_FAULT = 2


class _Commands(click.Group):
    """A fault in the settings is one plain line and exit status 2, whichever command meets it."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except SettingsError as fault:
            click.echo(f"linetender: {fault}", err=True)
            sys.exit(SETTINGS_FAULT)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="linetender", message="linetender %(version)s")
def main() -> None:
    """Raises the alarm for shore divers who have not rung back, by text message.

    To look around: linetender demo runs everything on this machine with practice phones, and linetender tour plays
    one overdue dive there and prints every phone's conversation.

    An installation is one database, one broker, and the processes web, worker, beat and keeper. Each reads its
    settings from environment variables with the prefix LINETENDER_ (docs/settings.md), and any of them from a file:
    LINETENDER_SECRET_KEY_FILE=/run/secrets/key. First migrate, then club create and admin create, then doctor.

    Exit status: 0 when all is well, 1 when a check failed, 2 when the settings or the command are wrong.
    """


for _command in (
    *(showing.demo, showing.tour),
    *(processes.web, processes.fallback, processes.worker, processes.beat, processes.keeper),
    *(admins.migrate, admins.club, admins.admin, admins.token),
    *(backups.backup, backups.restore, recovery.recovery, clocks.clock),
    *(sites.site, dives.dive, audit.audit, gateways.gateways, capacity.capacity, doctor.doctor),
):
    main.add_command(_command)
