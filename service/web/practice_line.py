"""The practice gateway's line: carries texts between the service and the practice phones, over real HTTP and signed.

For demonstrations only. A phone that is switched off gets its texts, and sends its receipts, once it is on again.
"""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import httpx
from sqlalchemy.orm import Session

from service.gateways.form_post import FormPostConfig
from service.gateways.practice import Pairs, PracticeRequest, inbound_fields, receipt_fields, signed_headers
from service.operations.service import Service
from service.store import practice

GATEWAY_NAME = "practice"
POST_WITHIN_S = 10.0
NOT_POSTED = "practice.not_posted"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class PracticeLine:
    """The line of one web process. Threads are started only when something is to be carried."""

    service: Service
    config: FormPostConfig
    public_url: str
    _carriers: ThreadPoolExecutor = field(
        default_factory=lambda: ThreadPoolExecutor(max_workers=4, thread_name_prefix="practice"), repr=False
    )

    def take(self, text: PracticeRequest) -> str:
        """Take a text for a phone and give it an id; if the phone is on, a receipt follows from another thread."""
        sid, now = f"PM{secrets.token_hex(16)}", self.service.clock.now()

        def work(session: Session) -> bool:
            on = practice.is_on(session, text.to)
            practice.add(
                session,
                to_phone=text.to,
                from_phone=text.sender,
                body=text.body,
                direction=practice.TO_PHONE,
                at=now,
                sid=sid,
                delivered=on,
            )
            return on

        if self.service.write(work) and text.status_callback:
            self._carriers.submit(self._post_receipt, sid)
        return sid

    def switch(self, phone: str, *, on: bool) -> None:
        """Switch a phone; one that comes on gets what waited for it."""

        def work(session: Session) -> list[str]:
            practice.switch(session, phone, on=on)
            waiting = practice.undelivered(session, phone) if on else []
            for message in waiting:
                practice.mark_delivered(session, message.id)
            return [message.sid for message in waiting]

        for sid in self.service.write(work):
            self._carriers.submit(self._post_receipt, sid)

    def send(self, phone: str, receiver: str, body: str) -> bool:
        """Send a text as that phone; False when the service did not take it, and then the phone shows that."""
        sid, now = f"PI{secrets.token_hex(16)}", self.service.clock.now()
        self.service.write(
            lambda session: practice.add(
                session,
                to_phone=receiver,
                from_phone=phone,
                body=body,
                direction=practice.FROM_PHONE,
                at=now,
                sid=sid,
                delivered=False,
            )
        )
        if self.post("text", inbound_fields(sid=sid, sender=phone, receiver=receiver, body=body)) is None:
            return False

        def note_taken(session: Session) -> None:
            for message in practice.of_phone(session, phone):
                if message.sid == sid:
                    practice.mark_delivered(session, message.id)

        self.service.write(note_taken)
        return True

    def close(self) -> None:
        """Wait for what is being carried, and carry nothing more."""
        self._carriers.shutdown()

    def later(self, work: Callable[[], object]) -> None:
        """Do this on another thread."""
        self._carriers.submit(work)

    def _post_receipt(self, sid: str) -> None:
        self.post("receipt", receipt_fields(sid=sid, status="delivered"))

    def post(self, what: str, fields: Pairs) -> str | None:
        """Post to our own inbound address and nowhere else, whatever address a request named.

        Gives what was answered, or None when the service did not take it.
        """
        url = f"{self.public_url}/inbound/{self.config.name}/{what}"
        headers = signed_headers(self.config.token, url, fields)
        try:
            with httpx.Client(timeout=POST_WITHIN_S, trust_env=False) as client:
                answer = client.post(url, data=dict(fields), headers=headers)
        except httpx.HTTPError as fault:
            _log.warning(NOT_POSTED, extra={"what": what, "why": type(fault).__name__})
            return None
        if not answer.is_success:
            _log.warning(NOT_POSTED, extra={"what": what, "why": answer.status_code})
            return None
        return answer.text
