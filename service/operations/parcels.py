"""What a courier has in hand: messages to deliver, to ask about, or to leave alone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.operations.gateway import Gateway
from service.operations.retrying import Next
from service.store.outbox import ClaimedMessage


@dataclass(frozen=True, slots=True)
class Parcel:
    """A message on its way: the attempt that is open, and the gateway that is to take it."""

    message: ClaimedMessage
    attempt_id: int
    gateway: Gateway
    began_at: datetime
    tried: tuple[str, ...]  # gateways of all attempts, this one last


@dataclass(frozen=True, slots=True)
class InDoubt:
    """An urgent message whose carrier vanished in mid-attempt: its gateway is asked before it goes again."""

    message: ClaimedMessage
    attempt_id: int
    gateway: Gateway
    began_at: datetime


@dataclass(frozen=True, slots=True)
class Kept:
    """A message that is not to be sent: given up, or left with the gateway that has it."""

    message: ClaimedMessage
    following: Next


@dataclass(frozen=True, slots=True)
class Claimed:
    """What this courier is to do. `opens_at`: when what had to wait can go; `shut`: until then nothing can at all."""

    parcels: tuple[Parcel, ...] = ()
    in_doubt: tuple[InDoubt, ...] = ()
    kept: tuple[Kept, ...] = ()
    opens_at: datetime | None = None
    shut: bool = False
