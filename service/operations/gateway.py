"""The port that every message gateway implements: what we ask of it and what it may answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from service.domain.delivery import ReceiptState
from service.domain.people import ENGLISH, Channel
from service.domain.wording import MessageKind

__all__ = [
    "Accepted",
    "Blame",
    "CannotTell",
    "Carrier",
    "DeliveryReceipt",
    "Described",
    "Found",
    "Gateway",
    "InboundText",
    "Lookup",
    "NotFound",
    "Outcome",
    "Outgoing",
    "ReceiptState",
    "Refused",
    "Route",
    "TextPart",
    "Unknown",
]


class Blame(StrEnum):
    """What a refusal is about, which decides what happens next."""

    NUMBER = "number"  # this number will not take our texts; the next person or way is tried at once
    OPTED_OUT = "opted_out"  # the owner of this number has told the carrier to let nothing of ours through
    GATEWAY = "gateway"  # this gateway cannot send at all (account, credit, sender); another one is tried
    THROTTLED = "throttled"  # too fast; tried again after `retry_after_s`
    NO_ROUTE = "no_route"  # this gateway does not carry to this number; another one may
    FILTERED = "filtered"  # this wording was blocked; another gateway is tried
    TRANSIENT = "transient"  # nothing left this machine, or the gateway asks to try again


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message to hand over by one channel.

    `to` is E.164, or an e-mail address. `body` is GSM 7-bit for a text, else plain text. `reference` is our message
    id. `subject` and `thread` are for an e-mail: what belongs to one dive has one thread. `language` is ISO 639-1.
    `valid_for_s`: after so many real seconds a gateway need not deliver it any more; None for no end. `anew`: how often
    it had failed and is sent once more: the same again is what may have been taken already.
    """

    to: str
    body: str
    reference: str
    channel: Channel = Channel.TEXT
    subject: str | None = None
    thread: str | None = None
    language: str = ENGLISH
    valid_for_s: float | None = None
    anew: int = 0


@dataclass(frozen=True, slots=True)
class Accepted:
    """The gateway took the text and named it."""

    provider_id: str


@dataclass(frozen=True, slots=True)
class Refused:
    """The gateway certainly did not take the text; `unrecognised` is its code or status where that is in no table."""

    blame: Blame
    code: str
    detail: str
    retry_after_s: float | None = None
    unrecognised: str | None = None


@dataclass(frozen=True, slots=True)
class Unknown:
    """The text may or may not have been taken: a time-out, a 5xx, a cut line, an unreadable answer."""

    detail: str


Outcome = Accepted | Refused | Unknown


@dataclass(frozen=True, slots=True)
class Found:
    """The gateway has the message under this id: an unknown outcome was an acceptance."""

    provider_id: str


@dataclass(frozen=True, slots=True)
class NotFound:
    """The gateway answered, and does not have the message."""


@dataclass(frozen=True, slots=True)
class CannotTell:
    """The gateway has no way to ask, or gave no answer that can be relied upon."""

    detail: str


Lookup = Found | NotFound | CannotTell


@dataclass(frozen=True, slots=True)
class Route:
    """What a gateway is used for, as the settings say; empty means everything.

    `prefixes`: beginnings of E.164 numbers that it serves. `kinds`: which messages. `per_s` and `segments_per_s`: how
    many messages and segments its sender may start in a real second; None for no bound. `canary`: a number or
    address of the operator's own to which a test message goes once a day. `lists`: it can be asked for its list of
    messages, for what came in and for what became of ours.
    """

    prefixes: tuple[str, ...] = ()
    kinds: frozenset[MessageKind] = frozenset()
    per_s: float | None = None
    segments_per_s: float | None = None
    canary: str | None = None
    lists: bool = False


@dataclass(frozen=True, slots=True)
class Described:
    """A gateway as the settings have it, for whoever looks after it: no address, no secret."""

    name: str
    kind: str
    channels: frozenset[Channel]
    sends_receipts: bool
    has_canary: bool


class Carrier(Protocol):
    """What there is to know of a gateway before it is asked."""

    @property
    def name(self) -> str:
        """The name it has in the settings."""
        ...

    @property
    def channels(self) -> frozenset[Channel]:
        """The ways to a person that it can carry."""
        ...

    @property
    def route(self) -> Route:
        """What it is used for."""
        ...


class Gateway(Carrier, Protocol):
    """Something that can carry messages to people. No method raises: every fault is an outcome."""

    @property
    def sends_receipts(self) -> bool:
        """Whether a delivery receipt is to be expected for what it accepts."""
        ...

    def send(self, message: Outgoing) -> Outcome:
        """Hand over one message; at most 12 s in all."""
        ...

    def look_up(self, message: Outgoing, since: datetime) -> Lookup:
        """Ask whether it took this message at or after that instant; at most 12 s in all."""
        ...

    def recent_texts(self, since: datetime, now: datetime) -> Sequence[InboundText] | None:
        """The texts that came in since then, first to last; None where it cannot say. At most 12 s in all."""
        ...

    def close(self) -> None:
        """Release connections."""
        ...


@dataclass(frozen=True, slots=True)
class TextPart:
    """Which part of a long text it is: `number` from 1 to `of`; `reference` is the same in all parts of one text.

    Phones use a reference again, some of them for every text, so it tells texts of one sender apart for minutes only.
    """

    reference: str
    number: int
    of: int


@dataclass(frozen=True, slots=True)
class InboundText:
    """One text that a gateway says somebody sent us, already authenticated or marked as not.

    `part` says which part of a long text it is, where the gateway does not put them together itself. `signed_at`: when
    it signed this attempt, where it signs a time, so that nobody can play again what it brought once.
    """

    gateway: str
    provider_id: str
    sender: str
    receiver: str
    body: str
    raw: dict[str, str]
    received_at: datetime
    part: TextPart | None = None
    signed_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class OwnNumber:
    """A number that a gateway sends from; `receiving_number` is that of the club it serves, where the settings say."""

    gateway: str
    number: str
    receiving_number: str | None = None


@dataclass(frozen=True, slots=True)
class DeliveryReceipt:
    """One delivery receipt, already authenticated; `blame` is set where a failure names its cause.

    A call is delivered when a key was pressed; busy, no answer and one that ended without a key are failures.
    `unrecognised` is its word or code where that is in no table.
    """

    gateway: str
    provider_id: str
    state: ReceiptState
    code: str | None
    blame: Blame | None
    raw: dict[str, str]
    received_at: datetime
    unrecognised: str | None = None
