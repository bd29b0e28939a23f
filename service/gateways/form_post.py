"""Sending texts and making calls by the form-post wire format, the REST shape that many providers share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from urllib.parse import quote

import httpx

from service.domain.people import Channel
from service.gateways.answers import detail
from service.gateways.as_set_up import AsSetUp
from service.gateways.connections import Resolve, system_addresses
from service.gateways.exchange import Exchange, Limits
from service.gateways.form_post_calls import call_addresses, call_form
from service.gateways.form_post_config import FormPostConfig
from service.gateways.form_post_inbound import read_text
from service.gateways.form_post_lists import Fetch, fetching, look_up, recent_texts
from service.gateways.form_post_outcome import fault_of_look, outcome_of_answer
from service.operations.gateway import CannotTell, InboundText, Lookup, Outcome, Outgoing

__all__ = ["FormPostConfig", "FormPostGateway", "Limits"]

TEXTS, CALLS = "Messages.json", "Calls.json"
VALID_S = (1, 14_400)
"""The whole seconds that ValidityPeriod may have with every server of this shape.

https://www.twilio.com/docs/api/errors/21624 gives 1 to 36,000 today and gave 1 to 14,400 before, and a server that has
the lower bound would refuse more. Without the field a message is good for the longest there is, which is an alarm's.
"""


class FormPostGateway(AsSetUp[FormPostConfig]):
    """A message gateway that is spoken to by form-post. Many threads may send through one at once."""

    def __init__(
        self,
        config: FormPostConfig,
        *,
        public_url: str,
        limits: Limits | None = None,
        resolve: Resolve = system_addresses,
    ) -> None:
        super().__init__(config)
        self._public_url = public_url
        self._account_address = f"{config.base_url}/2010-04-01/Accounts/{quote(config.account, safe='')}"
        # Read once: to take an address apart costs more than to send to it.
        self._resources = {name: httpx.URL(f"{self._account_address}/{name}") for name in (TEXTS, CALLS)}
        self._status_callback = f"{public_url.rstrip('/')}/inbound/{config.name}/receipt"
        self._exchange = Exchange(
            config.base_url,
            allow_private=config.allow_private,
            auth=(config.account, config.token),
            limits=limits,
            resolve=resolve,
        )

    def send(self, message: Outgoing) -> Outcome:
        """Hand over one message; never raises, and takes at most `Limits.total_s` seconds."""
        return self._exchange.hand_over(self.name, lambda: self._request(message), outcome_of_answer)

    def look_up(self, message: Outgoing, since: datetime) -> Lookup:
        """Ask whether it took this text at or after that instant; never raises, and takes as long as `send`."""
        if not self._config.route.lists or message.channel is not Channel.TEXT:
            return CannotTell("it is not asked for a list of these")
        return look_up(self._fetching(), self.name, message, since)

    def recent_texts(self, since: datetime, now: datetime) -> Sequence[InboundText] | None:
        """The texts that came in since then, first to last; None where it cannot say. Takes as long as `send`."""
        if not self._config.route.lists:
            return None
        return recent_texts(self._fetching(), self.name, self._config.sender, self._read_listed, since, now)

    def check(self) -> str | None:
        """Ask for its last message, which sends nothing: why it would take none of ours, None where it may.

        A wrong account or token is found by it, and what else stands at that address.
        """
        try:
            request = self._exchange.request("GET", f"{self._account_address}/{TEXTS}?PageSize=1")
            return fault_of_look(self._exchange.answer(request))
        except Exception as fault:  # noqa: BLE001 - whatever it is, it is the answer
            return detail(f"{type(fault).__name__}: {fault}")

    def close(self) -> None:
        """Release connections."""
        self._exchange.close()

    def _fetching(self) -> Fetch:
        return fetching(self._exchange, self._account_address)

    def _read_listed(self, fields: Mapping[str, str], received_at: datetime) -> InboundText:
        return read_text(self._config, fields.items(), received_at)

    def _request(self, message: Outgoing) -> httpx.Request:
        resource, form = self._asked(message)
        return self._exchange.request("POST", self._resources[resource], data=form)

    def _asked(self, message: Outgoing) -> tuple[str, dict[str, str]]:
        """The resource to post to, and the form."""
        if message.channel is Channel.CALL:
            at = call_addresses(self._public_url, self.name, message.reference)
            return CALLS, call_form(message, self._config.call_sender or self._config.sender, at)
        return TEXTS, self._text_form(message)

    def _text_form(self, message: Outgoing) -> dict[str, str]:
        form = {"To": message.to, "From": self._config.sender, "Body": message.body}
        if self._config.sends_receipts:
            form["StatusCallback"] = self._status_callback
        least, most = VALID_S
        if message.valid_for_s is not None and message.valid_for_s < most:
            form["ValidityPeriod"] = str(max(int(message.valid_for_s), least))
        return form
