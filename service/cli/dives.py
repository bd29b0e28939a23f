"""Ending a dive that nothing else can end."""

from __future__ import annotations

import click

from service.cli.opening import fail, service_with_schema, settings_of_environment
from service.operations.closing import CannotCloseError, close_dive


@click.group()
def dive() -> None:
    """Dives, where texts and pages do not reach."""


@dive.command("close")
@click.option("--dive", "dive_id", required=True, help="Its id, as in the log and the API.")
@click.option("--by", "name", required=True, help="The admin of its club who says so.")
@click.option("--reason", required=True, help="How it is known that nobody is missing; kept in the log.")
def close(*, dive_id: str, name: str, reason: str) -> None:
    """Close a dive when it is known that everybody is safe, and tell whoever was told anything.

    For a dive that cannot be read, whose alarm would be repeated every ten minutes. Any other ends as if the admin
    had said SAFE for all of its party, or NOGO before its start.
    """
    if not name.strip() or not reason.strip():
        raise click.UsageError("give the name of an admin by --by, and by --reason how it is known that all are safe")
    service = service_with_schema(settings_of_environment(), "command")
    try:
        closed = close_dive(service, dive_id, name, reason.strip())
    except CannotCloseError as fault:
        fail(str(fault))
    how = "" if closed.readable else ", by its plain columns: its state cannot be read"
    click.echo(f"Dive {closed.reference} is closed{how}. Whoever was told anything is told that it is over.")
