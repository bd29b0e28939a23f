"""The sites of a club from the command line: listed, written to files, and taken from files."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NoReturn, TypeVar
from zoneinfo import ZoneInfo

import click

from service.cli.admins import chosen_club
from service.cli.opening import fail, service_with_schema, settings_of_environment
from service.documents.site_reading import FILE_BYTES_MAX, Fault, SiteFileError
from service.domain.place.position import decimal
from service.operations.service import Service
from service.operations.sites import (
    Format,
    SiteListed,
    export_site,
    export_tides,
    import_site,
    import_tides,
    list_sites,
)

Found = TypeVar("Found")

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_OUT = click.Path(dir_okay=False, path_type=Path)
_CLUB = click.option("--club", "club_id", help="The club's id; may be left out while there is only one.")
_CODE = click.option("--code", required=True, help="The site's code, such as LANTERN.")
_CHECK = click.option("--check", is_flag=True, help="Only say what is wrong; change nothing.")


@click.group()
def site() -> None:
    """Sites: points, shoreline and tides, to and from files (docs/sites.md)."""


@site.command("list")
@_CLUB
def list_(*, club_id: str | None) -> None:
    """Show the sites of a club, a line each: code, name, position, points, and until when tides are known."""
    service = service_with_schema(settings_of_environment(), "command")
    for one in list_sites(service, chosen_club(service, club_id)[0]):
        click.echo(_line(one))


@site.command("export")
@_CLUB
@_CODE
@click.option(
    "--format", "wanted", type=click.Choice([one.value for one in Format]), default="geojson", show_default=True
)
@click.option("--out", type=_OUT, help="Where to write it; without this, to standard output.")
def export(*, club_id: str | None, code: str, wanted: str, out: Path | None) -> None:
    """Write a site as a GeoJSON or GPX file, from which it can be imported again."""
    service = service_with_schema(settings_of_environment(), "command")
    written = export_site(service, chosen_club(service, club_id)[0], code, Format(wanted))
    _write(_known(written, code), out)


@site.command("import")
@_CLUB
@click.option("--code", help="The site that is meant; needed where the file does not say.")
@_CHECK
@click.argument("file", type=_FILE)
def import_(*, club_id: str | None, code: str | None, check: bool, file: Path) -> None:
    """Take a site from a GeoJSON or GPX file: all of it, or nothing and a line for each bad feature.

    The site of the file's code gets the file's points, shoreline and details; a code that is new makes a new site.
    Tides, grace periods and dives that are filed stay as they are.
    """
    service = service_with_schema(settings_of_environment(), "command")
    club_id, data = chosen_club(service, club_id)[0], _bytes(file)
    given = Format.GPX if file.suffix.lower() in {".gpx", ".xml"} else Format.GEOJSON
    try:
        done = import_site(service, club_id, data, given, _operator(service), code=code, check=check)
    except SiteFileError as refused:
        _refused(refused, file)
    _notes(done.notes)
    verb = ("would be added" if done.new else "would be replaced") if check else "added" if done.new else "replaced"
    click.echo(f"Site {verb}: {_line(done.site)}")


@site.command("tides")
@_CLUB
@_CODE
@_CHECK
@click.option("--out", type=_OUT, help="Without FILE: where to write the list; else standard output.")
@click.argument("file", type=_FILE, required=False)
def tides(*, club_id: str | None, code: str, check: bool, out: Path | None, file: Path | None) -> None:
    """Take high and low waters from a CSV file, or without FILE write those that are known.

    Its columns are at,height_m,high_or_low, the time with its offset or in the site's own. The list takes the place of
    what is known from its first to its last time; a line that is wrong is named and nothing is changed.
    """
    service = service_with_schema(settings_of_environment(), "command")
    club_id = chosen_club(service, club_id)[0]
    if file is None:
        _write(_known(export_tides(service, club_id, code), code), out)
        return
    try:
        done = _known(import_tides(service, club_id, code, _bytes(file), _operator(service), check=check), code)
    except SiteFileError as refused:
        _refused(refused, file)
    span = f"{done.first_at:%Y-%m-%d %H:%M} to {done.last_at:%Y-%m-%d %H:%M} UTC"
    click.echo(f"{done.count} high and low waters{' would be' if check else ''} taken, {span}.")


def _line(one: SiteListed) -> str:
    until = one.tides_until_at
    known = "no tides" if until is None else f"tides until {until.astimezone(ZoneInfo(one.zone)):%Y-%m-%d}"
    return f"{one.code}  {one.name}  {decimal(one.position)}  {one.zone}  {_counted(one.points)}  {known}"


def _counted(points: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in points.items()) or "no points"


def _known(found: Found | None, code: str) -> Found:
    if found is None:
        fail(f"the club has no site {code.upper()}: see linetender site list")
    return found


def _bytes(file: Path) -> bytes:
    """The file, but no more of it than shows that it is too large."""
    with file.open("rb") as opened:
        return opened.read(FILE_BYTES_MAX + 1)


def _write(data: bytes, out: Path | None) -> None:
    if out is None:
        click.echo(data, nl=False)
        return
    try:
        out.write_bytes(data)
    except OSError as fault:
        fail(f"{out} cannot be written: {fault.strerror}")


def _operator(service: Service) -> dict[str, str]:
    return {"role": "operator", "name": "the command line", "process": service.process}


def _notes(notes: Sequence[Fault]) -> None:
    for note in notes:
        click.echo(f"linetender: note: {note.where}: {note.words}", err=True)


def _refused(refused: SiteFileError, file: Path) -> NoReturn:
    for fault in refused.faults:
        click.echo(f"linetender: {file.name}: {fault.where}: {fault.words}", err=True)
    click.echo("linetender: nothing was changed", err=True)
    sys.exit(1)
