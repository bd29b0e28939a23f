"""What gateways took, written down many at a time: the usual end of a message, and most of the work in a storm.

It is the same record that `settling` writes of one, in one transaction for all that has come in meanwhile. Whatever is
not so plain (a refusal, a doubt, a notice that arms a dive, a receipt that was there first) is left to it.
"""

from __future__ import annotations

import logging
import threading
from collections import defaultdict, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from sqlalchemy.orm import Session

from service.domain.wording import MessageKind, says_of_rescue
from service.operations.breaking import note
from service.operations.gateway import Accepted
from service.operations.overtaken import is_overtaken
from service.operations.parcels import Parcel
from service.operations.retrying import Fate
from service.operations.service import Service
from service.operations.settling import ATTEMPT_PREFIX, about, attempt_actor, attempt_detail
from service.store import handing, log
from service.store.codec import canonical
from service.store.engine import is_transient
from service.store.outbox import Message

_LOG = logging.getLogger(__name__)

TOGETHER_MAX = 100
ENOUGH = 50  # more at once make a record hardly cheaper
ACCEPTED = f"{ATTEMPT_PREFIX}accepted"


@dataclass(frozen=True, slots=True)
class Handed:
    """A message that its gateway took."""

    parcel: Parcel
    outcome: Accepted


def is_plain(message: Message) -> bool:
    """Whether no more is to be done when a gateway has taken it than to write that down.

    A start notice may arm its dive, and an extension's notice puts that in force: both are kinds of start notice.
    What says whether rescue was called may have to be followed, which the phase of a dive does not tell.
    """
    return message.priority != MessageKind.START_NOTICE and not says_of_rescue(message.step)


class HandingOver:
    """Records for one courier, `owner`, from many threads: whoever comes while nobody writes, writes for all."""

    def __init__(self, service: Service, owner: str, one_by_one: Callable[[Handed], None]) -> None:
        self._service = service
        self._owner = owner
        self._one_by_one = one_by_one
        self._waiting: deque[Handed] = deque()
        self._writing = threading.Lock()

    def record(self, handed: Handed) -> None:
        """Have it recorded with others, by this thread or another, at the latest at the next `write`. Never raises."""
        self._waiting.append(handed)
        if len(self._waiting) >= ENOUGH:
            self.write()

    def write(self) -> None:
        """Record what waits, unless another thread is just about it: then that one does. Never raises.

        While the database is away it goes on waiting: where that comes back before the leases end, nothing goes twice.
        """
        # Looked at again once the lock is free: somebody may have come after the last look of who had it.
        done = True
        while done and self._waiting and self._writing.acquire(blocking=False):
            try:
                done = self._write()
            finally:
                self._writing.release()

    def _write(self) -> bool:
        """Whether the database was there for all that waited."""
        late: list[Handed] = []  # somebody keeps the log of their club from us
        while self._waiting:
            batch = [self._waiting.popleft() for _ in range(min(len(self._waiting), TOGETHER_MAX))]
            of_dives = [one for one in batch if one.parcel.message.dive_id is not None]
            if of_dives and not self._written(of_dives):
                self._waiting.extendleft(reversed(batch))
                break
            for club_id, of_club in _by_club(batch).items():
                if club_id in {one.parcel.message.club_id for one in late} or not self._written(of_club):
                    late += of_club
        self._waiting.extend(late)
        return not self._waiting

    def _written(self, batch: Sequence[Handed]) -> bool:
        """Write of some together, or else of each; False where there is no use in trying now."""
        now = self._service.clock.now()
        try:
            left = self._service.write(partial(self._together, batch, now))
        except Exception as error:  # noqa: BLE001 - whatever it is, the others' records must not be lost with it
            _LOG.exception("not_recorded_together", extra={"messages": len(batch)})
            if is_transient(error):
                return False
            left = batch
        for handed in left:
            self._one_by_one(handed)
        return True

    def _together(self, batch: Sequence[Handed], now: datetime, session: Session) -> Sequence[Handed]:
        """Record those that nothing stands in the way of; gives the others. All are of dives, or all of one club."""
        book = log.Book(session)
        free, phases = self._hold(session, book, batch)
        by_gateway: dict[str, list[Handed]] = defaultdict(list)
        for one in batch:
            message = one.parcel.message
            if _chain(one) in free and not is_overtaken(message, phases.get(message.dive_id or "")):
                by_gateway[one.parcel.gateway.name].append(one)
        written: set[int] = set()
        for name, handed in by_gateway.items():
            early = handing.receipts_wait(session, name, [one.outcome.provider_id for one in handed])
            plain = [one for one in handed if one.outcome.provider_id not in early]
            self._finish(session, book, name, plain, now)
            written |= {one.parcel.attempt_id for one in plain}
        book.write()
        for name, handed in by_gateway.items():
            note(self._service, session, name, handed[0].outcome, now)
        return [one for one in batch if one.parcel.attempt_id not in written]

    def _hold(self, session: Session, book: log.Book, batch: Sequence[Handed]) -> tuple[set[str], dict[str, str]]:
        """Keep the logs of these from others; which are kept, and the phases of the dives among them."""
        chains, dive_ids = {_chain(one) for one in batch}, {one.parcel.message.dive_id or "" for one in batch}
        if dive_ids == {""}:
            # Every text that comes in takes its turn with the log of its club, for a moment. We have nothing else.
            book.hold(chains)
            return chains, {}
        # The dives first, as everybody does, then their chains; and only those that nobody has, so that no two wait for
        # each other, and whoever hangs with one of them keeps no other record waiting.
        phases = handing.hold_free(session, dive_ids)
        return book.hold_free({log.dive_chain(dive_id) for dive_id in phases}), phases

    def _finish(self, session: Session, book: log.Book, gateway: str, handed: Sequence[Handed], now: datetime) -> None:
        if not handed:
            return
        ids = {one.parcel.attempt_id: one.outcome.provider_id for one in handed}
        handing.finish_accepted(session, ids, now)
        names = {one.parcel.message.id: one.outcome.provider_id for one in handed}
        checked = not handed[0].parcel.gateway.sends_receipts
        handing.mark_handed(session, names, self._owner, gateway, now, receipt_checked=checked)
        self._log(book, gateway, handed, now)

    def _log(self, book: log.Book, gateway: str, handed: Sequence[Handed], now: datetime) -> None:
        actor = canonical(attempt_actor(self._service, gateway))
        then = attempt_detail(self._service, Fate.HANDED, None)
        for one in handed:
            message = one.parcel.message
            book.add(
                _chain(one),
                at=now,
                kind=ACCEPTED,
                actor=actor,
                detail=canonical(about(message) | then),
                dive_id=message.dive_id,
                club_id=message.club_id,
            )


def _chain(handed: Handed) -> str:
    message = handed.parcel.message
    return log.chain_of(message.dive_id, message.club_id)


def _by_club(batch: Sequence[Handed]) -> dict[str, list[Handed]]:
    """Those of no dive, apart for each club, so that nobody waits for one with the log of another."""
    clubs: dict[str, list[Handed]] = defaultdict(list)
    for one in batch:
        if one.parcel.message.dive_id is None:
            clubs[one.parcel.message.club_id].append(one)
    return clubs
