"""A key that is pressed in a call of ours: the one thing that a call can prove, and the answer of a contact.

Whoever presses 1 in an alarm call says OK, as by text. In any other call it only shows that it was heard.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import Acknowledge
from service.domain.people import ENGLISH, Actor, Channel, Recipient, Role, Via
from service.domain.wording import MessageKind, spoken
from service.operations.gateway import ReceiptState
from service.operations.receipts import apply_state
from service.operations.recording import held, learn
from service.operations.service import Service
from service.store import log, outbox, receipts
from service.store.outbox import Message

_LOG = logging.getLogger(__name__)

ANSWER_KEY = "1"
ALARMS = (MessageKind.DISTRESS, MessageKind.ALERT)


@dataclass(frozen=True, slots=True)
class Pressed:
    """What came of a key: words to say back and their language (ISO 639-1).

    `again`: the key means nothing, so that the message may be said once more behind the words.
    """

    words: str
    language: str
    again: bool = False


def press(service: Service, message_id: str, key: str, gateway: str, provider_id: str, raw: dict[str, Any]) -> Pressed:
    """Take a key that was pressed in the call of this message, authenticated already. Twice is as once.

    Harmless for an unknown message, another key, a closed dive: then the words say so, and nothing changes.
    """
    now = service.clock.now()
    call = _Call(gateway, provider_id, key, raw)
    pressed = service.write(lambda session: _press(service, session, message_id, call, now))
    service.nudge()
    return pressed


@dataclass(frozen=True, slots=True)
class _Call:
    gateway: str
    provider_id: str
    key: str
    raw: dict[str, Any]


def _press(service: Service, session: Session, message_id: str, call: _Call, now: datetime) -> Pressed:
    message = outbox.get(session, message_id)
    if message is None or message.channel != Channel.CALL:
        _LOG.warning("key_in_unknown_call", extra={"gateway": call.gateway})
        return Pressed(spoken.not_known(ENGLISH), ENGLISH)
    held(session, message.dive_id)
    if call.key != ANSWER_KEY:
        _keep(session, message, call, ReceiptState.SENT, now)
        _log_other_key(session, message, call, now)
        return Pressed(spoken.wrong_key(message.language), message.language, again=True)
    _keep(session, message, call, ReceiptState.DELIVERED, now)
    code = f"key {call.key}"
    apply_state(service, session, message, call.gateway, call.provider_id, ReceiptState.DELIVERED, code, None, now)
    return Pressed(_answer(service, session, message, now), message.language)


def _keep(session: Session, message: Message, call: _Call, state: ReceiptState, now: datetime) -> None:
    receipts.store(
        session,
        gateway=call.gateway,
        provider_id=call.provider_id,
        state=str(state),
        code=f"key {call.key}",
        blame=None,
        raw=call.raw,
        received_at=now,
        message_id=message.id,
    )


def _answer(service: Service, session: Session, message: Message, now: datetime) -> str:
    """Let the dive know that this contact has the alarm, and say what to do next."""
    dive = held(session, message.dive_id)
    if message.priority not in ALARMS:
        return spoken.heard_it(message.language)
    if dive is None:
        return spoken.not_known(message.language)
    if dive.phase is Phase.CLOSED:
        return spoken.over_already(message.language)
    contact = dive.person(message.person_key)
    if contact is not None and not _has_it(dive, contact):
        by = Actor(Role.CONTACT, contact.name, Via.CALL, contact.key, contact.phone, f"key {ANSWER_KEY}")
        learn(service, session, dive.id, Acknowledge(by), now)
        dive = held(session, dive.id)
    if dive is None or contact is None or not _has_it(dive, contact):
        return spoken.not_known(message.language)
    return spoken.has_it(dive, contact)


def _has_it(dive: Dive, contact: Recipient) -> bool:
    return any(told.key == contact.key for told in dive.acknowledged)


def _log_other_key(session: Session, message: Message, call: _Call, now: datetime) -> None:
    log.append(
        session,
        chain=log.chain_of(message.dive_id, message.club_id),
        at=now,
        kind="key_without_meaning",
        actor={"role": "gateway", "name": call.gateway},
        detail={"message": message.id, "step": message.step, "person": message.person_key, "key": call.key},
        dive_id=message.dive_id,
        club_id=message.club_id,
    )
