"""What a keeper has ready for when the database is gone: until then the snapshot, and then the stand-in."""

from __future__ import annotations

import logging
import os
from typing import Final

from service.operations.clock_mark import go_on_from
from service.operations.health import beat_heart
from service.operations.merging import merge
from service.operations.outage_journal import Journal
from service.operations.service import Service
from service.operations.snapshotting import Snapshot, note_snapshot
from service.operations.standing_in import TELL_AFTER_S, Means, StandIn

_LOG = logging.getLogger(__name__)

REFRESH_EVERY_S: Final = 10.0  # real seconds
STOOD_STILL_S: Final = 30.0  # real seconds from one look's end to the next one, which is to come after 5
WRITES: Final = "standby"  # a heartbeat whose only use is that it was written


class Standby:
    """For one keeper, which calls it from one thread. Two on one machine: the second has nothing to do."""

    def __init__(self, service: Service, means: Means) -> None:
        self._service = service
        self._means = means
        self._files = means.spool.keeper
        self._snapshot = Snapshot(self._files)
        self._journal = Journal(self._files)
        self._lock: int | None = None
        self._written_s = float("-inf")
        self._well_s = self._looked_s = means.monotonic()
        self._was_well = True
        self._stand_in: StandIn | None = None

    def look(self) -> None:
        """With a database: bring in what was told meanwhile, and keep the snapshot fresh.

        Raises what the database raises, also when it takes no writes. A fault of the disk is only logged.
        """
        self._note_look()
        if not self._is_ours():
            return
        if self._journal.has_any:
            self._come_back()
        if self._means.monotonic() - self._written_s < REFRESH_EVERY_S:
            return
        try:
            self._snapshot.refresh(self._service)
        except OSError:
            _LOG.exception("snapshot_not_written")
            return
        self._written_s = self._means.monotonic()
        note_snapshot(self._service, len(self._snapshot))

    def _note_look(self) -> None:
        """A look begins. Of a time in which nobody looked, since this process stood still, nothing is known.

        That counts once, behind a look that went well: however slow looks may be, an outage is one in the end.
        """
        now_s = self._means.monotonic()
        if self._was_well and now_s - self._looked_s > STOOD_STILL_S:
            # The database may have been there all the time, and what we kept of it before is as old.
            self._well_s = now_s

    def all_is_well(self) -> None:
        """A whole look was done with the database."""
        self._well_s = self._looked_s = self._means.monotonic()
        self._was_well = True
        if self._lock is not None:
            self._leave_time()  # one of before would hold us in the next outage, though it was taken back

    def without_database(self) -> bool:
        """A look that failed: do what can be done without the database; whether it could be watched by the snapshot."""
        self._looked_s = self._means.monotonic()
        self._was_well = False
        if not self._is_ours():
            return False
        self._go_on()
        gone_s = self._looked_s - self._well_s
        if self._stand_in is None and (gone_s >= TELL_AFTER_S or self._journal.has_any):
            self._stand_in = StandIn(self._means, self._journal, self._snapshot.contents(), gone_s)
            _LOG.error("database_gone", extra={"for_s": round(gone_s)})
        if self._stand_in is not None:
            self._stand_in.round()
        self._leave_time()
        return self._snapshot.is_there

    def close(self) -> None:
        """End what is on its way. The journal stays for whoever comes next."""
        if self._stand_in is not None:
            self._stand_in.close()
        if self._lock is not None:
            os.close(self._lock)

    def _come_back(self) -> None:
        beat_heart(self._service, WRITES)  # first see that it can be written to
        if self._stand_in is not None:
            # Should the database go again before all is in, another one takes up the journal.
            ended = self._stand_in
            self._stand_in = None
            ended.close()
        merge(self._service, self._journal)

    def _go_on(self) -> None:
        """From what this keeper, or the one before it, has seen last: the clock may have lost an hour at a start.

        Each time, since it costs nothing where we are not behind, and the disk may have failed before.
        """
        try:
            left = self._files.time_left()
        except OSError:
            _LOG.exception("time_not_read")
            left = None
        go_on_from(self._means.clock, [at for at in (self._snapshot.as_of, left) if at is not None])

    def _leave_time(self) -> None:
        """After each round, since in a quiet outage nothing else is written from which time could be told."""
        try:
            self._files.leave_time(self._means.clock.now())
        except OSError:
            _LOG.exception("time_not_left")

    def _is_ours(self) -> bool:
        """Whether this keeper is the one that writes here; taken up once that is so."""
        if self._lock is not None:
            return True
        try:
            self._lock = self._files.claim()
            if self._lock is not None:
                self._snapshot.load()
        except OSError:
            _LOG.exception("keeper_directory_not_usable")
        return self._lock is not None
