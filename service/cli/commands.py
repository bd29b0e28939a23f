"""The commands, put together."""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Any, Final

import click

from service.settings import SettingsError

SETTINGS_FAULT: Final = 2

IN_MODULES: Final = {
    "showing": ("demo", "tour"),
    "serving": ("web", "fallback"),
    "processes": ("worker", "beat", "keeper"),
    "admins": ("migrate", "club", "admin", "token"),
    "backups": ("backup", "restore"),
    "recovery": ("recovery",),
    "clocks": ("clock",),
    "sites": ("site",),
    "dives": ("dive",),
    "audit": ("audit",),
    "gateways": ("gateways",),
    "capacity": ("capacity",),
    "doctor": ("doctor",),
}
"""Each command is the function of its name in such a module beside this one."""

_MODULE_OF: Final = {name: module for module, names in IN_MODULES.items() for name in names}


class _Commands(click.Group):
    """Loads a command when it is asked for: a keeper that starts again must not wait for what only the web needs.

    A fault in the settings is one plain line and exit status 2, whichever command meets it.
    """

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - the signature is click's
        """The names, by the alphabet."""
        return sorted(_MODULE_OF)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - the same
        """The command of that name, if any."""
        if cmd_name not in _MODULE_OF:
            return None
        command: click.Command = getattr(import_module(f"service.cli.{_MODULE_OF[cmd_name]}"), cmd_name)
        return command

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
