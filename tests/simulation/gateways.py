"""Gateways by chance: each has a journal of what it really took, apart from what it answered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from service.domain.people import Channel
from service.operations.gateway import (
    Accepted,
    Blame,
    CannotTell,
    DeliveryReceipt,
    Found,
    InboundText,
    Lookup,
    NotFound,
    Outcome,
    Outgoing,
    ReceiptState,
    Refused,
    Route,
    Unknown,
)
from service.operations.spooling import KeyPress

if TYPE_CHECKING:
    from tests.simulation.world import World

CALL_MOST_S = 12.0
FROZEN_S = (31.0, 700.0)

REFUSALS = {
    "not_sent": Refused(Blame.TRANSIENT, "connect", "nothing left this machine"),
    "throttled": Refused(Blame.THROTTLED, "429", "too fast", 1.0),
    "throttled_long": Refused(Blame.THROTTLED, "429", "too fast", 3600.0),
    "throttled_mute": Refused(Blame.THROTTLED, "429", "too fast"),
    "filtered": Refused(Blame.FILTERED, "30007", "blocked"),
    "no_route": Refused(Blame.NO_ROUTE, "21408", "not to that country"),
    "number_refused": Refused(Blame.NUMBER, "21211", "no such number"),
    "opted_out_there": Refused(Blame.OPTED_OUT, "21610", "opted out"),
    "account_trouble": Refused(Blame.GATEWAY, "20003", "account suspended"),
    "code_unknown": Refused(Blame.TRANSIENT, "99999", "no such code", unrecognised="99999"),
}
# What comes of a call in which nothing was taken, and what is answered of one in which the message was.
NOT_TAKEN = {"times_out": (CALL_MOST_S, Unknown("no answer within 12 s")), "server_error": (0.3, Unknown("HTTP 503"))}
TAKEN = {"server_error_taken": Unknown("HTTP 502"), "answer_lost": Unknown("cut off"), "code_raises": None}
OF_THE_NUMBER = ("number_refused", "opted_out_there")
DELIVERED, SENT, FAILED = ReceiptState.DELIVERED, ReceiptState.SENT, ReceiptState.FAILED


@dataclass(frozen=True)
class Taken:
    """One message that a gateway really took. `at` is by the clock of who sent it, `true_at` is when it was."""

    number: int
    at: datetime
    gateway: str
    to: str
    body: str
    reference: str
    provider_id: str
    channel: Channel
    true_at: datetime


@dataclass
class SimulatedGateway:
    """One of two. What strikes it is the day's weather."""

    name: str
    world: World
    sends_receipts: bool
    route: Route
    channels: frozenset[Channel]
    taken: list[Taken] = field(default_factory=list)
    inbox: list[InboundText] = field(default_factory=list)
    ids: dict[tuple[str, int], Taken] = field(default_factory=dict)  # with how often each was to be sent anew
    dead_numbers: dict[str, str] = field(default_factory=dict)

    def send(self, message: Outgoing) -> Outcome:
        """Take it or not, and answer something or nothing."""
        world, life = self.world, self.world.acting
        if world.strikes("killed_before_request"):
            life.die()
        answered = self._answer(message)
        if world.strikes("killed_after_request"):
            life.die()
        if world.strikes("frozen_in_call"):
            life.freeze(*FROZEN_S)
        took_s, outcome = answered
        world.loop.sleep(took_s)
        if world.strikes("killed_after_answer"):
            life.die()
        if outcome is None:
            raise GatewayBrokenError("a fault in the gateway's own code")
        return outcome

    def _answer(self, message: Outgoing) -> tuple[float, Outcome | None]:
        world, chance = self.world, self.world.chance
        quick = chance.uniform(0.05, 0.5)
        if self._is_down():
            return (quick, REFUSALS["not_sent"]) if chance.random() < 0.5 else (CALL_MOST_S, Unknown("no answer"))
        if message.to in self.dead_numbers:
            return quick, REFUSALS[self.dead_numbers[message.to]]
        kind = world.first((*REFUSALS, *NOT_TAKEN, *TAKEN))
        if kind in REFUSALS:
            if kind in OF_THE_NUMBER:
                self.dead_numbers[message.to] = kind
            return quick, REFUSALS[kind]
        if kind in NOT_TAKEN:
            return NOT_TAKEN[kind]
        taken = self._take(message)
        if kind is not None:
            return chance.choice((quick, CALL_MOST_S)), TAKEN[kind]
        slow = world.strikes("slow_answer")
        return (chance.uniform(3.0, 11.0) if slow else quick), Accepted(taken.provider_id)

    def _is_down(self) -> bool:
        world = self.world
        if world.strikes("gateways_down"):
            return True
        return world.down == self.name and world.strikes("gateway_down")

    def _take(self, message: Outgoing) -> Taken:
        world = self.world
        known = self.ids.get((message.reference, message.anew))
        if known is not None and world.strikes("taken_once"):
            return known
        number = len(world.journal) + 1
        taken = Taken(
            number,
            world.acting.service.clock.now(),
            self.name,
            message.to,
            message.body,
            message.reference,
            f"{self.name}-{number}",
            message.channel,
            world.loop.now,
        )
        self.taken.append(taken)
        self.ids[message.reference, message.anew] = taken
        world.journal.append(taken)
        world.note(f"{self.name} takes for {message.to}: {message.body}")
        if world.hole == self.name and world.strikes("black_hole"):
            return taken
        if taken.channel is Channel.CALL:
            self._ring(taken)
            return taken
        world.loop.after(world.chance.uniform(1.0, 6.0), lambda: world.deliver(taken))
        if self.sends_receipts and taken.channel is Channel.TEXT:
            self._plan_receipts(taken)
        return taken

    def _ring(self, taken: Taken) -> None:
        """Somebody takes the call and presses a key, the right one or another, or nobody does."""
        world, chance = self.world, self.world.chance
        fate = chance.choices(("key_pressed", "wrong_key", "call_not_taken", None), (5, 1, 4, 1))[0]
        if fate is None:
            return
        world.person(fate)
        if fate == "call_not_taken":
            self._receipt(taken.provider_id, FAILED, chance.uniform(20, 60), is_call=True)
            return
        key = "1" if fate == "key_pressed" else "7"

        def press() -> None:
            pressed = KeyPress(taken.reference, key, self.name, taken.provider_id, {}, world.loop.now)
            world.web.bring(lambda life: life.intake.key(pressed))
            world.deliver(taken)

        world.loop.after(chance.uniform(15, 60), press)

    def _plan_receipts(self, taken: Taken) -> None:
        world, chance = self.world, self.world.chance
        if world.strikes("receipt_lost"):
            return
        after_s = chance.uniform(2.0, 10.0)
        if world.strikes("receipt_early"):
            after_s = 0.0
        elif world.strikes("receipt_late"):
            after_s = chance.uniform(100.0, 1_500.0)
        state = FAILED if world.strikes("receipt_failed") else DELIVERED
        self._receipt(taken.provider_id, state, after_s)
        if world.strikes("receipt_twice"):
            self._receipt(taken.provider_id, state, after_s + chance.uniform(0.0, 60.0))
        if world.strikes("receipt_disordered"):
            self._receipt(taken.provider_id, SENT, after_s + chance.uniform(0.1, 60.0))
        if world.strikes("receipt_contradicted"):
            other = DELIVERED if state is FAILED else FAILED
            self._receipt(taken.provider_id, other, after_s + chance.uniform(0.1, 200.0))
        if world.strikes("receipt_unknown"):
            self._receipt(f"{self.name}-unheard-of", chance.choice((DELIVERED, FAILED)), after_s)

    def _receipt(self, provider_id: str, state: ReceiptState, after_s: float, *, is_call: bool = False) -> None:
        world = self.world

        def come() -> None:
            named = state is FAILED and not is_call
            blame = world.chance.choice((None, Blame.NUMBER, Blame.TRANSIENT)) if named else None
            code = "30005" if state is FAILED else None
            receipt = DeliveryReceipt(self.name, provider_id, state, code, blame, {}, world.loop.now)
            world.web.bring(lambda life: life.intake.receipt(receipt))

        world.loop.after(after_s, come)

    def look_up(self, message: Outgoing, _since: datetime) -> Lookup:
        """Say whether it was taken, or not say it."""
        world = self.world
        world.loop.sleep(world.chance.uniform(0.05, 0.4))
        if self._is_down() or world.strikes("look_up_fails"):
            return CannotTell("no answer")
        if world.strikes("look_up_slow"):
            world.loop.sleep(world.chance.uniform(3.0, 9.0))
        found = [one for one in self.taken if one.reference == message.reference]
        if not found or world.strikes("look_up_lies"):
            return NotFound()
        return Found(found[-1].provider_id)

    def recent_texts(self, since: datetime, _now: datetime) -> Sequence[InboundText] | None:
        """The texts of its list, or nothing that can be read."""
        world = self.world
        world.loop.sleep(world.chance.uniform(0.1, 1.0))
        if self._is_down() or world.strikes("list_unreadable"):
            return None
        listed = [one for one in self.inbox if one.received_at >= since]
        if listed and world.strikes("list_repeats"):
            listed = [*listed, *listed[: len(listed) // 2 + 1]]
        return listed

    def comes_in(self, text: InboundText) -> None:
        """A phone's text has reached it: it posts it to us, as often as it is told."""
        world = self.world
        self.inbox.append(text)
        if world.strikes("text_not_posted") and self.route.lists:
            world.poll_after(world.chance.uniform(1.0, 60.0))
            return
        if world.strikes("text_ahead"):
            text = replace(text, received_at=text.received_at + timedelta(seconds=world.chance.uniform(5, 7200)))
        self._post(text, tries=3)
        if world.strikes("text_twice"):
            world.loop.after(world.chance.uniform(0.0, 90.0), lambda: self._post(text, tries=1))

    def _post(self, text: InboundText, tries: int) -> None:
        world = self.world

        def not_taken() -> None:
            if tries > 1:
                world.loop.after(world.chance.uniform(5.0, 60.0), lambda: self._post(text, tries - 1))
            elif self.route.lists:
                world.poll_after(world.chance.uniform(1.0, 60.0))

        world.web.bring_text(text, not_taken)

    def close(self) -> None:
        """Nothing to release."""


class GatewayBrokenError(RuntimeError):
    """What a gateway's code may raise where it should not."""
