"""The dives of a snapshot while the database is gone: the same heart decides them, from where they were.

What it decides is kept as events, so that a keeper which is started again folds them to the same dives. A dive on which
the rules fail is told of, and does not hold up the others.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from datetime import datetime

from service.domain.dive import Command, Dive, Event, Phase, Refusal, decide, evolve, next_due_at
from service.domain.dive.commands import Tick
from service.operations.outage_journal import Happened
from service.store.codec import UnreadableError, dump_event, load_dive, load_event
from service.store.snapshots import OpenDive

_LOG = logging.getLogger(__name__)

Step = tuple[Dive, Event]
"""An event, and the dive after it."""


class Ladder:
    """Open dives by their ids, and when each is next due."""

    def __init__(self, kept: Iterable[OpenDive]) -> None:
        self.dives: dict[str, Dive] = {}
        self.kept: dict[str, OpenDive] = {}
        self.faulty: set[str] = set()  # on which the rules have failed, or that cannot be read
        self._due_at: dict[str, datetime] = {}
        for one in kept:
            self.kept[one.id] = one
            try:
                self._put(load_dive(one.state))
            except UnreadableError:
                _LOG.exception("snapshot_dive_unreadable", extra={"dive": one.id})
                self.faulty.add(one.id)
                # Where its contacts have SERVICE FAULT already this is the next of those that come every ten minutes.
                if one.facts is not None and one.due_at is not None:
                    self._due_at[one.id] = one.due_at

    def fold(self, happened: Happened) -> None:
        """What a keeper before us had decided."""
        dive = self.dives.get(happened.dive_id)
        for kind, detail in happened.events if dive else ():
            dive = evolve(dive, load_event(kind, detail))
        if dive is not None:
            self._put(dive)

    def tick(self, now: datetime, limit: int) -> list[tuple[str, list[Step]]]:
        """So many of those that are due, the longest overdue first."""
        due = sorted((at, dive_id) for dive_id, at in self._due_at.items() if at <= now)
        return [(dive_id, self.ask(dive_id, Tick(), now)) for _, dive_id in due[:limit]]

    def ask(self, dive_id: str, command: Command, now: datetime) -> list[Step]:
        """Decide and evolve; nothing where the answer is a refusal, the rules fail, or the dive cannot be read."""
        dive = self.dives.get(dive_id)
        if dive is None:
            self._due_at.pop(dive_id, None)
            return []
        steps: list[Step] = []
        try:
            decision = decide(dive, command, now)
            for event in () if isinstance(decision, Refusal) else decision:
                dive = evolve(dive, event)
                steps.append((dive, event))
            self._put(dive)
        except Exception:  # noqa: BLE001 - a fault in the rules must not silence the other dives
            _LOG.exception("tick_failed", extra={"dive": dive_id})
            self._due_at.pop(dive_id, None)
            self.faulty.add(dive_id)
            return []
        return steps

    def _put(self, dive: Dive) -> None:
        self.dives[dive.id] = dive
        self._due_at.pop(dive.id, None)
        due_at = None if dive.phase is Phase.CLOSED else next_due_at(dive)
        if due_at is not None:
            self._due_at[dive.id] = due_at


def happened(dive_id: str, steps: Iterable[Step]) -> Happened:
    """The steps as the journal has them."""
    return Happened(dive_id, tuple(dump_event(event) for _, event in steps))
