"""The keeper's snapshot: every open dive on its own disk, sealed, for when the database is gone.

A file of lines, each sealed by itself, the last one about a dive counts. A look adds what has changed since the last
one, and when the file has grown to twice what it need be it is written anew. Thousands of dives at rest cost one query.
"""

from __future__ import annotations

import fcntl
import logging
import os
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import msgspec
from cryptography.fernet import InvalidToken
from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.dive.state import REOPEN_WITHIN
from service.operations.lost_dives import tell_of_lost
from service.operations.sealing import append_whole, make_private, open_private, sealer, write_whole
from service.operations.service import Service
from service.store import health
from service.store.codec import learn
from service.store.snapshots import (
    ClubToTell,
    OpenDive,
    WaitingAlarm,
    clubs_to_tell,
    open_dives,
    set_back,
    versions,
    waiting_alarms,
)

_LOG = logging.getLogger(__name__)

HEARTBEAT: Final = "snapshot"
FRESH_S: Final = 30.0  # real seconds: an older one is a fault
LINES_OVER_MAX: Final = 1_000  # lines that are out of date, beyond as many as are not

_DIRECTORY: Final = "keeper"
_SNAPSHOT: Final = "snapshot.sealed"
_JOURNAL: Final = "journal.sealed"
_LOCK: Final = "lock"
_SEEN: Final = "seen"
_USE: Final = "linetender keeper 1"


class Gone(msgspec.Struct, frozen=True, tag="gone", tag_field="is"):
    """A dive that has been over for two hours, or that the database has no more."""

    id: str


class AsOf(msgspec.Struct, frozen=True, tag="as_of", tag_field="is"):
    """All lines before this one are how it was then."""

    at: datetime
    clubs: tuple[ClubToTell, ...]
    waiting: tuple[WaitingAlarm, ...] = ()


class Kept(msgspec.Struct, frozen=True, tag="dive", tag_field="is"):
    """An open dive, or one that ended lately."""

    dive: OpenDive


Line = Kept | Gone | AsOf


@dataclass(frozen=True, slots=True)
class Contents:
    """What a snapshot holds; `as_of` is None where there is none. `over`: the dives that ended shortly before."""

    as_of: datetime | None = None
    clubs: tuple[ClubToTell, ...] = ()
    dives: tuple[OpenDive, ...] = ()
    waiting: tuple[WaitingAlarm, ...] = ()
    over: tuple[OpenDive, ...] = ()


class KeeperFiles:
    """A keeper's own directory in the spool's: the snapshot and the journal of what it told while standing in."""

    def __init__(self, spool: Path, secret_key: str) -> None:
        self.directory = spool / _DIRECTORY
        self.journal = self.directory / _JOURNAL
        """What was told from the snapshot and is not in the database yet."""
        self.sealing = sealer(secret_key, _USE)

    @property
    def snapshot(self) -> Path:
        """The open dives."""
        return self.directory / _SNAPSHOT

    def claim(self) -> int | None:
        """Be the one on this machine who writes here, until the file given is closed; None where another one is.

        Raises OSError when there is no such directory to be had.
        """
        make_private(self.directory)
        file = open_private(self.directory / _LOCK, os.O_RDWR)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(file)
            return None
        return file

    def leave_time(self, at: datetime) -> None:
        """What the keeper now takes for the present, for one that starts behind. Raises OSError.

        It is the time of an empty file, so that a full disk takes it, too; a power cut does not take it away.
        """
        file = open_private(self.directory / _SEEN, os.O_WRONLY)
        try:
            os.utime(file, (at.timestamp(), at.timestamp()))
            os.fsync(file)
        finally:
            os.close(file)

    def time_left(self) -> datetime | None:
        """What a keeper took for the present last; None where none has. Raises OSError."""
        try:
            return datetime.fromtimestamp((self.directory / _SEEN).stat().st_mtime, UTC)
        except FileNotFoundError:
            return None

    def seal(self, line: msgspec.Struct) -> bytes:
        """One line of a file."""
        return self.sealing.encrypt(zlib.compress(msgspec.json.encode(line), level=1)) + b"\n"

    def sealed(self, path: Path) -> Iterator[bytes]:
        """The lines of a file as they lie there; none where there is no file. Raises OSError when the disk fails."""
        if path.exists():
            yield from (line + b"\n" for line in path.read_bytes().splitlines() if line)

    def lines(self, path: Path, kind: Any) -> Iterator[Any]:
        """What the lines of a file hold. One that was torn is passed over, and logged. Raises OSError."""
        for sealed in self.sealed(path):
            line = self.unseal(sealed, kind)
            if line is not None:
                yield line

    def unseal(self, sealed: bytes, kind: Any) -> Any:
        """What a line holds; None where it cannot be read."""
        learn(kind)
        try:
            return msgspec.json.decode(zlib.decompress(self.sealing.decrypt(sealed.strip())), type=kind)
        except (InvalidToken, zlib.error, msgspec.DecodeError):
            # The power went while it was written, or the secret key is another one now.
            _LOG.exception("keeper_line_unreadable")
            return None


class Snapshot:
    """The snapshot of one keeper, which alone writes it. `refresh` is for its looks, `contents` for an outage."""

    def __init__(self, files: KeeperFiles) -> None:
        self._files = files
        self._versions: dict[str, int] = {}
        self._sealed: dict[str, bytes] = {}
        self._over: set[str] = set()
        self._as_of: tuple[bytes, AsOf] | None = None
        self._lines = 0

    def load(self) -> None:
        """Take up what a keeper before us has left. Raises OSError."""
        for sealed in self._files.sealed(self._files.snapshot):
            self._lines += 1
            match self._files.unseal(sealed, Line):
                case Kept(dive):
                    self._hold(dive, sealed)
                case Gone(dive_id):
                    self._forget(dive_id)
                case AsOf() as line:
                    self._as_of = (sealed, line)

    def refresh(self, service: Service) -> int:
        """Write down what has changed; how many dives that is. Raises OSError, and what the database raises.

        Of whatever the database knows less than this does the admins are told first.
        """
        at = service.clock.now()
        as_of, changed, over, lost = service.read(lambda session: self._news(session, at))
        gone = [one.dive for dive_id in lost if (one := self._kept(dive_id)) is not None]
        if gone:
            tell_of_lost(service, gone)
        lines = [(one, self._files.seal(Kept(one))) for one in changed]
        ending = self._files.seal(as_of)
        added = [sealed for _, sealed in lines] + [self._files.seal(Gone(dive_id)) for dive_id in over]
        for dive_id in over:
            self._forget(dive_id)
        for dive, sealed in lines:
            self._hold(dive, sealed)
        self._as_of = (ending, as_of)
        self._write([*added, ending])
        return len(changed) + len(over)

    def _kept(self, dive_id: str) -> Kept | None:
        """A dive as it was written down last; None where the line cannot be read."""
        found: Kept | None = self._files.unseal(self._sealed[dive_id], Kept)
        return found

    def _news(self, session: Session, at: datetime) -> tuple[AsOf, list[OpenDive], list[str], list[str]]:
        """As of one instant: whom to tell, the dives that are new or changed, those over, and those set back."""
        # What ended lately as long as words that come now may be about it.
        now = versions(session, at - REOPEN_WITHIN)
        changed = [dive_id for dive_id, version in now.items() if self._versions.get(dive_id) != version]
        over = [dive_id for dive_id in self._versions if dive_id not in now]
        as_of = AsOf(at, clubs_to_tell(session), waiting_alarms(session))
        open_ = {dive_id: version for dive_id, version in self._versions.items() if dive_id not in self._over}
        return as_of, list(open_dives(session, changed)), over, set_back(session, open_, now)

    def _write(self, added: list[bytes]) -> None:
        path = self._files.snapshot
        # Should it fail, the file is not what it should be, and the next look writes all of it anew.
        before, self._lines = self._lines, 0
        if before and before + len(added) <= 2 * len(self._sealed) + LINES_OVER_MAX:
            append_whole(path, b"".join(added))
            self._lines = before + len(added)
            return
        whole = [*self._sealed.values(), *([self._as_of[0]] if self._as_of else [])]
        write_whole(path, b"".join(whole))
        self._lines = len(whole)

    def _hold(self, dive: OpenDive, sealed: bytes) -> None:
        self._forget(dive.id)
        self._versions[dive.id], self._sealed[dive.id] = dive.version, sealed
        if dive.closed_at is not None:
            self._over.add(dive.id)

    def _forget(self, dive_id: str) -> None:
        self._over.discard(dive_id)
        self._versions.pop(dive_id, None)
        self._sealed.pop(dive_id, None)

    def __len__(self) -> int:
        return len(self._sealed) - len(self._over)

    @property
    def is_there(self) -> bool:
        """Whether there is one at all, maybe without a dive."""
        return self._as_of is not None

    @property
    def as_of(self) -> datetime | None:
        """Of when it is; None where there is none."""
        return None if self._as_of is None else self._as_of[1].at

    def contents(self) -> Contents:
        """What it holds now, as this keeper wrote or found it."""
        held = [self._files.unseal(sealed, Kept) for sealed in self._sealed.values()]
        dives = [one.dive for one in held if one is not None]
        if self._as_of is None:
            return Contents()
        as_of = self._as_of[1]
        open_ = tuple(one for one in dives if one.closed_at is None)
        over = tuple(one for one in dives if one.closed_at is not None)
        return Contents(as_of.at, as_of.clubs, open_, as_of.waiting, over)


def note_snapshot(service: Service, dives: int) -> None:
    """Say in the database that the snapshot was just written: whoever watches it cannot see a keeper's disk."""
    now = service.clock.now()
    service.write(lambda session: health.beat(session, HEARTBEAT, now, f"{dives} dives"))


def snapshot_age(service: Service) -> tuple[float | None, str]:
    """How old the last snapshot of any keeper is, in real seconds, and what it held; None where there was none."""
    beat = service.read(lambda session: health.heartbeat(session, HEARTBEAT))
    if beat is None:
        return None, ""
    age = (service.clock.now() - beat.at).total_seconds()
    return age / clock_seconds(service.clock, 1.0), beat.detail or ""
