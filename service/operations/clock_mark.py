"""The high-water mark of the clock: the latest that any process of ours has taken for the present.

It is read from what is there anyway: a sweep leaves its time every 3 s and a keeper every 5. A process whose machine's
clock is behind its own time leaves it too, whatever else it does: all sweeps and keepers may be dead when the next one
is started on that machine. Each process that decides by time goes on from the mark where its own clock is behind, when
it begins and every few seconds after: so the service has one time on all its machines, the latest of any. Why, and when
a mark is not believed: `SteadyClock.go_on_from`.

A copy that was just restored, and a service that stood still for a night, have marks of before: those hold nobody.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Final

from sqlalchemy.orm import Session

from service.clock import MACHINES_APART, Clock, SteadyClock
from service.operations import service_log
from service.operations.gap import HEARTBEAT
from service.operations.health import note_not_followed
from service.operations.recovering import admin_named
from service.operations.service import Service
from service.store import health
from service.store.under_way import UnderWay, under_way

_LOG = logging.getLogger(__name__)

KEEPER: Final = "keeper"
AHEAD: Final = "ahead of its machine"
MARKS: Final = (HEARTBEAT, KEEPER, AHEAD)
TOLD: Final = "told:"  # what admins were told and when: of a time that is yet to come it would keep the same from them
LOOKS_EVERY_S: Final = 3.0  # real seconds
LOOKS_AGAIN_S: Final = 0.5  # real seconds, after a look that failed
TELLS_EVERY_S: Final = 60.0  # real seconds; the admins are told once an hour whoever notes it
FIRST_LOOK_WITHIN_S: Final = 2.0  # real seconds
MOVES_WITHIN_S: Final = 12.0  # real seconds: two looks of a keeper
CONFIRMED: Final = "clock_confirmed"


class NotConfirmedError(Exception):
    """The mark stays as it is; why, in words for whoever asked."""


def marks(service: Service) -> list[datetime]:
    """What was left as a mark, the latest last; nothing in a database that nobody has worked with yet."""
    return health.glance_at(service.engine, MARKS)


def go_on_from_mark(service: Service) -> None:
    """Let the clock of this process go on from the mark, where it is behind. Raises what the database raises."""
    if isinstance(service.clock, SteadyClock):
        go_on_from(service.clock, marks(service))


def go_on_from(clock: Clock, seen: Iterable[datetime]) -> None:
    """The same, from the times that one of us is otherwise known to have seen: a keeper may have no database.

    From the latest that is believed, whatever else there is.
    """
    if not isinstance(clock, SteadyClock):
        return
    behind = sum((clock.go_on_from(at) for at in sorted(seen)), timedelta(0))
    if behind:
        _LOG.error("clock_behind", extra={"by_s": round(behind.total_seconds(), 1)})


def leave_mark(service: Service) -> None:
    """Leave our time as a mark, where our machine's clock is behind it. Raises what the database raises."""
    if isinstance(service.clock, SteadyClock) and service.clock.ahead() > MACHINES_APART:
        now = service.clock.now()
        service.write(lambda session: health.beat(session, AHEAD, now, service.process))


class MarkFollower:
    """Follows the mark for one process, which calls it before each piece of work: it looks every 3 seconds.

    Whatever goes wrong is only logged: by the wall clock, too, work is better done than not. But for what is `raised`
    from outside to end the work, such as a time limit. Where the machine's clock is not followed the admins hear of it.
    """

    def __init__(
        self,
        service: Service,
        monotonic: Callable[[], float] = time.monotonic,
        *,
        raised: type[Exception] | tuple[type[Exception], ...] = (),
    ) -> None:
        self._service = service
        self._monotonic = monotonic
        self._raised = raised
        self._next_s = self._tell_s = float("-inf")

    def __call__(self) -> bool:
        """Look, if it is time; whether the mark of the last seconds is known."""
        if self._monotonic() < self._next_s:
            return True
        try:
            go_on_from_mark(self._service)
            leave_mark(self._service)
            self._tell()
        except self._raised:
            raise
        except Exception:  # noqa: BLE001 - see above
            _LOG.warning("mark_not_read", exc_info=True)
            return False
        self._next_s = self._monotonic() + LOOKS_EVERY_S
        return True

    def _tell(self) -> None:
        if is_not_followed(self._service) and self._monotonic() >= self._tell_s:
            note_not_followed(self._service)
            self._tell_s = self._monotonic() + TELLS_EVERY_S


def is_not_followed(service: Service) -> bool:
    """Whether we go on from the mark, as after a start of a machine whose clock has lost an hour."""
    return isinstance(service.clock, SteadyClock) and service.clock.behind_mark() > timedelta(0)


def follow_mark_once(service: Service) -> None:
    """For a command, which ends soon and tells nobody but whoever gave it."""
    try:
        go_on_from_mark(service)
    except Exception:  # noqa: BLE001 - by the wall clock, too, it is better done than not
        _LOG.warning("mark_not_read", exc_info=True)


def follow_mark_from_time_to_time(service: Service) -> None:
    """Follow it for as long as this process lives, in a thread: for whoever answers at any moment.

    The first look is waited for, for 2 s: without a database there is none, and texts are to be taken all the same.
    """
    follow, looked = MarkFollower(service), threading.Event()

    def go_on() -> None:
        while True:
            known = follow()
            looked.set()
            # Once the database is back others soon act by our clock.
            time.sleep(LOOKS_EVERY_S if known else LOOKS_AGAIN_S)

    threading.Thread(target=go_on, name="follows-mark", daemon=True).start()
    looked.wait(FIRST_LOOK_WITHIN_S)


@dataclass(frozen=True, slots=True)
class TakenBack:
    """By how much the mark was ahead, and what now comes later by as much."""

    ahead: timedelta
    left: UnderWay


def take_mark_back(
    service: Service,
    admin_name: str,
    *,
    even_with_open_dives: bool,
    wait: Callable[[float], None] = time.sleep,
) -> TakenBack:
    """Take the mark back to what the clock of this process shows, on the word of an admin that this one is right.

    For processes that are started after it; one that runs goes on as it went and would leave the mark where it was. So
    this waits 12 s, and it is refused where the mark moves. Raises NotConfirmedError, also where a begun dive or a
    message would come late by it and the admin has not said that this is known, and NoRecoveryError for no such admin.
    """
    seen, now = marks(service), service.clock.now()
    if not seen or seen[-1] - now <= MACHINES_APART:
        raise NotConfirmedError(
            "this machine's clock is not behind what was seen before: there is nothing to take back"
        )
    by = service.read(partial(admin_named, admin_name))
    left = service.read(under_way)
    if left and not even_with_open_dives:
        raise NotConfirmedError(
            f"{left}: alarms would come late. Wait"
            " until they are over, or phone the contacts of whoever is in the water and say --even-with-open-dives"
        )
    wait(MOVES_WITHIN_S)
    taken = TakenBack(seen[-1] - now, left)
    service.write(partial(_take_back, service, taken, seen, by.name))
    return taken


def _take_back(service: Service, taken: TakenBack, seen: list[datetime], by: str, session: Session) -> None:
    now = service.clock.now()
    if health.times_of(session, MARKS) != seen or under_way(session) != taken.left:
        raise NotConfirmedError("the service is running: stop its processes on every machine first")
    health.take_back(session, now, TOLD)
    detail = {"by": by, "ahead_s": round(taken.ahead.total_seconds(), 1), "dives": taken.left.dives}
    service_log.note(service, session, CONFIRMED, detail, now, role="admin", name=by)
