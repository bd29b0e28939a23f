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

from service.demo.agreeing import FILES, compare, facts_of, link_in
from service.demo.broker import free_port, is_free
from service.demo.phones import Phones
from service.demo.preparing import DEAD_GATEWAY, GATEWAY, HOST
from service.demo.running import Demo
from service.domain.place.position import Position, decimal
from service.domain.place.writing import plus_code
from service.store.seed import CONTACTS, DIVERS, ZONE

LOOK_EVERY_S: Final = 0.25
PATIENCE_S: Final = 60.0  # real seconds beyond what the clock itself needs
RUN_TIME_MIN: Final = 20
VERIFY_WITHIN_S: Final = 60.0
CLOSED: Final = "closed"
BEGINNING: Final = 40  # characters that tell one text from others; links differ further on

ANNA, BRAM = DIVERS[0][:2], DIVERS[1][:2]
CLEO, DOV, EDDA = CONTACTS
BY_TEXT, BY_BROWSER = Position(47.1231, -20.54395), Position(47.12287, -20.54431)
PACK_DIRECTORY: Final = "pack"


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
    with Demo(path, port=port, pace=pace, environ=environ, say=say, fresh=True, dead_first=True) as demo:
        say(f"Playing one dive at {demo.document['url']}; one second is {pace:g} seconds of dive time.\n")
        phones = Phones(demo.document["url"], demo.document["api_token"], ZoneInfo(ZONE), say)
        try:
            faults = _Tour(phones, demo, path / PACK_DIRECTORY, pace, say).play()
        finally:
            phones.close()
        return faults + _verify(demo, say)


class _Tour:
    """The scenes in their order. One that does not come about in time is a fault, and ends the tour."""

    def __init__(self, phones: Phones, demo: Demo, keep_in: Path, pace: float, say: Callable[[str], None]) -> None:
        self._phones = phones
        self._demo = demo
        self._keep_in = keep_in
        self._pace = pace
        self._say = say

    def play(self) -> list[str]:
        try:
            page = self._go_in()
            self._say_where(page)
            self._be_missed()
            differences = self._hand_over()
            self._call_rescue()
            self._stand_down()
        except TimeoutError as missing:
            return [f"this did not happen in time: {missing}"]
        return differences + self._left_without_stand_down() + self._not_failed_over()

    def _go_in(self) -> str:
        """Gives the address of Anna's page."""
        self._scene(f"The gateway {DEAD_GATEWAY}, which is preferred, cannot be reached today.")
        self._scene("Anna files a plan for herself and Bram, with three shore contacts; Edda reads French.")
        filed = self._phones.file(_plan())
        self._until("Anna's phone has the start code", 1, lambda: self._heard(ANNA, filed["start_code"]))
        self._scene("At the water she texts IN. The contacts get the plan to keep; then the clock is armed.")
        self._phones.text(ANNA[1], f"IN {filed['start_code']}")
        self._until("Anna hears ARMED", 1, lambda: self._heard(ANNA, "ARMED") and self._phones.dive["armed"])
        for contact in CONTACTS:
            self._until(f"{contact[0]} has the plan", 1, partial(self._sent, contact, "start_notice"))
        return str(filed["page"])

    def _say_where(self, page: str) -> None:
        self._scene("She texts where they are from the surface; then her page sends what the phone itself knows.")
        self._phones.text(ANNA[1], f"AT {decimal(BY_TEXT)}")
        self._until("Anna's position is noted", 2, lambda: self._heard(ANNA, f"position {decimal(BY_TEXT)} noted"))
        measured = {"lat": f"{BY_BROWSER.lat:.7f}", "lon": f"{BY_BROWSER.lon:.7f}", "accuracy_m": "9"}
        self._phones.press(page, {"do": "fix", **measured})
        self._until("her page's position is noted", 2, lambda: self._fixes() == [BY_TEXT, BY_BROWSER])

    def _be_missed(self) -> None:
        self._scene("Nobody comes out. Both phones are reminded before due out, at due out and after it.")
        for diver in (ANNA, BRAM):
            self._until(f"{diver[0]} is reminded", RUN_TIME_MIN, partial(self._sent, diver, "reminder"))
        self._scene("Nobody answers. Cleo is alerted by text and e-mail; she is asleep, and never answers.")
        self._until("Cleo is alerted", 40, lambda: self._sent(CLEO, "alert"))
        self._until("Cleo has the e-mail", 2, lambda: any("OVERDUE" in m["subject"] for m in self._mails(CLEO)))
        self._scene("So Dov is next. He answers that he acts. The clock goes on: reading is not resolving.")
        self._until("Dov is alerted", 10, lambda: self._sent(DOV, "alert"))
        self._phones.text(DOV[1], "OK")
        self._until("Dov's answer is known", 2, lambda: bool(self._phones.dive["acknowledged"]))

    def _hand_over(self) -> list[str]:
        """What Dov can tell rescue, compared piece by piece; gives what differs."""
        self._scene("Dov asks where they were last, and for the pack that rescue can use.")
        self._phones.text(DOV[1], "WHERE")
        self._until("Dov has the position", 2, lambda: self._heard(DOV, plus_code(BY_BROWSER)))
        self._phones.text(DOV[1], "PACK")
        self._until("Dov has the link to the pack", 2, lambda: self._link(DOV, "handover") is not None)
        alert = next(text for text in self._texts(DOV) if "OVERDUE" in text)
        facts = facts_of(self._phones.dive, ANNA[0], "2 divers", BY_BROWSER, ZoneInfo(ZONE))
        links = self._link(DOV, "alarm") or "", self._link(DOV, "handover") or ""
        differences = compare(self._phones, alert, *links, facts, self._keep_in)
        pieces = f"Alert, alarm page, pack, {', '.join(FILES)}"
        verdict = "differ" if differences else "agree on who, how many, where and when"
        self._say(f"{pieces}: they {verdict}. The files are in {self._keep_in}")
        return differences

    def _call_rescue(self) -> None:
        for contact in CONTACTS:
            self._until(f"{contact[0]} has the distress text", 20, partial(self._sent, contact, "distress"))
        self._scene("Now the phones ring too. Edda hears what has happened, and presses 1.")
        self._until("Edda's phone rings", 2, lambda: any(call["ringing"] for call in self._phones.calls(EDDA[1])))
        self._phones.answer_call(EDDA[1], "1")
        self._until("Edda's key is known", 2, lambda: len(self._phones.dive["acknowledged"]) > 1)
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

    def _not_failed_over(self) -> list[str]:
        """The preferred gateway cannot be reached: what arrived must have been refused there and taken elsewhere."""
        kinds = {(entry["kind"], entry["actor"].get("name")) for entry in self._phones.dive["events"]}
        refused, taken = ("attempt:refused", DEAD_GATEWAY), ("attempt:accepted", GATEWAY)
        return [] if {refused, taken} <= kinds else [f"nothing went by {GATEWAY} after {DEAD_GATEWAY} had failed"]

    def _last_words(self) -> Iterator[tuple[str, str]]:
        """Phone and beginning of each stand-down, and of the answer to whoever closed the dive, which is theirs."""
        dive = self._phones.dive
        closers = [entry["actor"].get("key") for entry in dive["events"] if entry["kind"] == "event:closed"]
        for message in dive["messages"]:
            answered = message["kind"].lower() == "reply" and message["to"] in closers
            if message["channel"] != "text":
                continue
            if message["kind"].lower() == "stand_down" or (answered and CLOSED in message["body"]):
                yield message["phone"], message["body"][:BEGINNING]

    def _heard(self, person: tuple[str, str], words: str) -> bool:
        return self._phones.heard(person[1], words)

    def _texts(self, person: tuple[str, str]) -> list[str]:
        return [text["body"] for text in self._phones.got(person[1])]

    def _mails(self, person: tuple[str, str]) -> list[dict[str, Any]]:
        return self._phones.mails(person[1])

    def _link(self, person: tuple[str, str], kind: str) -> str | None:
        return link_in(self._texts(person), kind)

    def _fixes(self) -> list[Position]:
        return [Position(*fix["position"]) for fix in self._phones.dive["fixes"]]

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
        "contacts": [
            {"name": CLEO[0], "phone": CLEO[1], "email": "cleo@skerry.example"},
            {"name": DOV[0], "phone": DOV[1]},
            {"name": EDDA[0], "phone": EDDA[1], "language": "fr"},
        ],
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
