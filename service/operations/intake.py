"""What gateways bring goes into the database; while that does not answer, onto the disk, and from there into it.

A gateway waits for its answer for some seconds, and some never try again. So it hears that we have a text as soon as
the text is safe anywhere, and what cannot be kept anywhere is refused, loudly.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

from sqlalchemy.exc import OperationalError, SQLAlchemyError
from sqlalchemy.orm import Session

from service.operations import service_log
from service.operations.calling import Pressed, press
from service.operations.gateway import DeliveryReceipt, InboundText
from service.operations.inbound import answer_text
from service.operations.merging import merge_first
from service.operations.receipts import receive_receipt
from service.operations.receiving import Way, receive_text
from service.operations.refused_texts import note_refused, note_unreadable
from service.operations.service import Service
from service.operations.spooling import PUT_ASIDE, Brought, KeyPress, Spool, SpoolError, UnreadableError
from service.operations.storing_together import StoringTogether
from service.operations.telling_admins import tell_admins
from service.operations.wrong_clocks import note_wrong_clock
from service.store.codec import stamp
from service.store.engine import RunAgainError, is_transient

_LOG = logging.getLogger(__name__)

T = TypeVar("T")

PATIENCE_S: Final = 2.0  # gateways wait 5 to 15 s, and our own tries against a dead host could take 10
AT_ONCE: Final = 8
DRAINS_EVERY_S: Final = 5.0
DRAIN_WAITS_S: Final = 2.0
DRAINS_FOR_S: Final = 5.0  # an alarm that is due must not wait for long behind texts, even those that may end it

SPOOLED: Final = "inbound.spooled"
NOT_KEPT: Final = "inbound.not_kept"
NOT_TAKEN: Final = "spool_not_taken"
DRAINED: Final = "spool_drained"
DRAIN_FAILED: Final = "spool_drain_failed"


class Intake:
    """Takes what one gateway or another brings, authenticated already. Many threads may use one at once.

    Without a spool the database is waited for, and its fault is raised. With one it gets two seconds. With
    `disk_only` it is not asked at all.
    """

    def __init__(
        self, service: Service, spool: Spool | None, *, disk_only: bool = False, patience_s: float = PATIENCE_S
    ) -> None:
        self._service = service
        self._spool = spool
        self._disk_only = disk_only
        self._patience_s = patience_s
        # A thread begins with its first work, so one may be made before a fork.
        self._threads = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="intake")
        self._together = StoringTogether(service)

    def text(self, text: InboundText) -> int | None:
        """Keep a text; its id where it is in the database and needs an answer. Raises SpoolError or SQLAlchemyError."""
        if text.part is not None:  # which is put together with others, and may be put aside
            return self._take(text, lambda: receive_text(self._service, text, authentic=True))
        return self._kept(text, lambda: self._together.submit(text))

    def unauthentic(self, text: InboundText) -> None:
        """Keep what nobody signed for the record, where that is easily done. Raises SQLAlchemyError."""
        if not self._disk_only:
            receive_text(self._service, text, authentic=False)

    def wrong_clock(self, gateway: str, doubt: str) -> None:
        """Have a gateway's clock set, where somebody can easily be told. Raises SQLAlchemyError."""
        if not self._disk_only:
            note_wrong_clock(self._service, gateway, doubt)

    def doubted(self, text: InboundText, doubt: str) -> None:
        """Have it seen to that a gateway's texts are refused; as `wrong_clock`."""
        if not self._disk_only:
            note_refused(self._service, text, doubt)

    def unreadable(self, gateway: str, why: str) -> None:
        """Have it seen to that a gateway brought what cannot be read; as `wrong_clock`."""
        if not self._disk_only:
            note_unreadable(self._service, gateway, why)

    def receipt(self, receipt: DeliveryReceipt) -> None:
        """Keep a receipt. Raises as `text`."""
        self._take(receipt, lambda: receive_receipt(self._service, receipt))

    def key(self, key: KeyPress) -> Pressed | None:
        """Keep a key; what to say to it, or None where it lies on the disk until that is known. Raises as `text`."""
        return self._take(key, lambda: _press(self._service, key))

    def has_room(self) -> bool:
        """Whether something would be kept on the disk. Raises OSError."""
        return self._spool is not None and self._spool.has_room()

    def _take(self, brought: Brought, store: Callable[[], T]) -> T | None:
        return store() if self._spool is None else self._kept(brought, lambda: self._threads.submit(store))

    def _kept(self, brought: Brought, begin: Callable[[], Future[T]]) -> T | None:
        if self._spool is None:
            return begin().result()
        if not self._disk_only:
            # Should it be stored after all once we have lost patience, the copy on the disk is found to be the same.
            stored = begin()
            try:
                return stored.result(self._patience_s)
            except (TimeoutError, SQLAlchemyError, RunAgainError) as fault:
                stored.cancel()
                _LOG.warning(SPOOLED, extra={"what": type(brought).__name__, "why": type(fault).__name__})
        try:
            self._spool.keep(brought)
        except SpoolError:
            _LOG.exception(NOT_KEPT, extra={"what": type(brought).__name__})
            raise
        return None


def drain_from_time_to_time(service: Service, spool: Spool) -> None:
    """Bring in what lies on the disk, every few seconds, for as long as this process lives; in a thread of its own.

    For whoever puts things there: worker and keeper may be on other machines.
    """

    def go_on() -> None:
        while True:
            drain_quietly(service, spool)
            time.sleep(DRAINS_EVERY_S)

    threading.Thread(target=go_on, name="drains", daemon=True).start()


def drain_quietly(service: Service, spool: Spool | None) -> None:
    """As `drain`, and whatever goes wrong is only logged: no clock may stand still because of it.

    First what a keeper told while the database was gone: what lies here may be the answers to it.
    """
    if spool is None:
        return
    for work in (partial(merge_first, service, spool.keeper), partial(drain, service, spool)):
        try:
            work()
        except Exception:  # noqa: BLE001 - see above
            _LOG.exception(DRAIN_FAILED)


def drain(service: Service, spool: Spool, *, wait_s: float = DRAIN_WAITS_S, for_s: float = DRAINS_FOR_S) -> int:
    """Bring what lies on the disk into the database, the first that came first; gives how many it was.

    One process does so at a time; another one waits a little, so that what it decides next is decided by all that is
    known, and passes over one that hangs. A file is dropped after the commit, so that a crash between the two brings it
    again, as the same text. Raises OSError when the disk fails.
    """
    if not spool.waiting():
        return 0
    with spool.alone(wait_s) as turn:
        if turn is None:
            return 0
        give_up_at = time.monotonic() + for_s
        taken: list[datetime] = []
        for path in spool.waiting():
            if time.monotonic() >= give_up_at or not turn.goes_on() or not _bring_in(service, spool, path, taken):
                break
        spool.clear_unfinished()
    if taken:
        _LOG.warning(DRAINED, extra={"taken": len(taken)})
        detail = {"taken": len(taken), "first_received_at": stamp(min(taken))}
        service.write(lambda session: service_log.note(service, session, DRAINED, detail, service.clock.now()))
    return len(taken)


def _bring_in(service: Service, spool: Spool, path: Path, taken: list[datetime]) -> bool:
    """Bring one file into the database; False when it is no use to go on with the next now."""
    try:
        return _brought_in(service, spool, path, taken)
    except OSError:
        # It is another user's, or the disk fails at this one, or takes nothing away: another may be somebody's finish.
        _LOG.exception(NOT_TAKEN, extra={"file": path.name})
        return True


def _brought_in(service: Service, spool: Spool, path: Path, taken: list[datetime]) -> bool:
    try:
        brought = spool.read(path)
    except UnreadableError as fault:
        if spool.is_fresh(path):
            # Maybe of the new secret key, and we have the old one: whoever wrote it can read it.
            return True
        _put_aside(service, spool, path, str(fault))
        return True
    try:
        inbound_id = _store(service, brought)
    except Exception as fault:  # noqa: BLE001 - one that breaks us must not keep the others waiting
        _LOG.exception(NOT_TAKEN, extra={"file": path.name})
        # The database is away again. Anything else is a fault with this one: it stays, and the others go on.
        return not (is_transient(fault) or isinstance(fault, OperationalError))
    spool.drop(path)
    taken.append(brought.received_at)
    if inbound_id is not None:
        _answer(service, inbound_id)
    return True


def _store(service: Service, brought: Brought) -> int | None:
    match brought:
        case InboundText():
            return receive_text(service, brought, authentic=True, way=Way.SPOOLED)
        case DeliveryReceipt():
            receive_receipt(service, brought)
        case KeyPress():
            _press(service, brought)
    return None


def _press(service: Service, key: KeyPress) -> Pressed:
    return press(service, key.message_id, key.key, key.gateway, key.provider_id, key.raw)


def _answer(service: Service, inbound_id: int) -> None:
    try:
        answer_text(service, inbound_id)
    except Exception:  # noqa: BLE001 - the text is stored, so a sweep takes it up again
        _LOG.warning("text_left_for_later", extra={"inbound": inbound_id})


def _put_aside(service: Service, spool: Spool, path: Path, why: str) -> None:
    """Moved first: told again and again, the telling would be of no use."""
    spool.put_aside(path)
    _LOG.error(PUT_ASIDE, extra={"file": path.name, "why": why})

    def work(session: Session) -> None:
        now = service.clock.now()
        service_log.note(service, session, PUT_ASIDE, {"file": path.name, "why": why}, now)
        words = "Linetender fault: something that a gateway brought lay on disk and cannot be read. Please look."
        tell_admins(session, f"{PUT_ASIDE}-{now:%Y%m%dT%H}", words, now)

    service.write(work)
