"""One form-post gateway as set up."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.domain.people import Channel
from service.operations.gateway import Route

EVERYTHING = Route()


@dataclass(frozen=True, slots=True)
class FormPostConfig:
    """One gateway as set up. While a token is being changed, the previous one still signs what comes in.

    `receiving_number`: of the club that texts to `sender` are for, where the number alone does not say.
    `calls`: it makes voice calls too, from `call_sender` where that is another number than texts come from.
    """

    name: str
    base_url: str
    account: str
    token: str = field(repr=False)
    sender: str
    previous_token: str | None = field(default=None, repr=False)
    sends_receipts: bool = True
    allow_private: bool = False
    route: Route = EVERYTHING
    calls: bool = False
    call_sender: str | None = None
    receiving_number: str | None = None

    @property
    def channels(self) -> frozenset[Channel]:
        """The ways to a person that it can carry."""
        return frozenset({Channel.TEXT, Channel.CALL} if self.calls else {Channel.TEXT})
