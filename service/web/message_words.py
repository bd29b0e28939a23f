"""What became of a message, in words for an admin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

from service.operations.message_life import Life, Standing
from service.operations.resending import RESENT
from service.store.log import Entry
from service.store.outbox import Attempt
from service.store.receipts import Receipt

STANDING_WORDS: Mapping[str, str] = MappingProxyType(
    {
        Standing.FAILED: "Failed",
        Standing.UNKNOWN: "Perhaps sent",
        Standing.WAITING: "On its way",
        Standing.HANDED: "Handed over, not confirmed",
        Standing.DELIVERED: "Reached the phone",
        Standing.EXPIRED: "Not sent, too late",
    }
)
CHANNEL_WORDS: Mapping[str, str] = MappingProxyType({"text": "text", "call": "call", "email": "e-mail"})

_OUTCOME_WORDS: Mapping[str | None, str] = MappingProxyType(
    {
        "accepted": "took it",
        "refused": "refused it",
        "unknown": "gave no clear answer, so it may have got through",
        None: "has not answered yet",
    }
)
_RECEIPT_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "sent": "says that it is on its way",
        "delivered": "says that it reached the phone",
        "failed": "says that it did not reach the phone",
        "unknown": "sent a receipt with a word that we do not know",
    }
)
_CODE_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "call-no-key": "taken by somebody or a machine, and no key was pressed",
        "call-busy": "the line was busy",
        "call-no-answer": "nobody took the call",
        "call-failed": "the call could not be made",
        "call-canceled": "the call was broken off",
    }
)


def why(reason: str) -> str:
    """Why a message failed; what is no code of ours is as the gateway or the service has it."""
    return _CODE_WORDS.get(reason.removeprefix("refused "), reason)


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened to a message, when, and what more is known."""

    at: datetime
    words: str
    more: str | None = None


def happenings(life: Life) -> list[Happening]:
    """From the cause to the last receipt, in the order in which things happened."""
    message = life.line.message
    found = [
        *_cause(life.cause),
        Happening(message.queued_at, "Queued", f"step {message.step}, due {message.due_at:%H:%M:%S} UTC"),
        *(_attempt(one) for one in life.attempts),
        *(_receipt(one) for one in life.receipts),
        *(_resent(entry, message.id) for entry in life.log if entry.kind == RESENT),
    ]
    if message.ended_at is not None:
        found.append(Happening(message.ended_at, "Given up", why(message.failed_reason or "")))
    return sorted(found, key=lambda happening: happening.at)


def _cause(cause: Entry | None) -> list[Happening]:
    if cause is None:
        return []
    actor = cause.actor or {}
    words = cause.kind.removeprefix("event:").replace("_", " ")
    return [Happening(cause.at, f"Cause: {words}", f"by {actor.get('name') or 'somebody'}, log entry {cause.seq}")]


def _attempt(attempt: Attempt) -> Happening:
    ended = attempt.ended_at or attempt.started_at
    took = f"{(ended - attempt.started_at).total_seconds():.1f} s" if attempt.ended_at else None
    more = [part for part in (attempt.code, attempt.detail, took, attempt.provider_id) if part]
    return Happening(attempt.started_at, f"{attempt.gateway} {_OUTCOME_WORDS[attempt.outcome]}", ", ".join(more))


def _receipt(receipt: Receipt) -> Happening:
    more = [part for part in (why(receipt.code or ""), receipt.blame) if part]
    return Happening(receipt.received_at, f"{receipt.gateway} {_RECEIPT_WORDS[receipt.state]}", ", ".join(more))


def _resent(entry: Entry, message_id: str) -> Happening:
    detail, actor = entry.detail or {}, entry.actor or {}
    name, reason = actor.get("name") or "somebody", detail.get("reason")
    if detail.get("again") == message_id:
        return Happening(entry.at, f"This is a copy, by {name}", f"reason: {reason}")
    return Happening(entry.at, f"Sent once more by {name}", f"reason: {reason}")
