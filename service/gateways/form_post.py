"""Sending texts and making calls by the form-post wire format, the REST shape that many providers share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from urllib.parse import quote

from service.domain.people import Channel
from service.gateways.answers import outcome_of_fault
from service.gateways.connections import Resolve, system_addresses
from service.gateways.exchange import Exchange, Limits
from service.gateways.form_post_calls import call_addresses, call_form
from service.gateways.form_post_outcome import outcome_of_answer
from service.operations.gateway import (
    Blame,
    CannotTell,
    InboundText,
    Lookup,
    Outcome,
    Outgoing,
    Refused,
    Route,
)

EVERYTHING = Route()


@dataclass(frozen=True, slots=True)
class FormPostConfig:
    """One gateway as set up. While a token is being changed, the previous one still signs what comes in.

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


class FormPostGateway:
    """A message gateway that is spoken to by form-post. Many threads may send through one at once."""

    def __init__(
        self,
        config: FormPostConfig,
        *,
        public_url: str,
        limits: Limits | None = None,
        resolve: Resolve = system_addresses,
    ) -> None:
        self._config = config
        self._public_url = public_url
        self._account_address = f"{config.base_url}/2010-04-01/Accounts/{quote(config.account, safe='')}"
        self._status_callback = f"{public_url.rstrip('/')}/inbound/{config.name}/receipt"
        self._exchange = Exchange(
            config.base_url,
            allow_private=config.allow_private,
            auth=(config.account, config.token),
            limits=limits,
            resolve=resolve,
        )

    @property
    def name(self) -> str:
        """The name it has in the settings."""
        return self._config.name

    @property
    def channels(self) -> frozenset[Channel]:
        """The ways to a person that it can carry."""
        return frozenset({Channel.TEXT, Channel.CALL} if self._config.calls else {Channel.TEXT})

    @property
    def route(self) -> Route:
        """What it is used for."""
        return self._config.route

    @property
    def sends_receipts(self) -> bool:
        """Whether a delivery receipt is to be expected for what it accepts."""
        return self._config.sends_receipts

    def send(self, message: Outgoing) -> Outcome:
        """Hand over one message; never raises, and takes at most `Limits.total_s` seconds."""
        try:
            resource, form = self._asked(message)
            request = self._exchange.request("POST", f"{self._account_address}/{resource}", data=form)
        except Exception as fault:  # noqa: BLE001 - the port promises an outcome for every fault
            return Refused(Blame.TRANSIENT, type(fault).__name__, "the message could not be put into a request")
        try:
            answer = self._exchange.answer(request)
        except Exception as fault:  # noqa: BLE001 - the port promises an outcome for every fault
            return outcome_of_fault(self.name, fault)
        return outcome_of_answer(self.name, answer)

    def look_up(self, message: Outgoing, since: datetime) -> Lookup:  # noqa: ARG002 - not built yet
        """Ask whether it took this message; nothing can be said yet."""
        return CannotTell("this gateway is not asked yet")

    def recent_texts(self, since: datetime, now: datetime) -> Sequence[InboundText] | None:  # noqa: ARG002 - the same
        """Nothing can be said yet."""
        return None

    def close(self) -> None:
        """Release connections."""
        self._exchange.close()

    def _asked(self, message: Outgoing) -> tuple[str, dict[str, str]]:
        """The resource to post to, and the form."""
        if message.channel is Channel.CALL:
            at = call_addresses(self._public_url, self.name, message.reference)
            return "Calls.json", call_form(message, self._config.call_sender or self._config.sender, at)
        return "Messages.json", self._text_form(message)

    def _text_form(self, message: Outgoing) -> dict[str, str]:
        form = {"To": message.to, "From": self._config.sender, "Body": message.body}
        if self._config.sends_receipts:
            form["StatusCallback"] = self._status_callback
        return form
