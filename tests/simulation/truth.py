"""What people meant by their texts, as only a simulation knows: no words may move a dive that they are not about."""

from __future__ import annotations

import json
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.simulation.database import Database

MOVED = """
SELECT dive_id, kind, detail FROM log_entries
 WHERE kind IN ('event:closed', 'event:partly_out', 'event:started', 'event:extension_asked', 'event:alarm_raised')
 ORDER BY id
"""
RAISED = "event:alarm_raised"  # which SOS may do to every dive of its sender
READ = "SELECT provider_id, intent, state FROM inbound_texts"
HELP = ("raise_now", "worry")


class Truth:
    """All that was texted on a day, with the dives that it was about."""

    def __init__(self) -> None:
        self._meant: dict[tuple[str, str], set[str]] = {}
        self._cries: dict[str, str] = {}
        self._calm: set[tuple[str, str]] = set()
        self._unsure: set[tuple[str, str]] = set()
        self.calls: list[tuple[str, datetime]] = []
        self.waits: list[tuple[str, datetime]] = []

    def said(self, phone: str, words: str, means: set[str]) -> None:
        """Somebody has texted this about these dives, or about none."""
        self._meant.setdefault((phone, words.strip()), set()).update(means)

    def nobody_can_know(self, phone: str, words: str) -> None:
        """A carrier keeps it for long, and says nothing of that: it may come when another dive of theirs is on."""
        self._unsure.add((phone, words.strip()))

    def cried(self, name: str, words: str) -> None:
        """The text of that name is a cry for help."""
        self._cries[name] = words

    def called(self, words: str, at: datetime) -> None:
        """Somebody calls for help about a dive that was over; nobody else on this day has these words."""
        self.calls.append((words, at))

    def asked(self, phone: str, at: datetime) -> None:
        """Somebody calls for help from that phone, which is of no dive, and waits for an answer."""
        self.waits.append((phone, at))

    def is_calm(self, phone: str, words: str) -> None:
        """What they text is no cry for help, though it has its words."""
        self._calm.add((phone, words))

    def broken(self, database: Database) -> list[str]:
        """Words that moved another dive, and cries that were not read as such."""
        return [*self._moved_others(database), *self._unheard(database)]

    def _moved_others(self, database: Database) -> list[str]:
        found = []
        for dive_id, kind, detail in database.rows(MOVED):
            by = (json.loads(detail).get("by") or {}) if detail else {}
            said = (by.get("phone") or "", (by.get("words") or "").strip())
            meant = None if by.get("via") != "text" else self._meant.get(said)
            others = kind != RAISED and meant is not None and dive_id not in meant and said not in self._unsure
            if others or (kind == RAISED and said in self._calm):
                found.append(f"meant: {kind} of dive {dive_id} is by {said[1]!r} of {said[0]}, who meant {meant}")
        return found

    def _unheard(self, database: Database) -> list[str]:
        read = {name: (intent, state) for name, intent, state in database.rows(READ) if name in self._cries}
        return [
            f"cry: {self._cries[name]!r} was read as {intent}"
            for name, (intent, state) in read.items()
            if state == "answered" and intent not in HELP
        ]
