"""Sending texts by the json-post wire format, for a gateway that somebody runs at home: a spare phone or a modem.

docs/home-gateway.md is the description of the format. Our message id goes along, so that a gateway takes a message
once however often it is sent, and can be asked whether it has it. What it could not deliver goes by a new id, since by
the old one it would take nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from urllib.parse import quote

import httpx

from service.domain.people import Channel
from service.gateways.answers import detail
from service.gateways.as_set_up import AsSetUp
from service.gateways.connections import Resolve, system_addresses
from service.gateways.exchange import Exchange, Limits
from service.gateways.json_post_outcome import lookup_of_answer, outcome_of_answer
from service.operations.gateway import CannotTell, InboundText, Lookup, Outcome, Outgoing, Route

EVERYTHING = Route()
NO_MESSAGE = "nobody-sent-this"


@dataclass(frozen=True, slots=True)
class JsonPostConfig:
    """One gateway as set up: `token` is ours towards it, `secret` signs what comes from it.

    While the secret is being changed, what the previous one signed is taken too.
    `receiving_number`: of the club that texts to `sender` are for, where the number alone does not say.
    """

    name: str
    base_url: str
    token: str = field(repr=False)
    secret: str = field(repr=False)
    sender: str
    previous_secret: str | None = field(default=None, repr=False)
    sends_receipts: bool = True
    allow_private: bool = False
    route: Route = EVERYTHING
    receiving_number: str | None = None

    @property
    def channels(self) -> frozenset[Channel]:
        """The ways to a person that it can carry."""
        return frozenset({Channel.TEXT})


class JsonPostGateway(AsSetUp[JsonPostConfig]):
    """A message gateway that is spoken to by json-post. Many threads may send through one at once."""

    def __init__(
        self,
        config: JsonPostConfig,
        *,
        limits: Limits | None = None,
        resolve: Resolve = system_addresses,
    ) -> None:
        super().__init__(config)
        self._messages = f"{config.base_url}/messages"
        self._exchange = Exchange(
            config.base_url,
            allow_private=config.allow_private,
            headers={"Authorization": f"Bearer {config.token}"},
            limits=limits,
            resolve=resolve,
        )

    def send(self, message: Outgoing) -> Outcome:
        """Hand over one message; never raises, and takes at most `Limits.total_s` seconds."""
        return self._exchange.hand_over(self.name, lambda: self._request(message), outcome_of_answer)

    def look_up(self, message: Outgoing, since: datetime) -> Lookup:  # noqa: ARG002 - an id is never used again
        """Ask whether it has the message of that reference; never raises, and takes as long as `send`."""
        try:
            request = self._exchange.request("GET", f"{self._messages}/{quote(_id(message), safe='')}")
            return lookup_of_answer(self._exchange.answer(request))
        except Exception as fault:  # noqa: BLE001 - the port promises an answer for every fault
            return CannotTell(detail(f"{type(fault).__name__}: {fault}"))

    def check(self) -> str | None:
        """Ask for a message that nobody sent, which changes nothing: why it could not answer, None when it does.

        A wrong token is found by it, and whatever else stands at that address.
        """
        answer = self.look_up(Outgoing(to="", body="", reference=NO_MESSAGE), datetime.min.replace(tzinfo=UTC))
        return answer.detail if isinstance(answer, CannotTell) else None

    def recent_texts(self, since: datetime, now: datetime) -> Sequence[InboundText] | None:  # noqa: ARG002 - none
        """It keeps no list: what it could not post it posts again."""
        return None

    def close(self) -> None:
        """Release connections."""
        self._exchange.close()

    def _request(self, message: Outgoing) -> httpx.Request:
        return self._exchange.request("POST", self._messages, json=self._document(message))

    def _document(self, message: Outgoing) -> dict[str, str | float | None]:
        return {
            "id": _id(message),
            "to": message.to,
            "from": self._config.sender,
            "body": message.body,
            "valid_for_s": message.valid_for_s,
            "channel": str(message.channel),
        }


def _id(message: Outgoing) -> str:
    return f"{message.reference}-{message.anew}" if message.anew else message.reference
