"""The keeper: the standby that raises alarms by itself when broker, beat or workers do not.

A plain loop, no Celery, no broker, and no row locks to see what is late. Every 5 seconds it looks how late the oldest
due dive and the oldest urgent message are. Past 10 seconds it sweeps and carries itself, by the same code as the
workers and under the same claims, so that nothing doubles, and says so in the log and to the admins. It also watches
the canary that travels through broker and workers: a process that is up proves nothing. Two keepers are harmless.

While the database is there it keeps a snapshot of the open dives (`standby`); while it is gone alarms go out by that.

All its limits are real seconds, whatever the pace of a demo's clock.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from typing import Final

from service.clock import MACHINES_APART, clock_seconds
from service.operations.canary_dive_health import tell_of_canary_dives
from service.operations.carrying import Courier
from service.operations.clock_mark import KEEPER, go_on_from_mark, is_not_followed
from service.operations.gateway import Gateway
from service.operations.health import (
    CLOCKS_APART_S,
    NOT_FOLLOWED,
    Lateness,
    beat_heart,
    compare_clocks,
    how_late,
    note_not_followed,
    note_step,
    note_take_over,
)
from service.operations.intake import drain_quietly
from service.operations.plainest import overdue_and_held, raise_beside_lock
from service.operations.polling import OVERDUE_AFTER_S, poll
from service.operations.service import Service
from service.operations.spooling import Spool
from service.operations.standby import Standby
from service.operations.standing_in import Means
from service.operations.sweeping import sweep
from service.store.engine import is_fault_of_database

_LOG = logging.getLogger(__name__)

LOOK_EVERY_S: Final = 5.0
LATE_S: Final = 10.0  # well past a worker's second, well within the minute that an alarm may take
CARRYING_FAILS_WITHIN_S: Final = 4.0  # longer than a lock is waited for; who carries for longer has got through
SIGN_OF_LIFE_S: Final = 45.0  # three canaries
AHEAD_MAX_S: Final = MACHINES_APART.total_seconds()  # of a sign of life
CLOCKS_EVERY_S: Final = 60.0
CANARY_DIVES_EVERY_S: Final = 30.0
CARRYING_MAX: Final = 2

DIVE_LATE: Final = "dives are not looked at in time, so the keeper does it"
MESSAGE_LATE: Final = "alarms are not carried in time, so the keeper does it"
AT_ITS_RATE: Final = "alarms wait because their sender may not send faster (linetender capacity says what it can carry)"
BEHIND: Final = "a machine's clock shows less than what was seen before, so alarms may come late"
NO_CANARY: Final = "broker or workers give no sign of life, so the keeper does their work"
NO_SWEEP: Final = "no sweep has ended for a while, so the keeper does it"


class Keeper:
    """One keeper. `look` is one round; `run` goes on until the event is set."""

    def __init__(
        self,
        service: Service,
        courier: Courier,
        monotonic: Callable[[], float] = time.monotonic,
        *,
        gateways: Sequence[Gateway] = (),
        spool: Spool | None = None,
        completed: Callable[[], None] = lambda: None,
    ) -> None:
        self._service = service
        self._courier = courier
        self._monotonic = monotonic
        self._gateways = gateways
        self._spool = spool
        self._completed = completed
        means = None if spool is None else Means(gateways, spool, service.clock, monotonic, service.own_numbers)
        self._standby = Standby(service, means) if means is not None else None
        self._born = monotonic()
        self._clocks_at = self._born - CLOCKS_EVERY_S
        self._canary_dives_at = self._born
        # A thread of its own for the courier: a slow gateway must not keep the next look waiting.
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="keeper-carries")
        self._carrying: list[Future[None]] = []
        self._not_carried: Exception | None = None
        self._held: frozenset[str] = frozenset()
        self._asking = ThreadPoolExecutor(max_workers=1, thread_name_prefix="keeper-asks")
        self._asked: Future[None] | None = None

    def run(self, stopping: threading.Event) -> None:
        """Look every 5 seconds, whatever goes wrong, until `stopping` is set."""
        while not stopping.is_set():
            began = self._monotonic()
            if self._look_anyhow():
                self._completed()
            stopping.wait(max(0.5, LOOK_EVERY_S - (self._monotonic() - began)))
        for threads in (self._thread, self._asking):
            threads.shutdown(wait=True)
        self._courier.close()
        if self._standby is not None:
            self._standby.close()

    def _look_anyhow(self) -> bool:
        """One round, with the database or without it; whether it was done. A standby that ends on a fault is none."""
        try:
            self.look()
        except Exception as fault:  # noqa: BLE001 - see above
            _LOG.exception("keeper_look_failed")
            return self._without_database(fault)
        return True

    def _without_database(self, fault: Exception) -> bool:
        try:
            # A fault of ours says nothing of the database, whose dives others may well be watching.
            return self._standby is not None and is_fault_of_database(fault) and self._standby.without_database()
        except Exception:  # noqa: BLE001 - the next look tries it again
            _LOG.exception("keeper_stand_in_failed")
            return False

    def look(self) -> tuple[str, ...]:
        """One round; gives the reasons for which it took over or tells the admins, none when all is well."""
        go_on_from_mark(self._service)
        self._see_that_alarms_are_carried()
        self._keep_ready()
        # First what lies on the disk: among it may be the finish of a dive that is due.
        drain_quietly(self._service, self._spool)
        reasons = self.reasons(how_late(self._service))
        if reasons:
            self._take_over(reasons)
        if is_not_followed(self._service):
            # Nobody's work is to be taken over for it.
            reasons += (NOT_FOLLOWED,)
            note_not_followed(self._service)
        self._ask_for_texts()
        self._compare_clocks()
        self._tell_of_canary_dives()
        beat_heart(self._service, KEEPER, "; ".join(reasons) or None)
        if self._standby is not None:
            self._standby.all_is_well()
        return reasons

    def _see_that_alarms_are_carried(self) -> None:
        """Raise the fault of the database at which carrying broke off, as long as it does and an alarm waits.

        One that answers and cannot be carried from is of no use: after an upgrade without its migration, or with a
        damaged table, clocks go on and what they decide goes to nobody.
        """
        if self._not_carried is None:
            return
        waits = self._past(how_late(self._service).oldest_urgent_s, LATE_S)
        self._not_carried = None
        if not waits:
            return  # somebody else carries
        # Nothing goes out for it: what was told meanwhile has to be in the record before.
        wait([self._thread.submit(self._quietly, self._courier.try_one)], CARRYING_FAILS_WITHIN_S)
        if self._not_carried is not None:
            raise self._not_carried

    def _keep_ready(self) -> None:
        """What is for an outage must not keep us from our work while there is none."""
        try:
            if self._standby is not None:
                self._standby.look()
        except Exception as fault:
            if is_fault_of_database(fault):
                raise
            _LOG.exception("standby_look_failed")

    def reasons(self, late: Lateness) -> tuple[str, ...]:
        """Why the keeper has to act, in the order in which it matters."""
        lived_long = self._monotonic() - self._born >= SIGN_OF_LIFE_S
        urgent_late = self._past(late.oldest_urgent_s, LATE_S)
        at_its_rate = late.sender_age_s is not None and not self._past(late.sender_age_s, LATE_S)
        found = (
            (DIVE_LATE, self._past(late.oldest_due_s, LATE_S)),
            (MESSAGE_LATE, urgent_late and not at_its_rate),
            # Couriers are at work, and the keeper sends no more than they may; but somebody has to know.
            (AT_ITS_RATE, urgent_late and at_its_rate),
            # By more than what is believed: else we would have gone on from there.
            (BEHIND, self._from_ahead(late.sweep_age_s)),
            # After a start the others have as long to give a sign of life as they have later.
            (NO_SWEEP, lived_long and self._silent(late.sweep_age_s)),
            (NO_CANARY, lived_long and self._silent(late.canary_age_s)),
        )
        return tuple(reason for reason, holds in found if holds)

    def _past(self, age_s: float | None, limit_s: float) -> bool:
        return age_s is not None and age_s > clock_seconds(self._service.clock, limit_s)

    def _silent(self, age_s: float | None) -> bool:
        """Whether there is no sign of life. One of the future is none: the clock was wrong when it was given."""
        return age_s is None or self._past(age_s, SIGN_OF_LIFE_S) or self._from_ahead(age_s)

    def _from_ahead(self, age_s: float | None) -> bool:
        return age_s is not None and self._past(-age_s, AHEAD_MAX_S)

    def _take_over(self, reasons: tuple[str, ...]) -> None:
        """First the work, then the telling of it."""
        _LOG.error("keeper_takes_over", extra={"reasons": reasons})
        # What is queued already goes out at once, also when the sweep then fails.
        self._carry()
        swept = sweep(self._service)
        self._alarm_beside_locks(late=DIVE_LATE in reasons)
        self._carry()
        for reason in reasons:
            note_take_over(self._service, reason)
        _LOG.error("keeper_took_over", extra={"decided": swept.decided, "faults": swept.faults})

    def _alarm_beside_locks(self, *, late: bool) -> None:
        """A dive that was found locked at two looks is locked by something that hangs: its alarm needs no lock."""
        held = overdue_and_held(self._service, LATE_S) if late else frozenset()
        for dive_id in sorted(held & self._held):
            _LOG.error("dive_held", extra={"dive": dive_id})
            raise_beside_lock(self._service, dive_id)
        self._held = held

    def _carry(self) -> None:
        """Carry in the background until nothing is waiting: one round now, and one for what comes meanwhile."""
        self._carrying = [one for one in self._carrying if not one.done()]
        if len(self._carrying) < CARRYING_MAX:
            self._carrying.append(self._thread.submit(self._quietly, self._courier.carry))

    def _quietly(self, carry: Callable[[], object]) -> None:
        try:
            carry()
        except Exception as fault:  # noqa: BLE001 - it must not end the thread
            # The database went away; the next look comes in seconds.
            _LOG.exception("keeper_carry_failed")
            self._not_carried = fault if is_fault_of_database(fault) else None

    def _ask_for_texts(self) -> None:
        """Ask the gateways for texts in the background where no worker has done so for a while."""
        if self._asked is None or self._asked.done():
            self._asked = self._asking.submit(self._poll_quietly)

    def _poll_quietly(self) -> None:
        try:
            poll(self._service, self._gateways, OVERDUE_AFTER_S)
        except Exception:  # noqa: BLE001 - as above
            _LOG.exception("keeper_poll_failed")

    def _compare_clocks(self) -> None:
        """With itself at each look, with the database's once a minute; who finds them apart tells the admins."""
        stepped_s = note_step(self._service).total_seconds()
        if abs(stepped_s) > CLOCKS_APART_S:
            _LOG.error("clock_set", extra={"by_s": round(stepped_s, 1)})
        if self._monotonic() - self._clocks_at < CLOCKS_EVERY_S:
            return
        self._clocks_at = self._monotonic()
        apart_s = compare_clocks(self._service)
        if abs(apart_s) > CLOCKS_APART_S:
            _LOG.error("clocks_apart", extra={"apart_s": round(apart_s, 1)})

    def _tell_of_canary_dives(self) -> None:
        """Those who look after them do so themselves; this is for when they do not."""
        if self._monotonic() - self._canary_dives_at < CANARY_DIVES_EVERY_S:
            return
        self._canary_dives_at = self._monotonic()
        try:
            tell_of_canary_dives(self._service)
        except Exception:  # noqa: BLE001 - a test must not keep the keeper from alarms
            _LOG.exception("canary_dives_not_looked_at")
