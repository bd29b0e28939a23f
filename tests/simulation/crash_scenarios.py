"""Short scripts in which a process may be killed at any point, and what must have come about all the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta

from sqlalchemy import Engine

from service.domain.dive import Dive, Phase
from service.domain.people import Channel
from service.operations.calling import press
from service.operations.filing import PlanFiled, file_plan
from service.operations.gateway import Blame, DeliveryReceipt, InboundText, ReceiptState, Route, TextPart
from service.operations.gateway_canary import look_after_canaries
from service.operations.inbound import WAITING_AFTER_S, answer_text
from service.operations.intake import drain
from service.operations.plan_reading import NamedPhone
from service.operations.polling import poll
from service.operations.receipts import receive_receipt
from service.operations.receiving import receive_text
from service.operations.spooling import Spool
from service.operations.sweeping import sweep
from tests.operations.stage import (
    ANNA,
    BEGIN_AT,
    BY_ANNA,
    CLEO,
    CLUB,
    DOV,
    OURS,
    Stage,
    Taken,
    lose_the_answer,
    plan,
    plan_of,
    refuse,
)
from tests.simulation.crashes import Crash, Crashes, DeadlyGateway, never
from tests.simulation.saving import Remembering, Saved, brought_back, carries_every_way, new_processes, save

OPERATOR, HARBOUR = "+447700900777", "+441632960123"
SECRET = "s" * 40
OVERDUE = 65 + 1 / 60  # minutes after the start of the usual plan: its raise-by time and a second
CALM_S = (3, 31, 150, 416)  # ten simulated minutes


@dataclass
class World:
    """A stage whose processes may be killed, and what is around it that no crash of ours touches."""

    stage: Stage
    crashes: Crashes
    spool: Spool
    answers: dict[str, int | None] = field(default_factory=dict)
    step: int = 0

    def outlasting(self) -> tuple[object, ...]:
        """What a crash at this instant leaves behind; only a commit, a send or a file on the disk changes it."""
        commits = self.crashes.passed.count("after a commit")
        return self.step, commits, len(self.stage.journal), len(self.spool.waiting())

    @property
    def gateways(self) -> list[DeadlyGateway]:
        """Both, as our processes meet them."""
        return [DeadlyGateway(one, self.crashes) for one in (self.stage.first, self.stage.second)]

    @property
    def dive(self) -> Dive:
        """The first dive as it stands."""
        [dive] = self.dives()[:1]
        return dive

    def dives(self) -> list[Dive]:
        """All dives as they stand, the first that was filed first."""
        return self.stage.all_dives()

    def alerts(self, phone: str) -> list[Taken]:
        """What a phone was told of an alarm."""
        return [one for one in self.stage.journal if one.to == phone and "OVERDUE" in one.body]


@dataclass(frozen=True)
class Step:
    """Something that happens. `again`: whoever asked for it tries once more when no answer came."""

    does: Callable[[World], object]
    again: bool = True


@dataclass(frozen=True)
class Scenario:
    """What was so before, what then happens while a process may die, and what must hold after the calm."""

    name: str
    before: Callable[[Stage], object]
    steps: Sequence[Step]
    holds: Callable[[World], bool]


def prepared(scenario: Scenario, empty: Saved, engine: Engine) -> Saved:
    """The world in which a scenario begins."""
    stage = brought_back(empty, engine)
    scenario.before(stage)
    return save(stage)


def begin(saved: Saved, engine: Engine, spool: Spool) -> World:
    """That world again, with nobody dying yet."""
    for path in spool.waiting():
        spool.drop(path)
    crashes = Crashes()
    return World(brought_back(saved, engine, crashes), crashes, spool)


def play(scenario: Scenario, world: World) -> None:
    """Play it with a process that dies where the world's crashes say so; then all come back, and calm follows."""
    with world.crashes.watching(world.stage.engine):
        for number, step in enumerate(scenario.steps):
            world.step = number
            try:
                step.does(world)
            except Crash:
                come_back(world)
                if step.again:
                    step.does(world)
    world.crashes.dies = never
    calm(world)


def come_back(world: World) -> None:
    """The supervisor starts what died, a second later."""
    world.crashes.revive()
    world.stage.clock.at += timedelta(seconds=1)
    new_processes(world.stage, world.crashes)


def calm(world: World) -> None:
    """Everything runs for ten minutes, and nothing fails."""
    for seconds in CALM_S:
        world.stage.clock.at += timedelta(seconds=seconds)
        for work in (drains, sweeps, asks_for_texts, tests_gateways, carries):
            work(world)


# What happens


def sweeps(world: World) -> object:
    """One sweep."""
    return sweep(world.stage.service)


def carries(world: World) -> object:
    """One round of the courier."""
    return world.stage.courier.carry()


def passes(**length: float) -> Step:
    """Time goes by."""

    def does(world: World) -> None:
        world.stage.clock.at += timedelta(**length)

    return Step(does)


def files(world: World) -> object:
    """A form is sent; the browser sends it again when no answer came."""
    filed = file_plan(world.stage.service, CLUB, plan(), BY_ANNA, request_key="form-1")
    assert isinstance(filed, PlanFiled)
    return filed


def texts(sender: str, body: str, name: str = "posted-1", piece: TextPart | None = None) -> list[Step]:
    """A gateway posts a text, and again until it is acknowledged; only the process that took it answers it at once."""

    def post(world: World) -> None:
        words = body.format(start=world.dive.start_code, ref=world.dive.reference)
        text = InboundText("first", name, sender, OURS, words, {"Body": words}, world.stage.clock.at, piece)
        world.answers[name] = receive_text(world.stage.service, text, authentic=True)

    def answer(world: World) -> None:
        inbound_id = world.answers[name]
        if inbound_id is not None:
            answer_text(world.stage.service, inbound_id)

    return [Step(post), Step(answer, again=False)]


def part(number: int, body: str) -> list[Step]:
    """A gateway posts a part of a long text."""
    return texts(ANNA, body, f"part-{number}", TextPart("7", number, 3))


def failure_to_cleo(world: World) -> DeliveryReceipt:
    """The gateway says of the alert to the first contact that her number takes nothing."""
    alert = world.alerts(CLEO)[0]
    at, failed = world.stage.clock.at, ReceiptState.FAILED
    return DeliveryReceipt(alert.gateway, alert.provider_id, failed, "30005", Blame.NUMBER, {}, at)


def alert_to_cleo_fails(world: World) -> None:
    """That receipt comes."""
    receive_receipt(world.stage.service, failure_to_cleo(world))


def lies_on_the_disk(world: World) -> None:
    """While the database was away a gateway brought that the alert failed, and that all are out."""
    at = world.stage.clock.at + timedelta(microseconds=1)
    world.spool.keep(failure_to_cleo(world))
    world.spool.keep(InboundText("first", "spooled", ANNA, OURS, "OUT 2", {}, at))


def drains(world: World) -> None:
    """What lies on the disk is brought in."""
    drain(world.stage.service, world.spool)


def gets_a_canary(world: World) -> None:
    """A gateway is to be tested."""
    world.stage.first.route = Route(canary=OPERATOR)


def tests_gateways(world: World) -> None:
    """As a worker does every minute."""
    look_after_canaries(world.stage.service, world.gateways)


def asks_for_texts(world: World) -> None:
    """As a worker does every minute."""
    poll(world.stage.service, world.gateways)


def refuses_cleo(world: World) -> None:
    """No gateway takes the first contact's number."""
    for gateway in (world.stage.first, world.stage.second):
        gateway.numbers[CLEO] = refuse(Blame.NUMBER)


def presses_one(world: World) -> None:
    """The contact presses 1 in the call that rings."""
    call = [one for one in world.stage.journal if one.channel is Channel.CALL][-1]
    press(world.stage.service, call.reference, "1", call.gateway, call.provider_id, {"Digits": "1"})


def first_loses_its_answer(world: World) -> None:
    """The gateway takes the next message, and its answer is lost; but it can be asked."""
    world.stage.first.next.append(lose_the_answer)
    for gateway in (world.stage.first, world.stage.second):
        assert isinstance(gateway, Remembering)
        gateway.remembers = True


def lists_a_finish(world: World) -> None:
    """The gateway has a list, and in it a text that it never posted."""
    text = InboundText("first", "never-posted", ANNA, OURS, "OUT 2", {}, world.stage.clock.at)
    world.stage.first.route, world.stage.first.inbox = Route(lists=True), [text]


# What was so before


def nothing(_stage: Stage) -> None:
    """The club as it is set up."""


def filed(stage: Stage) -> None:
    """A plan is filed and not started."""
    stage.file()


def in_water(stage: Stage) -> None:
    """A dive whose clock runs."""
    stage.dive_in()


def overdue(stage: Stage) -> None:
    """The heads-up and both calls have been made, and its raise-by time is just over."""
    stage.dive_in()
    stage.wait(minutes=60)
    stage.sleep(OVERDUE - 60)


def three_overdue(stage: Stage) -> None:
    """Three dives are in alert, and nothing of it has been carried yet."""
    for number in range(3):
        stage.dive_in(plan_of(number))
    stage.wait(minutes=60)
    stage.sleep(OVERDUE - 60)
    sweep(stage.service)


def alarmed(stage: Stage) -> None:
    """The first contact has the alert, by a gateway that sends receipts."""
    stage.first.sends_receipts = stage.second.sends_receipts = True
    overdue(stage)
    stage.turn()


def swept_and_lost(stage: Stage) -> None:
    """An alert waits to be carried."""
    overdue(stage)
    sweep(stage.service)


def ringing(stage: Stage) -> None:
    """The first contact is called: a landline."""
    carries_every_way(stage)
    stage.first.sends_receipts = stage.second.sends_receipts = True
    stage.dive_in(plan(contacts=(NamedPhone("Harbour office", HARBOUR), NamedPhone("Dov Lind", DOV))))
    stage.wait(minutes=60)
    stage.sleep(OVERDUE - 60)
    stage.turn()


def just_closed(stage: Stage) -> None:
    """An alarm that was ended a minute ago."""
    alarmed(stage)
    stage.text(ANNA, "OUT 2")
    stage.sleep(1)


def closed(world: World) -> bool:
    """The dive is over, everybody out."""
    return world.dive.phase is Phase.CLOSED and world.dive.closed_count == world.dive.head_count


SWEEP, CARRY = Step(sweeps), Step(carries)
FINISH = texts(ANNA, "OUT 2")

SCENARIOS = (
    Scenario(
        "a plan is filed and started",
        nothing,
        [Step(files), CARRY, *texts(ANNA, "IN {start}"), CARRY, SWEEP],
        lambda world: len(world.dives()) == 1 and world.dive.live and world.dive.armed_at is not None,
    ),
    Scenario(
        "a text is answered",
        in_water,
        [*texts(ANNA, "STATUS"), CARRY, *texts(ANNA, "cant find my buddy", "worry"), CARRY],
        lambda world: world.dive.raised_note == "cant find my buddy",
    ),
    Scenario(
        "a dive falls due up to its alert",
        in_water,
        [passes(minutes=50), SWEEP, CARRY, passes(minutes=15, seconds=1), SWEEP, CARRY],
        lambda world: [told.key for told in world.dive.alerted] == ["contact-0", "contact-1"],
    ),
    Scenario(
        "a batch of alarms is carried",
        three_overdue,
        [CARRY, CARRY],
        lambda world: all(dive.alarmed for dive in world.dives()),
    ),
    Scenario("a finish stands an alarm down", alarmed, [*FINISH, CARRY, SWEEP, CARRY], closed),
    Scenario(
        "an extension is handed to a contact",
        in_water,
        [passes(minutes=30), *texts(ANNA, "LATE 20"), CARRY, SWEEP],
        lambda world: world.dive.due_out_at == BEGIN_AT + timedelta(minutes=70),
    ),
    Scenario(
        "a receipt makes a contact unreachable",
        alarmed,
        [Step(alert_to_cleo_fails), CARRY, SWEEP],
        lambda world: "contact-0" in world.dive.unreachable and bool(world.alerts(DOV)),
    ),
    Scenario(
        "an alarmed contact opts out",
        alarmed,
        [*texts(CLEO, "STOP"), SWEEP, CARRY],
        lambda world: "contact-0" in world.dive.unreachable and bool(world.alerts(DOV)),
    ),
    Scenario(
        "a refused number passes the alarm on",
        swept_and_lost,
        [Step(refuses_cleo), CARRY, CARRY],
        lambda world: "contact-0" in world.dive.unreachable and bool(world.alerts(DOV)),
    ),
    Scenario(
        "a lost answer is asked about",
        swept_and_lost,
        [Step(first_loses_its_answer), CARRY, passes(seconds=31), CARRY],
        lambda world: bool(world.alerts(CLEO)),
    ),
    Scenario("the spool is drained", alarmed, [Step(lies_on_the_disk), Step(drains), CARRY], closed),
    Scenario(
        "the parts of a text are joined",
        in_water,
        [*part(2, " and have no "), *part(3, "more gas"), *part(1, "SOS we drift north"), CARRY],
        lambda world: world.dive.alarmed and world.dive.raised_note == "we drift north and have no more gas",
    ),
    Scenario(
        "a key in a call is an answer",
        ringing,
        [Step(presses_one), CARRY, SWEEP, CARRY],
        lambda world: [told.key for told in world.dive.acknowledged] == ["contact-0"],
    ),
    Scenario(
        "a gateway is tested",
        filed,
        [Step(gets_a_canary), Step(tests_gateways)],
        lambda world: sum(one.to == OPERATOR for one in world.stage.journal) <= 1,
    ),
    Scenario(
        "a text is found in a list",
        alarmed,
        [Step(lists_a_finish), Step(asks_for_texts), CARRY],
        closed,
    ),
    Scenario(
        "an ended dive is opened again",
        just_closed,
        [
            *texts(ANNA, "SOS", "sos"),
            passes(seconds=WAITING_AFTER_S + 1),
            SWEEP,
            CARRY,
            *texts(CLEO, "OK {ref}", "ok"),
            CARRY,
        ],
        lambda world: world.dive.alarmed and [told.key for told in world.dive.acknowledged] == ["contact-0"],
    ),
)
