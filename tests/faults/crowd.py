"""People of a busy coast, as threads: they file, go in, forget to ring back, answer alarms, and come out.

What each does is drawn from the seed. A post that the service did not take is posted again, as gateways do.
"""

from __future__ import annotations

import random
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

from service.store.seed import ADMIN_PHONE, RECEIVING_NUMBER
from tests.faults.rig import CONTACTS, GRACE, Rig

DIVERS = tuple(
    phone
    for phone in (f"+447700900{number}" for number in range(100, 700))
    if phone not in {RECEIVING_NUMBER, ADMIN_PHONE}
)
POSTED_AGAIN_S = 1.0
GIVES_UP_S = 120.0
AT_ONCE = 32
GRACE_S = GRACE.grace.total_seconds()


@dataclass
class Dive:
    """One dive of the run, as those see it who take part."""

    number: int
    lead: str
    contacts: tuple[str, ...]
    run_s: float
    forgets: bool
    filed: dict[str, Any] = field(default_factory=dict)
    over: bool = False

    @property
    def id(self) -> str:
        """Its id."""
        return str(self.filed.get("id"))


@dataclass
class Crowd:
    """Everybody, doing things until told to stop; then whoever is in comes out."""

    rig: Rig
    seed: int
    every_s: float = 2.0
    dives: list[Dive] = field(default_factory=list)
    posts: list[tuple[float, float]] = field(default_factory=list)  # when, and how long the first try took
    lost: list[str] = field(default_factory=list)  # what no try got through
    faults: list[BaseException] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._chance = random.Random(f"crowd {self.seed}")
        self._stopping = threading.Event()
        self._ending = threading.Event()
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="person")
        self._thread = threading.Thread(target=self._go_on, name="crowd")

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """From now on nobody goes in."""
        self._stopping.set()
        self._thread.join()

    def end(self) -> None:
        """Whoever is in comes out, and says so; returns when all have."""
        self.stop()
        self._ending.set()
        self._pool.shutdown(wait=True)

    def _go_on(self) -> None:
        number = 0
        while not self._stopping.wait(self.every_s * self._chance.uniform(0.5, 1.5)):
            number += 1
            dive = Dive(
                number,
                lead=DIVERS[number % len(DIVERS)],
                contacts=tuple(self._chance.sample(CONTACTS, 2)),
                run_s=self._chance.uniform(6, 14),
                forgets=self._chance.random() < 0.9,
            )
            self.dives.append(dive)
            self._pool.submit(self._play, dive, random.Random(f"dive {self.seed} {number}"))

    def _play(self, dive: Dive, chance: random.Random) -> None:
        try:
            self._live(dive, chance)
        except BaseException as error:
            self.faults.append(error)
            raise

    def _live(self, dive: Dive, chance: random.Random) -> None:
        give_up_at = time.monotonic() + GIVES_UP_S
        while not dive.filed:
            filed = self.rig.file(dive.lead, dive.contacts, dive.run_s, f"{self.seed}-{dive.number}")
            dive.filed = filed or {}
            if time.monotonic() > give_up_at or (filed is None and self._ending.wait(POSTED_AGAIN_S)):
                return
        self.post(dive.lead, f"IN {dive.filed['start_code']}", chance)
        out_s = dive.run_s + GRACE_S + chance.uniform(30, 70) if dive.forgets else dive.run_s + 5
        answers_s = dive.run_s + GRACE_S + chance.uniform(8, 25)
        if dive.forgets and chance.random() < 0.6 and not self._ending.wait(answers_s):
            self.post(chance.choice(dive.contacts), f"OK {dive.filed['reference']}", chance)
            out_s -= answers_s
        self._ending.wait(max(out_s, 0))
        self.post(dive.lead, f"OUT {dive.filed['finish_code']}", chance)
        dive.over = True

    def post(self, sender: str, body: str, chance: random.Random) -> None:
        """Have a text posted by a gateway until the service takes it, now and then once more than needed."""
        gateway, sid, first = chance.randrange(2), f"SM{chance.getrandbits(128):032x}", True
        give_up_at = time.monotonic() + GIVES_UP_S
        while time.monotonic() < give_up_at:
            began_s = time.monotonic()
            status = self.rig.text(sender, body, gateway=gateway, sid=sid)
            if status == 200:
                if first:
                    self.posts.append((time.time(), time.monotonic() - began_s))
                if chance.random() < 0.1:
                    self.rig.text(sender, body, gateway=gateway, sid=sid)
                return
            if status in (400, 403, 404):
                break
            first = False
            time.sleep(POSTED_AGAIN_S)
        self.lost.append(f"{sender}: {body}")
