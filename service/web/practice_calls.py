"""Calls to practice phones: they ring until a button answers them, a machine does, or nobody has for long enough.

For demonstrations only. What a real gateway would post is posted, over real HTTP and signed.
"""

from __future__ import annotations

import re
import secrets
import threading
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.people import Channel
from service.gateways.form_post_calls import RINGS_S
from service.gateways.practice import PracticeCall, call_status_fields, key_fields, read_spoken
from service.store import practice
from service.store.practice import PracticeMessage
from service.web.practice_line import PracticeLine

RINGS_LEAST_S = 12.0
"""Real seconds: where the clock runs fast somebody must still have time to press a button."""

# How a call ended, in the words of the format; a key that was pressed is "key 1".
NO_ANSWER, BUSY, COMPLETED = "no-answer", "busy", "completed"
SAID_BACK = "said back"

_MESSAGE = re.compile(r".*/inbound/[^/]+/call/([0-9A-Za-z_-]{1,64})/key")


@dataclass(frozen=True, slots=True)
class PracticeCalls:
    """The calls of one web process."""

    line: PracticeLine
    _rings: dict[str, threading.Timer] = field(default_factory=dict, repr=False)

    def take(self, call: PracticeCall) -> str:
        """Make a call and give it an id. A phone that is off does not answer, one that rings already is busy."""
        sid, now = f"PC{secrets.token_hex(16)}", self.line.service.clock.now()
        self._end_rung_out(call.to, now)

        def work(session: Session) -> str | None:
            busy = any(other.to_phone == call.to for other in practice.ringing(session))
            on = practice.is_on(session, call.to)
            ended = (BUSY if busy else None) if on else NO_ANSWER
            practice.add(
                session,
                to_phone=call.to,
                from_phone=call.sender,
                body=call.spoken,
                direction=practice.TO_PHONE,
                at=now,
                sid=sid,
                delivered=False,
                channel=Channel.CALL,
                answer_url=call.key_url,
                ended=ended,
            )
            return ended

        ended = self.line.service.write(work)
        if ended is None:
            self._ring(sid, call.key_url)
        else:
            self.line.later(partial(self._post_end, sid, call.key_url, ended))
        return sid

    def press(self, call: PracticeMessage, key: str) -> bool:
        """Take the call and press a key; False when the service did not take it, and then it goes on ringing."""
        answer = self.line.post(f"{_path(call.answer_url)}/key", key_fields(sid=call.sid, key=key))
        if answer is None:
            return False
        spoken = read_spoken(answer)
        if spoken.key_url is None:
            self._end(call, f"key {key}", delivered=True)
        # The message said again behind it is on the page already.
        self._note_said(call, spoken.words.removesuffix(call.body).strip())
        return True

    def let_ring(self, call: PracticeMessage) -> None:
        """Nobody takes it."""
        self._end(call, NO_ANSWER, delivered=False)

    def answer_by_machine(self, call: PracticeMessage) -> None:
        """A machine listens to the end and presses nothing."""
        self._end(call, COMPLETED, delivered=False)

    def close(self) -> None:
        """Have nothing ring any more; whatever rings at that moment is never ended."""
        for timer in tuple(self._rings.values()):
            timer.cancel()

    def _end_rung_out(self, phone: str, now: datetime) -> None:
        """End what has rung for long enough by the clock, and only for the sake of the buttons rings on."""
        for other in self.line.service.read(practice.ringing):
            if other.to_phone == phone and now - other.at >= timedelta(seconds=RINGS_S):
                self.let_ring(other)

    def _ring(self, sid: str, key_url: str) -> None:
        pace = clock_seconds(self.line.service.clock, 1.0)
        timer = threading.Timer(max(RINGS_S / pace, RINGS_LEAST_S), self._rung_out, (sid, key_url))
        timer.daemon = True
        self._rings[sid] = timer
        timer.start()

    def _rung_out(self, sid: str, key_url: str) -> None:
        if self._note_end(sid, NO_ANSWER, delivered=False):
            self._post_end(sid, key_url, NO_ANSWER)

    def _end(self, call: PracticeMessage, ended: str, *, delivered: bool) -> None:
        if self._note_end(call.sid, ended, delivered=delivered):
            self.line.later(partial(self._post_end, call.sid, call.answer_url, COMPLETED if delivered else ended))

    def _note_end(self, sid: str, ended: str, *, delivered: bool) -> bool:
        timer = self._rings.pop(sid, None)
        if timer is not None:
            timer.cancel()
        return self.line.service.write(lambda session: practice.end_call(session, sid, ended, delivered=delivered))

    def _post_end(self, sid: str, key_url: str | None, status: str) -> None:
        self.line.post(f"{_path(key_url)}/status", call_status_fields(sid=sid, status=status))

    def _note_said(self, call: PracticeMessage, words: str) -> None:
        now = self.line.service.clock.now()
        self.line.service.write(
            lambda session: practice.add(
                session,
                to_phone=call.to_phone,
                from_phone=call.from_phone,
                body=words,
                direction=practice.TO_PHONE,
                at=now,
                sid=f"PS{secrets.token_hex(16)}",
                delivered=True,
                channel=Channel.CALL,
                ended=SAID_BACK,
            )
        )


def is_ours(call: PracticeCall) -> bool:
    """Whether a key of this call is to be posted to an address as the service gives them."""
    return _MESSAGE.fullmatch(call.key_url) is not None


def _path(key_url: str | None) -> str:
    found = _MESSAGE.fullmatch(key_url or "")
    return f"call/{found[1]}" if found else "call/none"
