"""What a keeper did while the database was gone, line by line on its own disk: written before the deed and after it.

So a keeper that is started again neither forgets nor repeats, and all of it comes into the record once there is one.
"""

from __future__ import annotations

import logging
import secrets
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import msgspec

from service.domain.people import Channel
from service.operations.sealing import append_whole, sync_directory
from service.operations.snapshotting import KeeperFiles
from service.store.outbox import AttemptOutcome

_LOG = logging.getLogger(__name__)


class Began(msgspec.Struct, frozen=True, tag="began", tag_field="is"):
    """The database has been gone since then; `name` tells this outage at this keeper from all others."""

    at: datetime
    name: str


class Happened(msgspec.Struct, frozen=True, tag="happened", tag_field="is"):
    """Events of one dive, each as its kind and its fields: what the heart decided by the snapshot."""

    dive_id: str
    events: tuple[tuple[str, dict[str, Any]], ...]


class Told(msgspec.Struct, frozen=True, tag="told", tag_field="is"):
    """A message to one person, which may be tried from now on."""

    id: str
    club_id: str
    dive_id: str | None
    person_key: str
    name: str
    phone: str
    email: str | None
    channel: Channel
    language: str
    kind: int
    rank: int
    step: str
    subject: str | None
    body: str
    segments: int
    queued_at: datetime
    due_at: datetime


class Tried(msgspec.Struct, frozen=True, tag="tried", tag_field="is"):
    """An attempt is about to be made; `number` counts those at one message from 1."""

    message_id: str
    number: int
    gateway: str
    at: datetime


class Ended(msgspec.Struct, frozen=True, tag="ended", tag_field="is"):
    """What came of an attempt; `given_up`: it was the last, though no gateway has said that it has the message."""

    message_id: str
    number: int
    at: datetime
    outcome: AttemptOutcome
    code: str | None = None
    detail: str | None = None
    provider_id: str | None = None
    given_up: bool = False


class Heard(msgspec.Struct, frozen=True, tag="heard", tag_field="is"):
    """A file of the spool has been read and acted upon; it stays there for the database."""

    file: str


class Opted(msgspec.Struct, frozen=True, tag="opted", tag_field="is"):
    """Somebody wants nothing more from a club's number, or texts again; the record has it by their text."""

    number: str
    phone: str
    out: bool


Entry = Began | Happened | Told | Tried | Ended | Heard | Opted


class Journal:
    """The journal of one keeper. A disk that does not take it stops no alarm: it is kept in mind and tried again."""

    def __init__(self, files: KeeperFiles) -> None:
        self._files = files
        self._unwritten: list[Entry] = []

    @property
    def has_any(self) -> bool:
        """Whether there is anything that is not in the database yet."""
        return bool(self._unwritten) or self._files.journal.exists()

    def read(self) -> list[Entry]:
        """All of it. Raises OSError when the disk fails."""
        return [*self._files.lines(self._files.journal, Entry), *self._unwritten]

    def write(self, entries: Sequence[Entry]) -> None:
        """Add to it; on return a power cut cannot take it away, unless the disk is at fault, which is only logged."""
        self._unwritten += entries
        try:
            append_whole(self._files.journal, b"".join(self._files.seal(entry) for entry in self._unwritten))
        except OSError:
            # Twice rather than never: who is told now may be told again by a keeper that knows nothing of it.
            _LOG.exception("journal_not_written")
        else:
            self._unwritten.clear()

    def drop(self, *, aside: bool = False) -> None:
        """All of it is in the database; or `aside`, where a person has to look. Raises OSError."""
        self._unwritten.clear()
        path = self._files.journal
        if aside:
            path.rename(path.with_name(f"{path.stem}-{outage_name()}.aside"))
        else:
            path.unlink(missing_ok=True)
        sync_directory(path.parent)


def outage_name() -> str:
    """A name for an outage, part of the steps of its messages, so that those of two keepers never clash."""
    return secrets.token_hex(4)
