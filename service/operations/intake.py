"""What gateways bring goes into the database; while that does not answer, onto the disk, and from there into it.

A gateway waits for its answer for some seconds, and some never try again. So it hears that we have a text as soon as
the text is safe anywhere, and what cannot be kept anywhere is refused, loudly.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

from sqlalchemy.exc import OperationalError, SQLAlchemyError
from sqlalchemy.orm import Session

from service.operations import service_log
from service.operations.calling import Pressed, press
from service.operations.gateway import DeliveryReceipt, InboundText
from service.operations.inbound import LEFT_FOR_LATER, answer_together
from service.operations.merging import merge_first
from service.operations.receipts import receive_receipt
from service.operations.receiving import Way, receive_text, receive_together
from service.operations.refused_texts import note_refused, note_unreadable
from service.operations.service import Service
from service.operations.spooling import PUT_ASIDE, Brought, KeyPress, Spool, SpoolError, Turn, UnreadableError
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
TOGETHER_MAX: Final = 10  # as a sweep answers at one look

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
        for bunch in _bunches(service, spool):
            if time.monotonic() >= give_up_at or not turn.goes_on():
                break
            if not _bring_in(service, spool, turn, bunch, taken):
                break
        spool.clear_unfinished()
    if taken:
        _LOG.warning(DRAINED, extra={"taken": len(taken)})
        detail = {"taken": len(taken), "first_received_at": stamp(min(taken))}
        service.write(lambda session: service_log.note(service, session, DRAINED, detail, service.clock.now()))
    return len(taken)


@dataclass(frozen=True, slots=True)
class _Lying:
    """What lies on the disk, and where."""

    path: Path
    brought: Brought


def _bunches(service: Service, spool: Spool) -> Iterator[list[_Lying]]:
    """What lies there, in its order: whole texts to one number by the handful, all else alone.

    Each transaction waits for whoever else writes. Where that is long, texts that went one by one, with two for each,
    took minutes after the database was back, and dives fell due whose finish lay behind them.
    """
    bunch: list[_Lying] = []
    for path in spool.waiting():
        brought = _read(service, spool, path)
        if brought is None:
            continue
        if bunch and (len(bunch) == TOGETHER_MAX or not _go_together(bunch[0].brought, brought)):
            yield bunch
            bunch = []
        bunch.append(_Lying(path, brought))
    if bunch:
        yield bunch


def _go_together(one: Brought, other: Brought) -> bool:
    if not isinstance(one, InboundText) or not isinstance(other, InboundText):
        return False
    return one.part is other.part is None and one.receiver == other.receiver


def _read(service: Service, spool: Spool, path: Path) -> Brought | None:
    """What a file holds; None where that is not to be had now, or never."""
    try:
        try:
            return spool.read(path)
        except UnreadableError as fault:
            if not spool.is_fresh(path):
                _put_aside(service, spool, path, str(fault))
            # Else it is maybe of the new secret key, and we have the old one: whoever wrote it can read it.
    except FileNotFoundError:  # brought in by who has the turn that this process has lost
        return None
    except OSError:
        _not_taken(path)
    return None


def _not_taken(path: Path) -> None:
    """It is another user's, or the disk fails at this one, or takes nothing away: another may be somebody's finish."""
    _LOG.exception(NOT_TAKEN, extra={"file": path.name})


def _bring_in(service: Service, spool: Spool, turn: Turn, bunch: list[_Lying], taken: list[datetime]) -> bool:
    """Bring this into the database; False when it is no use to go on with the next now."""
    try:
        stored = _store(service, [one.brought for one in bunch])
    except Exception as fault:  # noqa: BLE001 - one that breaks us must not keep the others waiting
        _LOG.exception(NOT_TAKEN, extra={"file": bunch[0].path.name, "of": len(bunch)})
        if is_transient(fault) or isinstance(fault, OperationalError):  # the database is away again
            return False
        # Anything else is a fault with one of them: it stays, and the others go on.
        return len(bunch) == 1 or all(_bring_in(service, spool, turn, [one], taken) for one in bunch)
    for one in bunch:
        try:
            spool.drop(one.path)
        except OSError:
            _not_taken(one.path)
        else:
            taken.append(one.brought.received_at)
    answered = [inbound_id for inbound_id in stored if inbound_id is not None]
    if answered and turn.goes_on():
        _answer(service, answered)
    return True


def _store(service: Service, brought: list[Brought]) -> list[int | None]:
    """The ids of what needs an answer."""
    match brought:
        case [InboundText(part=None), *_]:
            texts = [one for one in brought if isinstance(one, InboundText)]
            return receive_together(service, texts, Way.SPOOLED)
        case [InboundText() as part]:
            return [receive_text(service, part, authentic=True, way=Way.SPOOLED)]
        case [DeliveryReceipt() as receipt]:
            receive_receipt(service, receipt)
        case [KeyPress() as key]:
            _press(service, key)
    return []


def _press(service: Service, key: KeyPress) -> Pressed:
    return press(service, key.message_id, key.key, key.gateway, key.provider_id, key.raw)


def _answer(service: Service, inbound_ids: list[int]) -> None:
    try:
        answer_together(service, inbound_ids)
    except Exception:  # noqa: BLE001 - the texts are stored, so a sweep takes them up again
        _LOG.warning(LEFT_FOR_LATER, extra={"inbound": inbound_ids[0], "of": len(inbound_ids)})


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
