"""What the fake gateway does with a request: whether it takes the text, and, as another thing, its answer."""

from __future__ import annotations

import json
import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Behaviour:
    """One scripted way to behave. A `content` of None is the usual JSON with the sid; `cut`: no answer."""

    takes: bool = True
    status: int = 201
    content: str | None = None
    content_type: str = "application/json"
    headers: Mapping[str, str] = field(default_factory=dict)
    wait_s: float = 0.0
    drip_s: float = 0.0
    padding_bytes: int = 0
    cut: bool = False


ACCEPT = Behaviour()


def accept_then_cut() -> Behaviour:
    """Take the text and cut the line without an answer."""
    return Behaviour(cut=True)


def refuse(status: int, code: int | None = None, message: str = "refused") -> Behaviour:
    """Take nothing and answer with an error document."""
    document = {"status": status, "message": message} | ({} if code is None else {"code": code})
    return Behaviour(takes=False, status=status, content=json.dumps(document))


def throttle(retry_after: str, code: int = 20429) -> Behaviour:
    """Take nothing and answer 429 with this Retry-After."""
    content = json.dumps({"status": 429, "code": code, "message": "too fast"})
    return Behaviour(takes=False, status=429, content=content, headers={"Retry-After": retry_after})


def broken(status: int = 500, *, takes: bool = False) -> Behaviour:
    """Answer with a server error, whether or not the text was taken."""
    return Behaviour(takes=takes, status=status, content="{}")


def stall(seconds: float, *, takes: bool = False) -> Behaviour:
    """Answer only after so many seconds."""
    return Behaviour(takes=takes, wait_s=seconds)


def drip(seconds_between: float, *, takes: bool = True) -> Behaviour:
    """Answer byte by byte, headers too, with a pause before each."""
    return Behaviour(takes=takes, drip_s=seconds_between)


def html() -> Behaviour:
    """Answer 200 with a page for people, as a captive portal does."""
    return Behaviour(takes=False, status=200, content="<html>Sign in</html>", content_type="text/html")


def without_sid() -> Behaviour:
    """Take the text, but forget to name it."""
    return Behaviour(content=json.dumps({"status": "queued"}))


def huge(padding_bytes: int = 10 * 1024 * 1024) -> Behaviour:
    """Take the text and send the sid, followed by megabytes of nothing."""
    return Behaviour(padding_bytes=padding_bytes)


def redirect(location: str, status: int = 307) -> Behaviour:
    """Take nothing and send the caller elsewhere."""
    return Behaviour(takes=False, status=status, content="", headers={"Location": location})


class Script:
    """Which behaviour comes when: the next ones in turn, then that of the number, then the default."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._default = ACCEPT
        self._next: deque[Behaviour] = deque()
        self._numbers: dict[str, Behaviour] = {}

    def always(self, behaviour: Behaviour) -> None:
        """Behave like this whenever nothing else is said."""
        with self._lock:
            self._default = behaviour

    def once(self, *behaviours: Behaviour) -> None:
        """Behave like this for the next requests, one each."""
        with self._lock:
            self._next.extend(behaviours)

    def for_number(self, number: str, behaviour: Behaviour) -> None:
        """Behave like this for texts to this number."""
        with self._lock:
            self._numbers[number] = behaviour

    def forget(self) -> None:
        """Accept everything again."""
        with self._lock:
            self._default = ACCEPT
            self._next.clear()
            self._numbers.clear()

    def take(self, number: str) -> Behaviour:
        """Return the behaviour for a text to this number; those set for once are used up."""
        with self._lock:
            if self._next:
                return self._next.popleft()
            return self._numbers.get(number, self._default)

    def apply(self, orders: Mapping[str, Any]) -> None:
        """Change the script by JSON: `forget`, `always`, `once` (a list), `numbers` (an object)."""
        if orders.get("forget"):
            self.forget()
        if "always" in orders:
            self.always(Behaviour(**orders["always"]))
        self.once(*(Behaviour(**order) for order in orders.get("once", [])))
        for number, order in orders.get("numbers", {}).items():
            self.for_number(number, Behaviour(**order))
