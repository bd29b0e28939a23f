"""What each wire format brings for what is posted to us: whether it is authentic, and how it is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from service.operations.gateway import DeliveryReceipt, InboundText


@dataclass(frozen=True, slots=True)
class Post:
    """A post just as it came over the wire.

    `target` is its path and query, raw; `headers` are by their names in lower case; `real_at` is the wall clock's time
    when it came, whatever the pace of a demo's clock.
    """

    target: str
    headers: Mapping[str, str]
    body: bytes
    real_at: datetime


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a post is not believed, in words for whoever set up the gateway.

    `wrong_time`: our secret signed it, at a time that is too far from ours: it is played again, or a clock is wrong.
    """

    words: str
    wrong_time: bool = False


class InboundFormat(Protocol):
    """The inbound side of one gateway, in its wire format."""

    @property
    def mimetype(self) -> str:
        """What its posts are; nothing else is looked at."""
        ...

    @property
    def taken(self) -> tuple[str, str]:
        """The answer that says "we have it", and its content type."""
        ...

    def doubt(self, post: Post) -> Doubt | None:
        """Say why it is not authentic; None when it is.

        Raises MalformedInbound for what cannot even be signed.
        """
        ...

    def text(self, post: Post, received_at: datetime) -> InboundText:
        """Return the text that was posted. Raises MalformedInbound."""
        ...

    def receipt(self, post: Post, received_at: datetime) -> DeliveryReceipt:
        """Return the receipt that was posted. Raises MalformedInbound."""
        ...
