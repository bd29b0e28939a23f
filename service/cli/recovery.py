"""After a restore: ending the time in which divers are asked, or beginning it by hand."""

from __future__ import annotations

import click

from service.cli.opening import fail, service_with_schema, settings_of_environment
from service.operations.recovering import NoRecoveryError, mark_by_hand
from service.operations.recovering import confirm as confirm_recovery
from workers.app import PUBLISHING, make_celery
from workers.nudge import broker_nudge


@click.group()
def recovery() -> None:
    """After a restore: divers are asked before contacts are alerted."""


@recovery.command()
@click.option("--by", "name", required=True, help="The admin who says so, by name.")
def confirm(name: str) -> None:
    """Let the clocks go on at once: you know who is in the water.

    What fell due meanwhile follows now: contacts are alerted where nobody has said that a party is out.
    """
    settings = settings_of_environment()
    service = service_with_schema(settings, "command", broker_nudge(make_celery(settings, PUBLISHING)))
    try:
        ended = confirm_recovery(service, name)
    except NoRecoveryError as fault:
        fail(str(fault))
    click.echo(f"The clocks go on: {ended} dives were held.")


@recovery.command()
def begin() -> None:
    """Say that the database is an old copy, where it was put in place by other means than linetender restore.

    For the image of a whole machine, a copied file, a server set back to an earlier time. Run it before you start the
    processes. The first sweep then asks the divers before it alerts contacts.
    """
    copied_at = mark_by_hand(service_with_schema(settings_of_environment(), "command"))
    when = "of a time that it does not say" if copied_at is None else f"of {copied_at:%Y-%m-%d %H:%M:%S} UTC"
    click.echo(f"The database is taken for a copy {when}. The first sweep asks the divers first.")
