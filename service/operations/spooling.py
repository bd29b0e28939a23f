"""What gateways brought while the database was away: kept on this machine's disk until it is back.

One file for each, sealed with a key made of the secret key: it holds phone numbers, positions and words of people in
trouble. A gateway is told that we have a text only when its file is safely on the disk.
"""

from __future__ import annotations

import fcntl
import logging
import os
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import msgspec
from cryptography.fernet import InvalidToken

from service.operations.gateway import DeliveryReceipt, InboundText
from service.operations.sealing import UNFINISHED, make_private, open_private, sealer, write_whole
from service.operations.snapshotting import KeeperFiles

_LOG = logging.getLogger(__name__)

PUT_ASIDE: Final = "spool_put_aside"

FILES_MAX: Final = 10_000
BYTES_MAX: Final = 256 * 1024 * 1024
RECEIPTS_SHARE: Final = 2  # receipts have one half of it: however many come, a finish or a call for help is kept
FRESH_FOR: Final = timedelta(minutes=2)  # real time: whoever put it there has looked many times by then
LEFT_OVER_AFTER: Final = timedelta(hours=1)  # a file that nobody finished to write was acknowledged to nobody
HANGS_AFTER_S: Final = 15.0  # real time; longer than one file takes, also where the database lets its writers wait

_FILE: Final = ".sealed"
_LAST: Final = "receipt-"  # behind all names that begin with a time
_ASIDE: Final = "aside"
_LOCK: Final = "lock"
_USE: Final = "linetender spool 1"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class SpoolError(Exception):
    """It could not be kept: the spool is full, or the disk does not take it. Nobody may be told that we have it."""


class UnreadableError(Exception):
    """A file in the spool is damaged, or was sealed with another secret key."""


@dataclass(frozen=True, slots=True)
class KeyPress:
    """A key that was pressed in the call of a message of ours, already authenticated."""

    message_id: str
    key: str
    gateway: str
    provider_id: str
    raw: dict[str, Any]
    received_at: datetime


Brought = InboundText | DeliveryReceipt | KeyPress
"""What a gateway brings."""


class _Kept(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """One of the kinds, under its name."""

    text: InboundText | None = None
    receipt: DeliveryReceipt | None = None
    key: KeyPress | None = None


@dataclass(frozen=True, slots=True)
class Turn:
    """The turn of one process to work the spool off."""

    file: int
    path: Path

    def goes_on(self) -> bool:
        """Show that it is still at it; False where it has lost its turn meanwhile. Raises OSError."""
        os.utime(self.file)
        return _is_at(self.path, self.file)


class Spool:
    """A directory of sealed files. Any number of processes may keep things in it; one at a time works it off."""

    def __init__(self, directory: Path, secret_key: str) -> None:
        self._directory = directory
        self._sealing = sealer(secret_key, _USE)
        self.keeper = KeeperFiles(directory, secret_key)

    @property
    def directory(self) -> Path:
        """Where it is."""
        return self._directory

    def make(self) -> None:
        """Have the directory, for this user only. Raises OSError when it cannot be had or written to."""
        make_private(self._directory)

    def has_room(self, share: int = 1) -> bool:
        """Whether one more would be kept, where only the first of so many equal shares may be used.

        Raises OSError when the directory cannot be read.
        """
        files = size = 0
        with os.scandir(self._directory) as entries:
            for entry in entries:
                with suppress(FileNotFoundError):  # worked off since it was listed
                    size += entry.stat().st_size
                    files += 1
        return files < FILES_MAX // share and size < BYTES_MAX // share

    def keep(self, brought: Brought) -> None:
        """Put it on the disk; on return a power cut cannot take it away. Raises SpoolError."""
        microseconds = (brought.received_at - _EPOCH) // timedelta(microseconds=1)
        is_receipt = isinstance(brought, DeliveryReceipt)
        name = f"{_LAST if is_receipt else ''}{microseconds:020d}-{secrets.token_hex(8)}"
        try:
            # Those who write at once may each see the last free place: over by as many as there are threads.
            if not self.has_room(RECEIPTS_SHARE if is_receipt else 1):
                raise SpoolError("it holds as many files or bytes as it may")
            path = self._directory / f"{name}{_FILE}"
            write_whole(path, self._sealing.encrypt(msgspec.json.encode(_kept(brought))))
        except OSError as fault:
            raise SpoolError(fault.strerror or type(fault).__name__) from fault

    def waiting(self) -> list[Path]:
        """The files, the first that came first, and receipts behind all else; none where there is no directory yet."""
        try:
            return sorted(path for path in self._directory.iterdir() if path.suffix == _FILE)
        except FileNotFoundError:
            return []

    def read(self, path: Path) -> Brought:
        """What a file holds. Raises UnreadableError, and OSError when it is gone or the disk fails."""
        sealed = path.read_bytes()
        try:
            kept = msgspec.json.decode(self._sealing.decrypt(sealed), type=_Kept)
        except (InvalidToken, msgspec.DecodeError) as fault:
            raise UnreadableError(type(fault).__name__) from fault
        brought = kept.text or kept.receipt or kept.key
        if brought is None:
            raise UnreadableError("it is empty")
        return brought

    def drop(self, path: Path) -> None:
        """Take away what is in the database by now."""
        path.unlink(missing_ok=True)

    def is_fresh(self, path: Path) -> bool:
        """Whether it was put there a moment ago. Raises OSError."""
        return abs(time.time() - path.stat().st_mtime) < FRESH_FOR.total_seconds()

    def put_aside(self, path: Path) -> None:
        """Move a file to where nobody takes it up again, for a person to look at. Raises OSError."""
        aside = self._directory / _ASIDE
        make_private(aside)
        path.rename(aside / path.name)

    def set_aside(self) -> list[Path]:
        """What a person has to look at: files put aside here, and journals of a keeper. Raises OSError."""
        aside, keeper = self._directory / _ASIDE, self.keeper.directory
        here = aside.iterdir() if aside.is_dir() else ()
        return sorted([*here, *(keeper.glob("*.aside") if keeper.is_dir() else ())])

    @contextmanager
    def alone(self, wait_s: float) -> Iterator[Turn | None]:
        """Work it off with nobody else on this machine doing so; None when another still does after `wait_s`.

        Who has the turn and has not shown for 15 s that it goes on is frozen or hangs: its turn is over, since
        everybody's texts lie here. Should it wake, it may bring in once more what it has in hand, which is known by
        then. A process that ends in whatever way frees it at once. Raises OSError.
        """
        path = self._directory / _LOCK
        file = _claimed(path, wait_s)
        if file is None:
            yield None
            return
        turn = Turn(file, path)
        try:
            turn.goes_on()
            yield turn
        finally:
            os.close(file)

    def clear_unfinished(self) -> None:
        """Take away what a process that was killed had only begun to write."""
        before = time.time() - LEFT_OVER_AFTER.total_seconds()
        for path in self._directory.iterdir():
            with suppress(FileNotFoundError):
                if path.suffix == UNFINISHED and path.stat().st_mtime < before:
                    path.unlink()


def _kept(brought: Brought) -> _Kept:
    match brought:
        case InboundText():
            return _Kept(text=brought)
        case DeliveryReceipt():
            return _Kept(receipt=brought)
        case KeyPress():
            return _Kept(key=brought)


def _claimed(path: Path, wait_s: float) -> int | None:
    """The lock, held, as an open file; None when another still has it."""
    give_up_at = time.monotonic() + wait_s
    while True:
        file = open_private(path, os.O_RDWR)
        if _is_ours(file, path):
            return file
        if time.monotonic() >= give_up_at:
            if not _hangs(file):
                os.close(file)
                return None
            if _is_at(path, file):
                path.unlink(missing_ok=True)
        os.close(file)
        time.sleep(0.02)


def _is_ours(file: int, path: Path) -> bool:
    """Whether this process has the lock now; one that was taken from somebody who hangs lies there no more."""
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return _is_at(path, file)


def _is_at(path: Path, file: int) -> bool:
    try:
        return os.path.samestat(path.stat(), os.fstat(file))
    except FileNotFoundError:
        return False


def _hangs(file: int) -> bool:
    """Looked at only after waiting, by when whoever has just got it has shown so."""
    return abs(time.time() - os.fstat(file).st_mtime) > HANGS_AFTER_S
