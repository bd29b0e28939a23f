"""Texts that come in: stored and committed before they are acknowledged, once each, never lost."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from functools import partial
from typing import Any

from sqlalchemy.orm import Session

from service.clock import Clock
from service.operations import service_log
from service.operations.gateway import InboundText
from service.operations.long_texts import keep_part, overdue, with_gaps
from service.operations.own_numbers import number_heard, receiving
from service.operations.same_text import same_text_of_another, same_texts_of_others
from service.operations.service import Service
from service.operations.used_again import is_another, under_a_free_id
from service.store import clubs, inbound, inbound_parts, log
from service.store.codec import canonical, stamp
from service.store.engine import is_transient
from service.store.inbound import NewText
from service.store.inbound_parts import Key

_LOG = logging.getLogger(__name__)


class Way(StrEnum):
    """How a text got into the database."""

    POSTED = "posted"  # by its gateway, at once
    SPOOLED = "spooled"  # kept on disk while the database was away
    LISTED = "listed"  # found in the gateway's list: it was never posted, or nobody took it


def receive_text(service: Service, text: InboundText, *, authentic: bool, way: Way = Way.POSTED) -> int | None:
    """Store a text, or a part of one, and commit; only then may the gateway be told that we have it.

    Gives the id of a text to be answered. None for what needs no answer: a part while others are missing, and a text
    that we had before, from this gateway under the same id, or from another one.
    """
    now = service.clock.now()
    # A gateway's clock that is ahead must not make a text wait for it.
    text = replace(text, received_at=min(text.received_at, now))

    def work(session: Session) -> int | None:
        at = _arrival(service, session, text.receiver, way, now)
        heard = replace(text, receiver=at.receiver)
        if not authentic:
            return _store(session, at, heard, authentic=False)
        if heard.part is None:
            return _store(session, at, heard, authentic=True)
        whole = keep_part(session, service.clock, heard, heard.part, at.chain, at.club_id)
        at = replace(at, book=log.Book(session))  # the parts have their entries by now
        stored = [_store(session, at, one.text, authentic=True, part_ids=one.part_ids) for one in whole]
        return stored[-1] if stored else None

    return service.write(work)


def receive_together(service: Service, texts: Sequence[InboundText], way: Way = Way.POSTED) -> list[int | None]:
    """As `receive_text` for each of these, authentic and whole, to one number; with one commit for all.

    With a handful of statements, too: each is a wait for whoever else wants the processor, and so are those for each
    text.
    """
    now = service.clock.now()
    brought = [replace(text, received_at=min(text.received_at, now)) for text in texts]

    def work(session: Session) -> list[int | None]:
        at = _arrival(service, session, brought[0].receiver, way, now)
        texts = [replace(text, receiver=at.receiver) for text in brought]
        stored: dict[int, int] = {}  # ids of those that are new, by their place
        doubled: dict[int, int] = {}  # and which other text they are
        # What one gateway brings can only be the same as what another brought.
        for name in dict.fromkeys(text.gateway for text in texts):
            new = _store_those_of(session, at, name, texts)
            same = same_texts_of_others(session, [texts[place] for place in new], at.country)
            stored |= new
            doubled |= {place: one for place, one in zip(new, same, strict=True) if one is not None}
        inbound.mark_same(session, {stored[place]: one for place, one in doubled.items()})
        for place in sorted(stored):
            _log_received(texts[place], at, stored[place], same_as=doubled.get(place))
        at.book.write()
        return [None if place in doubled else stored.get(place) for place in range(len(texts))]

    return service.write(work)


def _store_those_of(session: Session, at: _Arrival, gateway: str, texts: Sequence[InboundText]) -> dict[int, int]:
    """The ids of those texts of a gateway that it had not brought before, by their place."""
    places = {text.provider_id: place for place, text in reversed(list(enumerate(texts))) if text.gateway == gateway}
    firsts = sorted(places.values())  # where it brings one twice, the first counts
    new = inbound.store_all(session, [_kept(texts[place], authentic=True) for place in firsts])
    stored = {place: new[texts[place].provider_id] for place in firsts if texts[place].provider_id in new}
    known = [place for place, text in enumerate(texts) if text.gateway == gateway and place not in stored]
    again = {place: _store_other(session, at, texts[place]) for place in known}
    return stored | {place: one for place, one in again.items() if one is not None}


def _store_other(session: Session, at: _Arrival, text: InboundText, same_as: int | None = None) -> int | None:
    """Store a text whose id is known where it is another one than that which has the id; None for the same."""

    def is_anothers(one: InboundText) -> bool:
        return is_another(at.clock, one, inbound.under(session, one.gateway, one.provider_id), at.country)

    other = under_a_free_id(text, (text.sender, text.body), is_anothers)
    return None if other is None else inbound.store(session, _kept(other, authentic=True), same_as)


def join_overdue(service: Service, limit: int = 200) -> int:
    """Put together long texts of which a part never came, as far as they came, to be answered; how many there were."""
    keys = service.read(lambda session: overdue(session, service.clock, limit))
    for key in keys:
        try:
            while service.write(partial(_join, service, key)):
                pass  # an outage may have left the parts of several texts of one reference
        except Exception as error:  # noqa: BLE001 - one text that breaks us must not keep the others waiting
            _LOG.exception("text_not_joined", extra={"gateway": key.gateway})
            if is_transient(error):
                break
    return len(keys)


def _join(service: Service, key: Key, session: Session) -> bool:
    """Put one text together and store it; False when there is none that waits too long."""
    at = _arrival(service, session, key.receiver, Way.POSTED, service.clock.now())
    whole = with_gaps(session, service.clock, key)
    if whole is None:
        return False
    _store(session, at, whole.text, authentic=True, part_ids=whole.part_ids)
    return True


@dataclass(frozen=True, slots=True)
class _Arrival:
    """Where what comes to one of our numbers is logged, and how and when it came.

    `receiver` is the receiving number of the club that it is for, whichever of our numbers it was sent to and however
    its gateway wrote that; where no club is, what the gateway wrote.
    """

    book: log.Book
    club: log.ClubOf | None
    way: Way
    clock: Clock
    now: datetime
    receiver: str

    @property
    def chain(self) -> str:
        return log.club_chain(self.club.id) if self.club else service_log.SERVICE_CHAIN

    @property
    def club_id(self) -> str | None:
        return self.club.id if self.club else None

    @property
    def country(self) -> str | None:
        return self.club.country if self.club else None


def _arrival(service: Service, session: Session, sent_to: str, way: Way, now: datetime) -> _Arrival:
    """One after the other from now on: two gateways bring one text within milliseconds, and phones the parts of one."""
    book, receiver = log.Book(session), sent_to
    held = _held(session, book, receiver)
    if held is None:  # most texts name the club's number as it is written there, and cost no more than that
        receiver = number_heard(sent_to, receiving(session), service.own_numbers) or sent_to
        held = None if receiver == sent_to else _held(session, book, receiver)
    at = _Arrival(book, held, way, service.clock, now, receiver)
    book.hold([at.chain])
    return at


def _held(session: Session, book: log.Book, receiver: str) -> log.ClubOf | None:
    held = book.hold_club(receiver)
    if held is None and (club := clubs.by_receiving_number(session, receiver)) is not None:
        return log.ClubOf(club.id, club.country)
    return held


def _store(
    session: Session, at: _Arrival, text: InboundText, *, authentic: bool, part_ids: tuple[int, ...] = ()
) -> int | None:
    """Store and log a text; its id if it is to be answered."""
    same_as = same_text_of_another(session, text, at.country) if authentic else None
    stored = inbound.store(session, _kept(text, authentic=authentic), same_as)
    # A list names what was posted too, and maybe in another way: there the id alone tells.
    if stored is None and authentic and at.way is not Way.LISTED:
        stored = _store_other(session, at, text, same_as)
    if stored is None:
        return None
    if part_ids:
        inbound_parts.tie(session, part_ids, stored)
    _log_received(text, at, stored, authentic=authentic, same_as=same_as, part_ids=part_ids)
    at.book.write()
    return stored if same_as is None else None


def _kept(text: InboundText, *, authentic: bool) -> NewText:
    return NewText(
        gateway=text.gateway,
        provider_id=text.provider_id,
        sender=text.sender,
        receiver=text.receiver,
        body=text.body,
        raw=text.raw,
        received_at=text.received_at,
        authentic=authentic,
    )


def _log_received(
    text: InboundText,
    at: _Arrival,
    stored: int,
    *,
    authentic: bool = True,
    same_as: int | None = None,
    part_ids: tuple[int, ...] = (),
) -> None:
    detail: dict[str, Any] = {"inbound": stored, "sender": text.sender, "body": text.body}
    detail["provider_id"] = text.provider_id
    if at.way is not Way.POSTED:
        detail |= {"way": str(at.way), "received_at": stamp(text.received_at)}
    if same_as is not None:
        detail["same_as"] = same_as
    if part_ids:
        detail["parts"] = list(part_ids)
    at.book.add(
        at.chain,
        at=at.now,
        kind="text_in" if authentic else "text_in_unauthentic",
        actor=canonical({"role": "gateway", "name": text.gateway}),
        detail=canonical(detail),
        club_id=at.club_id,
    )
