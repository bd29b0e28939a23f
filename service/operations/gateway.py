"""The port that every message gateway implements: what we ask of it and what it may answer."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol


class Blame(StrEnum):
    """What a refusal is about, which decides what happens next."""

    NUMBER = "number"  # this number will not take our texts; the next person or way is tried at once
    OPTED_OUT = "opted_out"  # the owner of this number has told the carrier to let nothing of ours through
    GATEWAY = "gateway"  # this gateway cannot send at all (account, credit, sender); another one is tried
    THROTTLED = "throttled"  # too fast; tried again after `retry_after_s`
    FILTERED = "filtered"  # this wording was blocked; another gateway is tried
    TRANSIENT = "transient"  # nothing left this machine, or the gateway asks to try again


@dataclass(frozen=True, slots=True)
class OutgoingText:
    """One text to hand over. `to` is E.164; `body` is GSM 7-bit; `reference` is our message id."""

    to: str
    body: str
    reference: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """The gateway took the text and named it."""

    provider_id: str


@dataclass(frozen=True, slots=True)
class Refused:
    """The gateway certainly did not take the text."""

    blame: Blame
    code: str
    detail: str
    retry_after_s: float | None = None


@dataclass(frozen=True, slots=True)
class Unknown:
    """The text may or may not have been taken: a time-out, a 5xx, a cut line, an unreadable answer."""

    detail: str


Outcome = Accepted | Refused | Unknown


class Gateway(Protocol):
    """Something that can carry a text to a phone. `send` never raises: every fault is an outcome."""

    @property
    def name(self) -> str:
        """The name it has in the settings."""
        ...

    @property
    def sends_receipts(self) -> bool:
        """Whether a delivery receipt is to be expected for what it accepts."""
        ...

    def send(self, text: OutgoingText) -> Outcome:
        """Hand over one text; at most 12 s in all."""
        ...

    def close(self) -> None:
        """Release connections."""
        ...


class ReceiptState(StrEnum):
    """Our few words for what a delivery receipt says, in rank order but for the last two."""

    SENT = "sent"  # on its way, no news of the handset
    DELIVERED = "delivered"
    FAILED = "failed"
    UNKNOWN = "unknown"  # a word we do not know: kept, loud, treated as not delivered


@dataclass(frozen=True, slots=True)
class InboundText:
    """One text that a gateway says somebody sent us, already authenticated or marked as not."""

    gateway: str
    provider_id: str
    sender: str
    receiver: str
    body: str
    raw: dict[str, str]
    received_at: datetime


@dataclass(frozen=True, slots=True)
class DeliveryReceipt:
    """One delivery receipt, already authenticated; `blame` is set where a failure names its cause."""

    gateway: str
    provider_id: str
    state: ReceiptState
    code: str | None
    blame: Blame | None
    raw: dict[str, str]
    received_at: datetime
