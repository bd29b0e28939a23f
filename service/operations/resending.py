"""Sending a message once more, by an admin's word and for a reason that stays in the log."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.sending import Sort
from service.domain.wording import MessageKind
from service.operations import sending_bounds
from service.operations.overtaken_answers import is_of_before
from service.operations.recording import held, is_superseded
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import club_messages, clubs, log, opt_outs, outbox
from service.store.outbox import Message

REASON_MIN = 3
REASON_MAX = 300
RESENT = "resent"  # in the log
AGAIN_MAX = 5  # of one message: an admin who presses for long does not send for long


@dataclass(frozen=True, slots=True)
class Resent:
    """It is queued again, under this id."""

    message_id: str


@dataclass(frozen=True, slots=True)
class NotResent:
    """Why not, in words for the admin."""

    words: str


def resend(service: Service, admin: SignedIn, message_id: str, reason: str, times: int) -> Resent | NotResent:
    """Queue the same words to the same person by the same way.

    `times` is how often the admin has seen it sent again: pressed twice on one page, it goes once. Never what would
    now mislead: an alert of a dive that is over, a stand-down of one that was opened again.
    """
    said = " ".join(reason.split())
    if not REASON_MIN <= len(said) <= REASON_MAX:
        return NotResent(f"Say in {REASON_MIN} to {REASON_MAX} characters why; it stays in the log.")
    now = service.clock.now()
    outcome = service.write(lambda session: _again(service, session, admin, message_id, said, times, now))
    if isinstance(outcome, Resent):
        service.nudge()
    return outcome


def _again(
    service: Service, session: Session, admin: SignedIn, message_id: str, reason: str, times: int, now: datetime
) -> Resent | NotResent:
    found = club_messages.one(session, admin.club_id, message_id)
    if found is None:
        return NotResent("Your club has no such message.")
    message = found.message
    why_not = _why_not(session, admin, message) or _enough(times) or _bounded(service, session, message, now)
    if why_not is not None:
        return NotResent(why_not)
    again = outbox.queue(session, outbox.copied(message, club_messages.step_again(message, times + 1), now))
    if again is None:
        return NotResent("It has been sent again already. Look at the page anew.")
    _log(service, session, admin, message, again, reason, now)
    return Resent(again)


def _enough(times: int) -> str | None:
    if 0 <= times < AGAIN_MAX:
        return None
    return f"It has been sent {AGAIN_MAX} times more, which is enough. Phone the person yourself."


def _why_not(session: Session, admin: SignedIn, message: Message) -> str | None:
    """What speaks against it, in words for the admin; the dive is locked from here on."""
    dive = held(session, message.dive_id)
    if message.state in (outbox.QUEUED, outbox.LEASED):
        return "It is still being carried, so nothing was added. Look again in a minute."
    if message.dive_id is not None and (dive is None or is_superseded(dive, message) or is_of_before(dive, message)):
        return "Its dive has moved on, and these words would now mislead. Nothing was sent."
    club = clubs.get(session, admin.club_id)
    if club is None or message.email is not None:
        return None
    if opt_outs.is_opted_out(session, club.receiving_number, message.phone):
        return "This phone has opted out, so nothing may be sent to it. Phone the person yourself."
    return None


# What an alarm, its end and a dive under way need, and what is no text, is never bounded.
_BOUNDED_KINDS = (MessageKind.REPLY, MessageKind.START_NOTICE, MessageKind.OTHER)


def _bounded(service: Service, session: Session, message: Message, now: datetime) -> str | None:
    """Whether the bounds on sending speak against it: never while its dive is armed. The dive is locked already."""
    dive, club = held(session, message.dive_id), clubs.get(session, message.club_id)
    if club is None or MessageKind(message.priority) not in _BOUNDED_KINDS or message.segments == 0:
        return None
    if dive is not None and dive.live:
        return None
    found = sending_bounds.held(service, session, club, Sort.RESENT, [message.phone], message.segments, now)
    return None if found is None else f"Nothing was sent: {found.words}. Phone the person yourself."


def _log(
    service: Service, session: Session, admin: SignedIn, message: Message, again: str, reason: str, now: datetime
) -> None:
    log.append(
        session,
        chain=log.chain_of(message.dive_id, message.club_id),
        at=now,
        kind=RESENT,
        actor={"role": "admin", "name": admin.name, "key": f"admin-{admin.admin_id}", "process": service.process},
        detail={"message": message.id, "again": again, "step": message.step, "reason": reason},
        dive_id=message.dive_id,
        club_id=message.club_id,
    )
