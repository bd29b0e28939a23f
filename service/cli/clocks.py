"""When a clock was wrongly ahead: an admin's word that this machine's is right now."""

from __future__ import annotations

from dataclasses import replace

import click

from service.cli.opening import fail, service_with_schema, settings_of_environment
from service.operations.clock_mark import NotConfirmedError, take_mark_back
from service.operations.recovering import NoRecoveryError


@click.group()
def clock() -> None:
    """The time by which alarms go: the latest that any process has taken for the present."""


@clock.command()
@click.option("--by", "name", required=True, help="The admin who says so, by name.")
@click.option("--even-with-open-dives", is_flag=True, help="Their contacts were phoned: their alarms will come late.")
def confirm(*, name: str, even_with_open_dives: bool) -> None:
    """Say that this machine's clock is right, and that one which was seen before was ahead.

    Compare it with another clock first. Stop all processes on every machine, and start them after this: whichever goes
    on is still ahead. Every dive that went in by the wrong time would be alarmed as much too late, so this is refused
    while a dive is under way, or a message waits.
    """
    settings = settings_of_environment()
    service = service_with_schema(settings, "command")
    by_the_wall = replace(service, clock=settings.clock())  # which goes on from no mark
    try:
        taken = take_mark_back(by_the_wall, name, even_with_open_dives=even_with_open_dives)
    except (NotConfirmedError, NoRecoveryError) as fault:
        fail(str(fault))
    click.echo(
        f"The clock is taken back by {taken.ahead.total_seconds():.0f} s, to what this machine shows. Start the"
        f" processes. {taken.left}: as much later."
        if taken.left
        else f"The clock is taken back by {taken.ahead.total_seconds():.0f} s. Start the processes."
    )
