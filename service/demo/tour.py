"""The tour: one overdue dive from plan to stand-down, played over real HTTP on a demo of its own."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from service.demo.broker import free_port, is_free
from service.demo.phones import Phones
from service.demo.preparing import HOST
from service.demo.running import Demo
from service.store.seed import CONTACTS, DIVERS, ZONE

LOOK_EVERY_S: Final = 0.25
PATIENCE_S: Final = 25.0  # real seconds beyond what the clock itself needs
RUN_TIME_MIN: Final = 20
VERIFY_WITHIN_S: Final = 60.0
CLOSED: Final = "closed"
BEGINNING: Final = 40  # characters that tell one text from others; links differ further on

ANNA, BRAM = DIVERS[0][:2], DIVERS[1][:2]
CLEO, DOV, EDDA = CONTACTS


def play(
    path: Path, *, port: int | None, pace: float, environ: Mapping[str, str], say: Callable[[str], None]
) -> list[str]:
    """Play the dive on fresh data in `path`; gives what went wrong, in words, nothing if all went well.

    Raises AlreadyRunningError, CannotStartError and ClockWentAheadError.
    """
    if port is None or not is_free(HOST, port):
        port = free_port()
    # The phones are practice phones, whatever gateways are set.
    environ = {name: value for name, value in environ.items() if name != "GATEWAYS"}
    with Demo(path, port=port, pace=pace, environ=environ, say=say, fresh=True) as demo:
        say(f"Playing one dive at {demo.document['url']}; one second is {pace:g} seconds of dive time.\n")
        phones = Phones(demo.document["url"], demo.document["api_token"], ZoneInfo(ZONE), say)
        try:
            faults = _Tour(phones, demo, pace, say).play()
        finally:
            phones.close()
        return faults + _verify(demo, say)


class _Tour:
    """The scenes in their order. One that does not come about in time is a fault, and ends the tour."""

    def __init__(self, phones: Phones, demo: Demo, pace: float, say: Callable[[str], None]) -> None:
        self._phones = phones
        self._demo = demo
        self._pace = pace
        self._say = say

    def play(self) -> list[str]:
        try:
            self._go_in()
            self._come_out_late()
            self._stand_down()
        except TimeoutError as missing:
            return [f"this did not happen in time: {missing}"]
        return self._left_without_stand_down()

    def _go_in(self) -> None:
        self._scene("Anna files a plan for herself and Bram, with three shore contacts.")
        filed = self._phones.file(_plan())
        self._until("Anna's phone has the start code", 1, lambda: self._heard(ANNA, filed["start_code"]))
        self._scene("At the water she texts IN. The contacts get the plan to keep; then the clock is armed.")
        self._phones.text(ANNA[1], f"IN {filed['start_code']}")
        self._until("Anna hears ARMED", 1, lambda: self._heard(ANNA, "ARMED") and self._phones.dive["armed"])
        for contact in CONTACTS:
            self._until(f"{contact[0]} has the plan", 1, partial(self._sent, contact, "start_notice"))

    def _come_out_late(self) -> None:
        self._scene("Nobody comes out. Both phones are reminded before due out, at due out and after it.")
        for diver in (ANNA, BRAM):
            self._until(f"{diver[0]} is reminded", RUN_TIME_MIN, partial(self._sent, diver, "reminder"))
        self._scene("Nobody answers.")
        self._until("Cleo is alerted", 40, lambda: self._sent(CLEO, "alert"))
        self._scene("Cleo answers that she acts. The clock goes on: reading is not resolving.")
        self._phones.text(CLEO[1], "OK")
        self._until("Cleo's answer is known", 2, lambda: bool(self._phones.dive["acknowledged"]))
        for contact in CONTACTS:
            self._until(f"{contact[0]} has the distress text", 20, partial(self._sent, contact, "distress"))
        self._scene("Dov has called rescue, and says so.")
        self._phones.text(DOV[1], "CALLED 4711")
        self._until("the call is known", 2, lambda: self._phones.dive["rescue_called_at"] is not None)

    def _stand_down(self) -> None:
        self._scene("Anna and Bram come ashore far down the beach.")
        self._phones.text(ANNA[1], "OUT 2")
        self._until("the dive is closed", 2, lambda: self._phones.dive["phase"] == "closed")
        self._until("everybody has the stand-down", 2, lambda: not self._left_without_stand_down())

    def _left_without_stand_down(self) -> list[str]:
        """Whoever was told anything and not that it is over, by the phones' own conversations."""
        over = dict(self._last_words())
        return [
            f"{name} was told of this dive and not that it is over"
            for phone, name in self._phones.told()
            if phone not in over or not self._phones.heard(phone, over[phone])
        ]

    def _last_words(self) -> Iterator[tuple[str, str]]:
        """Phone and beginning of each stand-down, and of the answer to whoever closed the dive, which is theirs."""
        dive = self._phones.dive
        closers = [entry["actor"].get("key") for entry in dive["events"] if entry["kind"] == "event:closed"]
        for message in dive["messages"]:
            answered = message["kind"].lower() == "reply" and message["to"] in closers
            if message["kind"].lower() == "stand_down" or (answered and CLOSED in message["body"]):
                yield message["phone"], message["body"][:BEGINNING]

    def _heard(self, person: tuple[str, str], words: str) -> bool:
        return self._phones.heard(person[1], words)

    def _sent(self, person: tuple[str, str], kind: str) -> bool:
        return self._phones.was_sent(person[1], kind)

    def _until(self, what: str, minutes: float, met: Callable[[], bool]) -> None:
        """Look and print until it is so. Raises TimeoutError after so many minutes of dive time and some patience."""
        give_up_at = time.monotonic() + minutes * 60 / self._pace + PATIENCE_S
        self._phones.look()
        while not met():
            if time.monotonic() > give_up_at:
                raise TimeoutError(what)
            time.sleep(LOOK_EVERY_S)
            self._demo.tend()
            self._phones.look()

    def _scene(self, words: str) -> None:
        self._say(f"\n-- {words}")


def _plan() -> dict[str, Any]:
    return {
        "site": "LANTERN",
        "run_time_min": RUN_TIME_MIN,
        "lead": {"name": ANNA[0], "phone": ANNA[1]},
        "party": [{"name": BRAM[0], "phone": BRAM[1]}],
        "contacts": [{"name": name, "phone": phone} for name, phone in CONTACTS],
        "exits": ["East beach", "West steps"],
        "vehicle": "Green van at the cove car park",
    }


def _verify(demo: Demo, say: Callable[[str], None]) -> list[str]:
    """Have the log checked by the command that people use."""
    say("\n-- linetender audit verify")
    answer = subprocess.run(
        [sys.executable, "-m", "service.cli", "audit", "verify"],
        env=demo.settings(),
        capture_output=True,
        text=True,
        timeout=VERIFY_WITHIN_S,
        check=False,
    )
    say((answer.stdout + answer.stderr).strip())
    return ["the log does not verify"] if answer.returncode else []
