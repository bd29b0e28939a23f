"""A dive day by seed: people text what they like, gateways fail, processes die; then calm, and the questions.

First faults rain, and what must never happen is asked; then they stop, and all that was promised must have come about.
One seed is one day, whatever the machine: nothing here runs at the same time as anything else.
"""

from __future__ import annotations

import random
import secrets
import uuid
from base64 import urlsafe_b64encode
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any
from unittest.mock import patch

from service.domain.dive import Dive
from service.operations.filing import PlanFiled, file_plan
from service.operations.gateway import Blame, Outcome, Outgoing, ReceiptState
from service.operations.inbound import answer_text
from service.operations.sweeping import sweep
from tests.checker.questions import violations
from tests.operations.stage import (
    BY_ANNA,
    CLUB,
    STRANGER,
    ScriptedGateway,
    Stage,
    Taken,
    accept,
    break_down,
    lose_the_answer,
    plan_of,
    refuse,
    time_out,
)

STEPS = 24
CALM_TURNS = 10
CALM_STEP = timedelta(seconds=31)
SHORT, LONG = (5, 20, 31, 61, 150, 300, 420), (1_300, 2_400)  # seconds that go by; the long ones are outages
SHARED = "+447700900399"  # a contact of every dive
FAULTS = (time_out, lose_the_answer, break_down, refuse(Blame.TRANSIENT), refuse(Blame.THROTTLED, 20))
RARE = (refuse(Blame.GATEWAY), refuse(Blame.FILTERED), refuse(Blame.NUMBER), refuse(Blame.OPTED_OUT))

DIVERS_SAY = (
    *("IN", "late 10", "LATE 20", "late 15", "STATUS", "brrr", "OK", "OUT 1", "OUT", "AT 47.12345,-20.54321"),
    *("SOS", "cant find my buddy", "nogo"),
)
CONTACTS_SAY = (
    *("OK {ref}", "OK {ref}", "OK", "CALLED", "called 17 {ref}", "SAFE 1 {ref}", "what?", "OUT", "still nothing"),
    *("STOP", "START", "DECLINE", "AGREE {ref}"),
)
ANYBODY_SAYS = ("OUT {finish}", "{finish}", "OUT 123456", "LATE 20 {finish}", "SOS {finish}", "hello", "\x00?", "INFO")


class _Inline:
    """In place of the courier's threads: each call is made at once, so that a seed plays the same every time."""

    def submit(self, work: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Do it now."""
        done: Future[Any] = Future()
        done.set_result(work(*arguments))
        return done

    def shutdown(self, *, wait: bool) -> None:
        """Nothing to end."""


@contextmanager
def drawn_by(chance: random.Random) -> Iterator[None]:
    """Codes, ids and tokens come from the seed too: what is equal otherwise is ordered by them."""
    drawn: dict[tuple[Any, str], Callable[..., Any]] = {
        (uuid, "uuid4"): lambda: uuid.UUID(int=chance.getrandbits(128)),
        (secrets, "randbelow"): chance.randrange,
        (secrets, "token_hex"): lambda count: chance.randbytes(count).hex(),
        (secrets, "token_urlsafe"): lambda count: urlsafe_b64encode(chance.randbytes(count)).rstrip(b"=").decode(),
    }
    with ExitStack() as patches:
        for (module, name), draw in drawn.items():
            patches.enter_context(patch.object(module, name, draw))
        yield


@dataclass
class Day:
    """One day by one seed."""

    seed: int
    stage: Stage
    chance: random.Random = field(init=False)
    dives: list[str] = field(default_factory=list)
    stored: list[int] = field(default_factory=list)  # texts that the web took and did not answer
    faulty: float = 0.0
    deadly: float = 0.0

    def __post_init__(self) -> None:
        self.chance = random.Random(f"day {self.seed}")  # small numbers alone draw alike
        self.faulty = self.chance.choice((0.0, 0.1, 0.3, 0.7))
        self.deadly = self.chance.choice((0.0, 0.1, 0.3))
        courier = self.stage.courier
        courier._pool.shutdown()
        courier._pool = courier._asking._pool = _Inline()
        whole = courier._record

        def record(*arguments: Any) -> None:
            if self.chance.random() < self.deadly:
                raise MemoryError("killed between call and record")
            whole(*arguments)

        courier._record = record
        for gateway in self.gateways:
            gateway.usually = self.behave
            gateway.sends_receipts = self.chance.random() < 0.5

    @property
    def gateways(self) -> tuple[ScriptedGateway, ScriptedGateway]:
        """Both."""
        return self.stage.first, self.stage.second

    def behave(self, gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        """By chance, more or less often a fault."""
        draw = self.chance.random()
        if draw < self.faulty:
            return self.chance.choice(FAULTS)(gateway, text)
        if draw < self.faulty * 1.05:
            return self.chance.choice(RARE)(gateway, text)
        return accept(gateway, text)

    def play(self) -> list[str]:
        """The day, then calm; gives what did not hold."""
        with drawn_by(random.Random(f"names {self.seed}")):
            for _ in range(STEPS):
                self.step()
            unsafe = self.asked(after_calm=False)
            self.calm()
        return unsafe or self.asked(after_calm=True)

    def asked(self, *, after_calm: bool) -> list[str]:
        """What does not hold; what was promised within some time only once faults have stopped."""
        stage = self.stage
        return violations(stage.engine, stage.journal, stage.clock.at, promises=after_calm)

    def step(self) -> None:
        """Time goes by, somebody does something, some of our processes run, some twice."""
        lengths = LONG if self.chance.random() < 0.04 else SHORT
        self.stage.clock.at += timedelta(seconds=self.chance.choice(lengths))
        for _ in range(self.chance.choice((0, 1, 1, 2))):
            self.somebody()
        for _ in range(self.chance.choice((0, 1, 1, 2))):
            sweep(self.stage.service)
        for _ in range(self.chance.choice((0, 1, 1, 2))):
            self.stage.courier.carry(urgent_only=self.chance.random() < 0.3)
        self.receipts()

    def somebody(self) -> None:
        """A plan, or a text from a phone of a dive or from anybody."""
        if not self.dives or (len(self.dives) < 4 and self.chance.random() < 0.25):
            self.file()
            return
        dive = self.stage.dive(self.chance.choice(self.dives))
        sender, says = self.chance.choice(
            (
                (dive.lead.phone or "", DIVERS_SAY),
                (dive.lead.phone or "", DIVERS_SAY),
                (self.chance.choice(dive.contacts).phone or "", CONTACTS_SAY),
                (STRANGER, ANYBODY_SAYS),
            )
        )
        self.text(sender, self.worded(self.chance.choice(says), dive))

    @staticmethod
    def worded(words: str, dive: Dive) -> str:
        """With the dive's reference or codes in it."""
        return words.format(ref=dive.reference, start=dive.start_code, finish=dive.finish_code)

    def file(self) -> None:
        """One more dive, alone or as two, with a time in or without."""
        number = len(self.dives)
        at = self.stage.clock.at + timedelta(minutes=2) if self.chance.random() < 0.3 else None
        contacts = [f"+4477009003{number:02}", SHARED][: self.chance.choice((1, 2, 2))]
        request = plan_of(number, contacts, run_time_min=self.chance.choice((5, 20, 40)), time_in_at=at)
        key = f"form-{number}"
        for _ in range(self.chance.choice((1, 1, 2))):
            filed = file_plan(self.stage.service, CLUB, request, BY_ANNA, request_key=key)
            assert isinstance(filed, PlanFiled), filed
            if not filed.again:
                self.dives.append(filed.dive.id)
                if self.chance.random() < 0.75:
                    self.text(filed.dive.lead.phone or "", f"IN {filed.dive.start_code}")

    def text(self, sender: str, body: str) -> None:
        """It may come twice, be answered twice, or not be answered by the process that took it."""
        name = f"text-{self.stage.texts}"
        for _ in range(self.chance.choice((1, 1, 1, 2))):
            inbound_id = self.stage.receive(sender, body, provider_id=name)
            if inbound_id is not None:
                self.stored.append(inbound_id)
        if self.chance.random() < 0.8:
            for _ in range(self.chance.choice((1, 1, 2))):
                answer_text(self.stage.service, self.chance.choice(self.stored))

    def receipts(self) -> None:
        """For some of what was taken, sometimes twice, sometimes contradicting what was said before."""
        telling = {gateway.name for gateway in self.gateways if gateway.sends_receipts}
        told = [taken for taken in self.stage.journal if taken.gateway in telling]
        for taken in self.chance.sample(told, min(len(told), self.chance.choice((0, 1, 3)))):
            self.stage.receipt(taken, self.verdict(taken))

    def verdict(self, _: Taken) -> ReceiptState:
        """Mostly delivered."""
        return self.chance.choice((ReceiptState.DELIVERED,) * 6 + (ReceiptState.SENT, ReceiptState.FAILED))

    def calm(self) -> None:
        """Nothing fails any more, nobody says anything, and everything runs."""
        self.faulty = self.deadly = 0.0
        for gateway in self.gateways:
            gateway.usually = accept
        for _ in range(CALM_TURNS):
            self.stage.clock.at += CALM_STEP
            self.stage.turn()
