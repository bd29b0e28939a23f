"""A whole club in one process: a clock moved by hand, gateways that obey, texts, and time that passes."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event, select
from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.domain.people import Actor, Channel, Role, Via
from service.operations.carrying import Courier
from service.operations.filing import PlanFiled, file_plan
from service.operations.gateway import (
    Accepted,
    Blame,
    CannotTell,
    DeliveryReceipt,
    InboundText,
    Lookup,
    Outcome,
    Outgoing,
    OwnNumber,
    ReceiptState,
    Refused,
    Route,
    Unknown,
)
from service.operations.inbound import answer_text
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.operations.receipts import receive_receipt
from service.operations.receiving import receive_text
from service.operations.service import TEXTS_ONLY, Service
from service.operations.sweeping import sweep
from service.store import admins, clubs, dives, log, outbox, seed
from service.store.engine import open_engine, run
from service.store.log import Entry
from service.store.outbox import Message
from service.store.schema import migrate
from service.store.tables import DiveRow
from tests.servers.migrated import lay_migrated

BEGIN_AT = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)  # 10:00 in the club's zone
ANNA, BRAM = "+447700900001", "+447700900002"
CLEO, DOV, EDDA = "+447700900011", "+447700900012", "+447700900013"
FINN = seed.ADMIN_PHONE
STRANGER = "+447700900099"
CLUB = seed.CLUB_ID
OURS = seed.RECEIVING_NUMBER
BY_ANNA = Actor(Role.DIVER, "Anna Holt", Via.PAGE, "diver-0")
STEP = timedelta(minutes=5)  # the rungs of the usual ladder are multiples of it

Behaviour = Callable[["ScriptedGateway", Outgoing], Outcome]


@dataclass
class HandMovedClock:
    """Stands still until it is moved."""

    at: datetime = BEGIN_AT

    def now(self) -> datetime:
        """Where the hand is."""
        return self.at


@dataclass(frozen=True)
class Taken:
    """One text that a gateway really took: the ground truth, whatever it answered."""

    number: int
    at: datetime
    gateway: str
    to: str
    body: str
    reference: str
    provider_id: str
    channel: Channel = Channel.TEXT


def accept(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
    """Take it and say so."""
    return Accepted(gateway.take(text).provider_id)


def lose_the_answer(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
    """Take it, and let the answer be lost."""
    gateway.take(text)
    return Unknown("the answer was cut off")


def time_out(_: ScriptedGateway, __: Outgoing) -> Outcome:
    """Take nothing and answer nothing."""
    return Unknown("no answer within 8 s")


def break_down(_: ScriptedGateway, __: Outgoing) -> Outcome:
    """Break the promise never to raise."""
    raise RuntimeError("a fault in the gateway's own code")


def refuse(blame: Blame, retry_after_s: float | None = None) -> Behaviour:
    """Refuse it, for that reason."""
    return lambda _, __: Refused(blame, "21000", "refused by the script", retry_after_s)


@dataclass
class ScriptedGateway:
    """A gateway by script: first what is queued in `next`, then for numbers in `numbers`, else `usually`."""

    name: str
    clock: HandMovedClock
    counter: Iterator[int]
    sends_receipts: bool = False
    usually: Behaviour = accept
    next: list[Behaviour] = field(default_factory=list)
    numbers: dict[str, Behaviour] = field(default_factory=dict)
    taken: list[Taken] = field(default_factory=list)
    asked: list[Outgoing] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)
    on_ask: Callable[[Outgoing], None] | None = None
    channels: frozenset[Channel] = TEXTS_ONLY
    route: Route = field(default_factory=Route)
    lookup: Lookup = field(default_factory=lambda: CannotTell("nobody asked"))
    inbox: list[InboundText] | None = None

    def look_up(self, _message: Outgoing, _since: datetime) -> Lookup:
        """Say what the script says."""
        return self.lookup

    def recent_texts(self, _since: datetime, _now: datetime) -> list[InboundText] | None:
        """Give what lies in the inbox, if there is one."""
        return self.inbox

    def send(self, text: Outgoing) -> Outcome:
        """Do what the script says."""
        with self.lock:
            self.asked.append(text)
            behaviour = self.next.pop(0) if self.next else self.numbers.get(text.to, self.usually)
        if self.on_ask is not None:
            self.on_ask(text)
        return behaviour(self, text)

    def take(self, text: Outgoing) -> Taken:
        """Write it into the journal; nothing is ever taken out of it."""
        with self.lock:
            number = next(self.counter)
            name = f"{self.name}-{number}"
            taken = Taken(number, self.clock.at, self.name, text.to, text.body, text.reference, name, text.channel)
            self.taken.append(taken)
        return taken

    def close(self) -> None:
        """Nothing to release."""


@dataclass
class Stage:
    """The service with all around it, and what a test does to it."""

    engine: Engine
    clock: HandMovedClock
    service: Service
    first: ScriptedGateway
    second: ScriptedGateway
    courier: Courier
    texts: int = 0

    def opens_every_way(self) -> None:
        """From now on the gateways carry texts, calls and e-mails, and the service knows it."""
        self.carries_only(*Channel)

    def carries_only(self, *channels: Channel) -> None:
        """From now on the gateways carry these, and the service knows it."""
        self.service = replace(self.service, channels=frozenset(channels))
        self.first.channels = self.second.channels = self.service.channels
        self.courier.close()
        self.courier = courier_of(self.service, [self.first, self.second])

    def sends_from(self, *own_numbers: OwnNumber) -> None:
        """From now on the gateways send from these numbers, and the service knows it."""
        self.service = replace(self.service, own_numbers=own_numbers)

    # What people do

    def file(self, request: PlanRequest | None = None, **given: Any) -> Dive:
        """File a plan that is taken, and let its answer go out."""
        filed = file_plan(self.service, CLUB, request or plan(), BY_ANNA, **given)
        assert isinstance(filed, PlanFiled), filed
        self.courier.carry()
        return filed.dive

    def dive_in(self, request: PlanRequest | None = None) -> Dive:
        """File a plan and go in: the clock runs and is armed."""
        dive = self.file(request)
        self.text(dive.lead.phone or "", f"IN {dive.start_code}")
        return self.dive(dive.id)

    def receive(self, sender: str, body: str, **given: Any) -> int | None:
        """A text reaches us and is stored, no more."""
        self.texts += 1
        values = {"gateway": "first", "provider_id": f"text-{self.texts}", "receiver": OURS, "raw": {"Body": body}}
        values |= {"sender": sender, "body": body, "received_at": self.clock.at}
        authentic = given.pop("authentic", True)
        return receive_text(self.service, InboundText(**(values | given)), authentic=authentic)

    def text(self, sender: str, body: str, **given: Any) -> list[str]:
        """Text us, and let all that follows go out; gives what came back to that phone."""
        before = len(self.to(sender))
        inbound_id = self.receive(sender, body, **given)
        assert inbound_id is not None
        answer_text(self.service, inbound_id)
        self.courier.carry()
        return self.to(sender)[before:]

    def receive_and_answer(self, sender: str, body: str) -> None:
        """A text reaches us and is acted on; whatever it causes waits for a courier."""
        inbound_id = self.receive(sender, body)
        assert inbound_id is not None
        self.answer(inbound_id)

    def answer(self, inbound_id: int) -> None:
        """As the web process does once a text is stored."""
        answer_text(self.service, inbound_id)

    def until(self, holds: Callable[[], bool], within_s: float = 15.0) -> bool:
        """Whether it comes to hold within so many real seconds."""
        give_up_at = time.monotonic() + within_s
        while not holds() and time.monotonic() < give_up_at:
            time.sleep(0.02)
        return holds()

    def wait(self, length: timedelta | None = None, *, minutes: float = 0, step: timedelta = STEP) -> None:
        """Let time pass as it does: a sweep and a courier at every step."""
        end = self.clock.at + (length or timedelta(minutes=minutes))
        while self.clock.at < end:
            self.clock.at = min(end, self.clock.at + step)
            self.turn()

    def turn(self) -> None:
        """One sweep, one round of the courier."""
        sweep(self.service)
        self.courier.carry()

    def sleep(self, minutes: float) -> None:
        """Time passes and nobody works."""
        self.clock.at += timedelta(minutes=minutes)

    def receipt(self, taken: Taken, state: ReceiptState, **given: Any) -> None:
        """A gateway says what became of a text."""
        values = {"gateway": taken.gateway, "provider_id": taken.provider_id, "state": state}
        values |= {"code": None, "blame": None, "raw": {}, "received_at": self.clock.at}
        receive_receipt(self.service, DeliveryReceipt(**(values | given)))

    # What a test looks at

    @property
    def journal(self) -> list[Taken]:
        """All that the gateways took, in order."""
        return sorted(self.first.taken + self.second.taken, key=lambda taken: taken.number)

    def to(self, phone: str) -> list[str]:
        """What reached a phone, in order."""
        return [taken.body for taken in self.journal if taken.to == phone]

    def last_to(self, phone: str) -> str:
        """The last text to a phone."""
        return self.to(phone)[-1]

    def dive(self, dive_id: str) -> Dive:
        """The dive as it stands."""
        dive = self.service.read(lambda session: dives.get(session, dive_id))
        assert dive is not None
        return dive

    def all_dives(self) -> list[Dive]:
        """Every dive as it stands, the first that was filed first."""

        def work(session: Session) -> list[Dive]:
            ids = session.execute(select(DiveRow.id).order_by(DiveRow.filed_at, DiveRow.reference)).scalars()
            return [dive for dive_id in ids if (dive := dives.get(session, dive_id)) is not None]

        return self.service.read(work)

    def messages(self, dive_id: str) -> list[Message]:
        """Its messages as they stand."""
        return self.service.read(lambda session: outbox.of_dive(session, dive_id))

    def message(self, dive_id: str, person: str, step: str) -> Message:
        """The one message of a step to a person."""
        [found] = [
            one for one in self.messages(dive_id) if one.person_key == person and one.step.rpartition("-")[0] == step
        ]
        return found

    def entries(self, dive: Dive | None = None, *, chain: str | None = None) -> list[Entry]:
        """The log of a dive, or of another chain."""
        name = chain or log.dive_chain(dive.id if dive else "")
        return self.service.read(lambda session: log.entries(session, name))

    def kinds(self, dive: Dive) -> list[str]:
        """The kinds of its entries, in order."""
        return [entry.kind for entry in self.entries(dive)]


def plan(**changes: Any) -> PlanRequest:
    """A plan that is taken: two divers, two contacts, two exits, fifty minutes, started by IN."""
    usual = PlanRequest(
        site="LANTERN",
        run_time_min=50,
        lead=NamedPhone("Anna Holt", "07700 900001"),
        party=(NamedPhone("Bram Vik", "07700 900002"),),
        contacts=(NamedPhone("Cleo Marsh", CLEO), NamedPhone("Dov Lind", DOV)),
        exits=("East beach", "West steps"),
    )
    return replace(usual, **changes)


def plan_of(number: int, contacts: Sequence[str] = (), **changes: Any) -> PlanRequest:
    """A plan of another lone diver, the `number`th, with contacts of their own unless given."""
    phones = contacts or (f"+4477009002{number:02}", f"+4477009003{number:02}")
    return plan(
        lead=NamedPhone(f"Diver {number}", f"+4477009001{number:02}"),
        party=(),
        contacts=tuple(NamedPhone(f"Contact {place} of {number}", phone) for place, phone in enumerate(phones)),
        **changes,
    )


@contextmanager
def staged(url: str, clock: HandMovedClock | None = None) -> Iterator[Stage]:
    """A stage on an empty database."""
    clock = clock or HandMovedClock()
    engine = open_engine(url)
    if engine.dialect.name == "sqlite":
        # No power cut is played here, and waiting for the disk would be most of the time.
        event.listen(engine, "connect", lambda connection, _: connection.execute("PRAGMA synchronous = OFF"))
    prepare(engine, clock.at)
    stage = stage_on(engine, clock)
    yield stage
    stage.courier.close()
    engine.dispose()


def prepare(engine: Engine, now: datetime) -> None:
    """The current schema and the club."""
    if engine.dialect.name == "sqlite" and not Path(engine.url.database or "").exists():
        lay_migrated(engine.url)
    else:
        migrate(engine)
    run(engine, lambda session: _seed(session, now))


def stage_on(engine: Engine, clock: HandMovedClock) -> Stage:
    """A stage on a database that is prepared."""
    service = Service(engine, clock, "https://dive.example", "test-1")
    counter = itertools.count(1)
    first, second = (ScriptedGateway(name, clock, counter) for name in ("first", "second"))
    return Stage(engine, clock, service, first, second, courier_of(service, [first, second]))


class _Slept:
    """Real time, in which whoever sleeps wakes at once: no slot opens while the clock stands, however long it is."""

    def __init__(self) -> None:
        self._s = 0.0

    def monotonic(self) -> float:
        """Real seconds and those slept."""
        return time.monotonic() + self._s

    def sleep(self, seconds: float) -> None:
        """Have slept for so long."""
        self._s += seconds


def courier_of(service: Service, gateways: Sequence[ScriptedGateway]) -> Courier:
    """A courier that waits for a sender's slot without anybody having to."""
    slept = _Slept()
    return Courier(service, gateways, slept.monotonic, slept.sleep)


def _seed(session: Any, now: datetime) -> None:
    clubs.add(
        session,
        club_id=CLUB,
        name=seed.CLUB_NAME,
        country="GB",
        zone=seed.ZONE,
        receiving_number=OURS,
        rescue_call=seed.RESCUE_CALL,
    )
    # Hashing a password is slow on purpose, and nobody signs in here.
    admins.add(
        session,
        club_id=CLUB,
        name=seed.ADMIN_NAME,
        email=seed.ADMIN_EMAIL,
        phone=FINN,
        password_hash="nobody signs in",
        now=now,
    )
    seed.seed(session, now, admin_password="not used")


@contextmanager
def counted_statements(engine: Engine) -> Iterator[list[str]]:
    """The statements that are run meanwhile."""
    seen: list[str] = []

    def note(_: Any, __: Any, statement: str, *___: Any) -> None:
        seen.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    try:
        yield seen
    finally:
        event.remove(engine, "before_cursor_execute", note)
