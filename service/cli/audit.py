"""Checking the log, and taking it out."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from typing import Any, Final

import click
from sqlalchemy.orm import Session

from service.cli.opening import fail, service_with_schema, settings_of_environment
from service.store import log, plain_columns
from service.store.chain import Fault

COLUMNS: Final = (
    *("chain", "seq", "at", "kind", "actor", "detail", "dive_id", "club_id"),
    *("actor_hash", "detail_hash", "salt", "prev_hash", "hash"),
)
# A spreadsheet runs a cell that begins like this as a formula: OWASP, "CSV Injection".
_FORMULA: Final = tuple("=+-@\t\r\uff1d\uff0b\uff0d\uff20")


@click.group()
def audit() -> None:
    """The log of everything that happened: hash chains that show any change."""


@audit.command()
@click.option("--dive", "dive_id", help="Only this dive.")
def verify(dive_id: str | None) -> None:
    """Check every chain, the checkpoints, and that each dive is the fold of its events.

    Exit status 1 and the first bad entry of each chain when something was changed.
    """
    service = service_with_schema(settings_of_environment(), "command")

    # In short reads, here and below: on SQLite a long one would hold every writer up, and with them all clocks.
    found = log.verify_database(service.engine) if dive_id is None else service.read(partial(_of_dive, dive_id))
    entries, not_folded = service.read(lambda session: (log.count(session), log.not_folded(session)))
    faults = [f"{fault.chain}, {_entry(fault.seq)}: {fault.words}" for fault in found]
    for line in faults:
        click.echo(line)
    if faults:
        sys.exit(1)
    of_what = f"dive {dive_id}" if dive_id else f"{entries} entries"
    click.echo(f"The log is as it was written: {of_what}, no fault.")
    if not_folded and dive_id is None:
        click.echo(f"{not_folded} dives have had their details erased; their chains were checked, not their folds.")


def _of_dive(dive_id: str, session: Session) -> list[Fault]:
    if plain_columns.row_facts(session, dive_id) is None and not log.entries(session, log.dive_chain(dive_id)):
        fail(f"there is no dive {dive_id}")
    return log.verify_dive(session, dive_id)


def _entry(seq: int | None) -> str:
    return "as a whole" if seq is None else f"entry {seq}"


@audit.command()
@click.option("--format", "form", type=click.Choice(["jsonl", "csv"]), default="jsonl", show_default=True)
@click.option("--dive", "dive_id", help="Only this dive.")
@click.option("--club", "club_id", help="Only this club.")
def export(form: str, dive_id: str | None, club_id: str | None) -> None:
    """Write the log to standard output, in the order in which it was written."""
    service = service_with_schema(settings_of_environment(), "command")
    chain = None if dive_id is None else log.dive_chain(dive_id)
    write = _WRITERS[form]
    # Whoever reads may have had enough, as `head` does.
    with suppress(BrokenPipeError):
        write(log.export(service.read, chain=chain, club_id=club_id))
        sys.stdout.flush()


def _write_lines(entries: Iterator[dict[str, Any]]) -> None:
    for entry in entries:
        click.echo(json.dumps(entry, ensure_ascii=False))


def _write_csv(entries: Iterator[dict[str, Any]]) -> None:
    writer = csv.writer(sys.stdout, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for entry in entries:
        writer.writerow([_cell(entry[name]) for name in COLUMNS])


def _cell(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False) if isinstance(value, dict) else "" if value is None else str(value)
    return f"'{text}" if text.startswith(_FORMULA) else text


_WRITERS: Final[dict[str, Callable[[Iterator[dict[str, Any]]], None]]] = {"jsonl": _write_lines, "csv": _write_csv}
