"""Putting a backup in the place of what is in the database: whole or not at all, and known for a copy from then on."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Final

from sqlalchemy import Engine, inspect, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.operations.backing_up import WORK
from service.operations.service import Service
from service.store import epochs, log, schema
from service.store.chain import Fault
from service.store.copies import file, postgresql, sqlite
from service.store.copies.facts import describe, same
from service.store.copies.fault import CopyError
from service.store.copies.file import Manifest
from service.store.engine import open_engine
from service.store.health import heartbeats

BEATS_WITHIN_S: Final = 60.0  # real seconds: each part beats every few
LIVING: Final = ("sweep", "keeper")
DAMAGED: Final = "damaged"
KEPT: Final = "is damaged: say --replace to put the backup in its place; the damaged file is kept beside it"
ASIDE: Final = "damaged-{at:%Y%m%dT%H%M%SZ}"
UNPACKED_MAX: Final = 8  # how many times its size a dump may have as a script; common practice, no published source


@dataclass(frozen=True, slots=True)
class Restored:
    """What is in the database now, what the check of the log found, and where a damaged one is kept, if it was that."""

    manifest: Manifest
    faults: tuple[Fault, ...]
    damaged: Path | None = None


def restore(service: Service, backup: Path, *, replaces: bool, even_if_running: bool) -> Restored:
    """Restore `backup` into the database of `service`. Raises CopyError; what was there before is then still there.

    `replaces`: the database may hold something. `even_if_running`: processes may have beaten within the last minute. A
    damaged file of SQLite is kept beside the new one.
    """
    damaged: Path | None = None
    try:
        manifest = file.read(backup)
        _fits(manifest, service.engine)
        held = _held_by(service, replaces=replaces, even_if_running=even_if_running)
        if service.engine.dialect.name == "sqlite":
            damaged = _into_sqlite(service, backup, damaged=held == DAMAGED)
        else:
            _into_postgresql(service, backup, replaces=held is not None)
    except OSError as fault:
        raise CopyError(f"the backup cannot be restored: {fault}") from None
    except SQLAlchemyError as fault:
        raise CopyError(f"the database does not take it: {getattr(fault, 'orig', None) or fault}") from None
    return Restored(manifest, tuple(log.verify_database(service.engine)), damaged)


def _fits(manifest: Manifest, engine: Engine) -> None:
    if manifest.kind != engine.dialect.name:
        raise CopyError(f"the backup is of {manifest.kind}, and the database in the settings is {engine.dialect.name}")
    if not schema.is_known(manifest.schema):
        raise CopyError(
            f"the backup is at schema {manifest.schema}, which this program does not know ({schema.head()}):"
            " restore it with the version that made it, or a newer one"
        )


def _held_by(service: Service, *, replaces: bool, even_if_running: bool) -> str | None:
    """What would be lost, in words, and that it may be; None where it is nothing. Raises CopyError."""
    try:
        held = _held(service.engine)
        if held and replaces and not even_if_running:
            _refuse_while_alive(service)
    except SQLAlchemyError as fault:
        if not sqlite.is_damage(fault):
            raise
        held = DAMAGED
    if held and not replaces:
        lost = f"holds {held}: say --replace to lose it"
        raise CopyError(f"the database {KEPT if held == DAMAGED else lost}")
    return held


def _held(engine: Engine) -> str | None:
    """What would be lost, in words; None where the database is empty or not there yet."""
    if engine.dialect.name == "sqlite" and not sqlite.path_of(engine.url).exists():
        return None
    with engine.connect() as connection:
        tables = set(inspect(connection).get_table_names())
        if not tables:
            return None
        if not {"clubs", "dives"} <= tables:
            return f"{len(tables)} tables that are not ours"
        found = connection.execute(text("SELECT (SELECT count(*) FROM clubs), (SELECT count(*) FROM dives)")).one()
    return f"{found[0]} clubs and {found[1]} dives"


def _refuse_while_alive(service: Service) -> None:
    if not inspect(service.engine).has_table("heartbeats"):
        return
    now = service.clock.now()
    lately = clock_seconds(service.clock, BEATS_WITHIN_S)
    beats = service.read(heartbeats)
    alive = sorted(name for name in LIVING if name in beats and (now - beats[name].at).total_seconds() < lately)
    if alive:
        raise CopyError(
            f"the service is running ({', '.join(alive)} gave a sign of life within a minute): stop its processes, and"
            " wait a minute or say --even-if-running"
        )


def _into_sqlite(service: Service, backup: Path, *, damaged: bool) -> Path | None:
    """All is prepared in the copy, and then put in place in one transaction; where a damaged one is kept."""
    with tempfile.TemporaryDirectory(prefix=WORK, dir=sqlite.path_of(service.engine.url).absolute().parent) as work:
        copy = Path(work) / "copy"
        manifest = _unpacked(backup, copy, 1)
        sqlite.check(copy)
        prepared = replace(service, engine=open_engine(f"sqlite:///{copy}"))
        try:
            _compare(prepared.engine, manifest)
            _ready(prepared, manifest)
        finally:
            prepared.engine.dispose()
        aside = None
        if damaged:
            service.engine.dispose()
            aside = sqlite.set_aside(service.engine.url, ASIDE.format(at=service.clock.now()))
        sqlite.copy_in(copy, service.engine.url)
    return aside


def _into_postgresql(service: Service, backup: Path, *, replaces: bool) -> None:
    """The content is put in place in one transaction; a sweep that comes at once finds by itself that it is a copy."""
    with tempfile.TemporaryDirectory(prefix=WORK) as work:
        dumped = Path(work) / "copy"
        manifest = _unpacked(backup, dumped, UNPACKED_MAX)
        service.engine.dispose()
        postgresql.load(dumped, service.engine.url, manifest.made_at, replace=replaces)
    _ready(service, manifest)


def _unpacked(backup: Path, to: Path, times: int) -> Manifest:
    file.room_for(times * file.read(backup).size, to.parent)
    manifest = file.unpack(backup, to)
    to.chmod(0o600)
    return manifest


def _compare(engine: Engine, manifest: Manifest) -> None:
    with engine.connect() as connection:
        found = describe(connection, program=manifest.program, schema=manifest.schema, now=manifest.made_at)
    if not same(manifest, found):
        raise CopyError("the database in the backup is not the one that its manifest describes")


def _ready(service: Service, manifest: Manifest) -> None:
    """Bring it to the current schema, and see that the first sweep finds that it is a copy."""
    schema.migrate(service.engine)
    service.write(lambda session: _mark(session, manifest.made_at))


def _mark(session: Session, made_at: datetime) -> None:
    known = epochs.current(session, locked=True)
    if known is not None and known.identity == epochs.identity(session) and not known.is_first:
        return  # a sweep was quicker, and divers are being asked
    if known is None or known.identity != epochs.COPY:
        epochs.mark_copy(session, made_at)
