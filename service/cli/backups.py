"""Backups of the database: one file, made while the service runs, and put in place whole or not at all."""

from __future__ import annotations

import sys
from importlib.metadata import version
from pathlib import Path

import click

from service.cli.opening import fail, first_line, opened, settings_of_environment
from service.operations.backing_up import back_up
from service.operations.restoring import restore as restore_backup
from service.store.copies.fault import CopyError
from service.store.copies.file import Manifest

CHECK_FAILED = 1


@click.command()
@click.argument("path", type=click.Path(path_type=Path))
def backup(path: Path) -> None:
    """Write a backup of the whole database to PATH: a new file, or a directory for one that is named by the time.

    The service may run meanwhile. The file holds phone numbers and positions of people and is for its owner alone; it
    is whole or not there. On PostgreSQL this needs pg_dump (the package postgresql-client).
    """
    service = opened(settings_of_environment(), "backup")
    try:
        target, manifest = back_up(service.engine, path, service.clock.now(), version("linetender"))
    except CopyError as fault:
        fail(first_line(fault))
    click.echo(f"{target}: {_told(manifest)}; {manifest.size:,} bytes, sha256 {manifest.sha256}")


@click.command()
@click.argument("path", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--replace", "replaces", is_flag=True, help="Lose what the database holds now, also where it is damaged.")
@click.option("--even-if-running", is_flag=True, help="Although a process gave a sign of life within a minute.")
def restore(*, path: Path, replaces: bool, even_if_running: bool) -> None:
    """Put the backup PATH in the place of what is in the database, all of it or nothing, and check its log.

    Stop all processes first. The backup may be of an older version; it is brought to the current schema. Afterwards the
    service asks the divers before it alerts contacts, for ten minutes or until an admin confirms. On PostgreSQL this
    needs pg_restore and psql (the package postgresql-client). Exit status 1 when the check of the log found something.
    """
    service = opened(settings_of_environment(), "restore")
    try:
        done = restore_backup(service, path, replaces=replaces, even_if_running=even_if_running)
    except CopyError as fault:
        fail(first_line(fault))
    click.echo(f"Restored: {_told(done.manifest)}.")
    if done.damaged is not None:
        click.echo(f"What was there is damaged, and kept as {done.damaged}: look for its cause, such as the disk.")
    for found in done.faults:
        click.echo(f"{found.chain}, entry {found.seq}: {found.words}")
    click.echo("The log has faults: see above." if done.faults else "The log is as it was written.")
    click.echo(
        "What was texted or filed after that is not known. Now:\n"
        "1. Start the processes. Texts that lie in the spool, or that a gateway lists, are brought in.\n"
        "2. Find out who is in the water, also by plans of since then: their contacts hold the raise-by times.\n"
        "3. From the first sweep on divers are asked, and for ten minutes the clock alerts no contact; SOS does.\n"
        "   When you know who is in the water: linetender recovery confirm --by NAME"
    )
    sys.exit(CHECK_FAILED if done.faults else 0)


def _told(manifest: Manifest) -> str:
    dives = sum(manifest.dives.values())
    live = dives - manifest.dives.get("closed", 0)
    return (
        f"{manifest.kind} of {manifest.made_at:%Y-%m-%d %H:%M:%S} UTC at schema {manifest.schema},"
        f" {manifest.clubs} clubs, {dives} dives ({live} open), {manifest.entries} log entries"
    )
