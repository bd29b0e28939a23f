"""Sending texts by the form-post wire format, the REST shape that many providers share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from urllib.parse import quote

import httpx

from service.domain.people import Channel
from service.gateways.connections import (
    AddressRule,
    BoundedBackend,
    BoundedTransport,
    Deadline,
    Resolve,
    is_this_machine,
    system_addresses,
)
from service.gateways.form_post_outcome import Answer, outcome_of_answer, outcome_of_fault
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
    """One gateway as set up. While a token is being changed, the previous one still signs what comes in."""

    name: str
    base_url: str
    account: str
    token: str = field(repr=False)
    sender: str
    previous_token: str | None = field(default=None, repr=False)
    sends_receipts: bool = True
    allow_private: bool = False
    route: Route = EVERYTHING


@dataclass(frozen=True, slots=True)
class Limits:
    """How long and large an exchange may be: seconds by phase and in all, bytes of answer, connections."""

    connect_s: float = 3.0
    write_s: float = 5.0
    read_s: float = 8.0
    pool_s: float = 2.0
    total_s: float = 12.0
    answer_bytes_max: int = 64 * 1024
    connections_max: int = 20


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
        self._limits = limits or Limits()
        self._address = f"{config.base_url}/2010-04-01/Accounts/{quote(config.account, safe='')}/Messages.json"
        self._status_callback = f"{public_url.rstrip('/')}/inbound/{config.name}/receipt"
        self._deadline = Deadline()
        url = httpx.URL(config.base_url)
        rule = AddressRule(
            clear_text=url.scheme != "https",
            loopback=is_this_machine(url.host),
            allow_private=config.allow_private,
        )
        self._client = httpx.Client(
            transport=BoundedTransport(
                BoundedBackend(rule, self._deadline, resolve), connections_max=self._limits.connections_max
            ),
            auth=(config.account, config.token),
            # An answer is read as it comes, so that a small one cannot unpack into a huge one.
            headers={"Accept": "application/json", "Accept-Encoding": "identity"},
            timeout=httpx.Timeout(
                connect=self._limits.connect_s,
                write=self._limits.write_s,
                read=self._limits.read_s,
                pool=self._limits.pool_s,
            ),
            trust_env=False,
            follow_redirects=False,
        )

    @property
    def name(self) -> str:
        """The name it has in the settings."""
        return self._config.name

    @property
    def channels(self) -> frozenset[Channel]:
        """The ways to a person that it can carry."""
        return frozenset({Channel.TEXT})

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
            request = self._client.build_request("POST", self._address, data=self._form(message))
        except Exception as fault:  # noqa: BLE001 - the port promises an outcome for every fault
            return Refused(Blame.TRANSIENT, type(fault).__name__, "the text could not be put into a request")
        try:
            with self._deadline.within(self._limits.total_s):
                answer = self._exchange(request)
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
        self._client.close()

    def _form(self, message: Outgoing) -> dict[str, str]:
        form = {"To": message.to, "From": self._config.sender, "Body": message.body}
        if self._config.sends_receipts:
            form["StatusCallback"] = self._status_callback
        return form

    def _exchange(self, request: httpx.Request) -> Answer:
        response = self._client.send(request, stream=True)
        try:
            body, fault = self._read(response)
        finally:
            response.close()
        return Answer(
            status=response.status_code,
            body=body,
            retry_after=response.headers.get("Retry-After"),
            date=response.headers.get("Date"),
            fault=fault,
        )

    def _read(self, response: httpx.Response) -> tuple[bytes, str | None]:
        """Read the body up to its limit. The status is known by now, and a fault here must not lose it."""
        body = bytearray()
        try:
            for piece in response.iter_raw():
                body += piece
                if len(body) > self._limits.answer_bytes_max:
                    return b"", f"the answer is longer than {self._limits.answer_bytes_max} bytes"
        except Exception as fault:  # noqa: BLE001 - as above; the outcome follows from the status
            return b"", f"the answer broke off: {type(fault).__name__}"
        return bytes(body), None
