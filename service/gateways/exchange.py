"""One HTTP exchange with a gateway, bounded in time and size, and only where the settings allow."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import httpx

from service.gateways.answers import Answer, outcome_of_fault
from service.gateways.connections import (
    AddressRule,
    BoundedBackend,
    Deadline,
    Resolve,
    is_this_machine,
    system_addresses,
)
from service.gateways.lines import BoundedTransport
from service.operations.gateway import Blame, Outcome, Refused


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


class Exchange:
    """A client of one gateway. Many threads may use one at once."""

    def __init__(
        self,
        base_url: str,
        *,
        allow_private: bool,
        auth: tuple[str, str] | None = None,
        headers: Mapping[str, str] | None = None,
        limits: Limits | None = None,
        resolve: Resolve = system_addresses,
    ) -> None:
        self._limits = limits or Limits()
        self._deadline = Deadline()
        url = httpx.URL(base_url)
        rule = AddressRule(
            clear_text=url.scheme != "https", loopback=is_this_machine(url.host), allow_private=allow_private
        )
        self._transport = BoundedTransport(
            BoundedBackend(rule, self._deadline, resolve),
            self._deadline,
            connections_max=self._limits.connections_max,
        )
        self._auth = None if auth is None else httpx.BasicAuth(*auth)
        # An answer is read as it comes, so that a small one cannot unpack into a huge one.
        self._headers = httpx.Headers(
            {"User-Agent": "linetender", "Accept": "application/json", "Accept-Encoding": "identity"}
            | dict(headers or {})
        )
        timeout = httpx.Timeout(
            connect=self._limits.connect_s,
            write=self._limits.write_s,
            read=self._limits.read_s,
            pool=self._limits.pool_s,
        )
        self._extensions = {"timeout": timeout.as_dict()}

    def request(self, method: str, url: httpx.URL | str, **content: Any) -> httpx.Request:
        """Build a request; `data`, `json`, `params` as httpx takes them. Raises for what cannot be encoded."""
        request = httpx.Request(method, url, headers=self._headers, extensions=self._extensions, **content)
        return request if self._auth is None else next(self._auth.auth_flow(request))

    @property
    def total_s(self) -> float:
        """How many seconds it may take in all."""
        return self._limits.total_s

    def answer(self, request: httpx.Request, *, within_s: float | None = None, bytes_max: int | None = None) -> Answer:
        """Send it and read the answer, in at most `Limits.total_s` seconds; for one of several, in what is left.

        Raises exceptions of httpx and httpcore; `outcome_of_fault` says what they mean.
        """
        with self._deadline.within(self._limits.total_s if within_s is None else within_s):
            response = self._transport.handle_request(request)
            try:
                body, fault = self._read(response, bytes_max or self._limits.answer_bytes_max)
            finally:
                response.close()
        return Answer(
            status=response.status_code,
            body=body,
            retry_after=response.headers.get("Retry-After"),
            date=response.headers.get("Date"),
            fault=fault,
        )

    def hand_over(
        self, gateway: str, build: Callable[[], httpx.Request], read: Callable[[str, Answer], Outcome]
    ) -> Outcome:
        """Build a request, send it, and read from the answer what became of it; never raises."""
        try:
            request = build()
        except Exception as fault:  # noqa: BLE001 - the port promises an outcome for every fault
            return Refused(Blame.TRANSIENT, type(fault).__name__, "the message could not be put into a request")
        try:
            answer = self.answer(request)
        except Exception as fault:  # noqa: BLE001 - the port promises an outcome for every fault
            return outcome_of_fault(gateway, fault)
        return read(gateway, answer)

    def close(self) -> None:
        """Release connections."""
        self._transport.close()

    def _read(self, response: httpx.Response, bytes_max: int) -> tuple[bytes, str | None]:
        """Read the body up to its limit. The status is known by now, and a fault here must not lose it."""
        body = bytearray()
        try:
            for piece in response.iter_raw():
                body += piece
                if len(body) > bytes_max:
                    return b"", f"the answer is longer than {bytes_max} bytes"
        except Exception as fault:  # noqa: BLE001 - the outcome follows from the status
            return b"", f"the answer broke off: {type(fault).__name__}"
        return bytes(body), None
