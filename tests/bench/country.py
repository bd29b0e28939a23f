"""A country's dives as jobs for the simulation of queues: how many texts a dive makes is asked of the heart.

In a steady state each kind of happening comes by chance at a constant rate, so no dive need be followed: with N dives
in the water at once for an hour each, N / 3600 start every second, and as many end.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from service.domain.codes import make_code
from service.domain.dive import Dive, decide, evolve
from service.domain.dive.commands import FilePlan, Finish, NoteHanded, Start, Tick
from service.domain.encoding import segments
from service.domain.grace import GracePeriods
from service.domain.people import Actor, Channel, Role, Via
from service.domain.place.position import Position
from service.domain.place.site import SitePlan
from service.domain.plan import Contact, DivePlan, Diver
from service.domain.wording import messages_for
from tests.bench.queues import Job, Leg

IN_WATER_S = 3_600.0
GRACE_S = 15 * 60.0
LEARNED_S = 12.0  # the longest call to a gateway; then couriers know that it does not answer

# How often each happens to one dive: assumptions of ours, said so in docs/scale.md.
SHARES = {"start": 1.0, "heads_up": 0.5, "due_out": 0.15, "second_call": 0.05, "alert": 0.01, "finish": 1.0}


@dataclass(frozen=True, slots=True)
class Costs:
    """Seconds of one core for each thing, the database's own work apart. Measured by `make bench`."""

    decide: float
    carry: float
    take_in: float
    database_a_decision: float
    database_a_message: float


@dataclass(frozen=True, slots=True)
class Text:
    """One text of a happening."""

    priority: int
    segments: int


@dataclass(frozen=True, slots=True)
class Gateways:
    """Two gateways of so many segments a second each; the first is shut from when until when, if at all."""

    segments_per_s: float
    shut: tuple[float, float] | None = None


def texts_of_a_dive() -> dict[str, tuple[Text, ...]]:
    """What each happening of a dive of two with three contacts makes us send, by rules and wording as they are."""
    by = Actor(Role.DIVER, "Diver 1", Via.TEXT, "diver-0", "+447700900001", "IN")
    begin = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
    dive = _after(None, _filing(by), begin)[0]
    dive, start = _after(dive, Start(by=by), begin)
    dive, armed = _after(dive, NoteHanded("start_notice", "contact-0"), begin)
    found = {"start": start + armed, "finish": _after(dive, Finish(by=by), begin + timedelta(minutes=45))[1]}
    for kind, minutes in (("heads_up", 40), ("due_out", 50), ("second_call", 55), ("alert", 65)):
        dive, found[kind] = _after(dive, Tick(), begin + timedelta(minutes=minutes))
    return found


def _filing(by: Actor) -> FilePlan:
    plan = DivePlan(
        site=SitePlan(
            name="Lantern Cove",
            zone="Europe/London",
            rescue_call="07700 900999 (practice rescue desk)",
            position=Position(47.12345, -20.54321),
        ),
        party=(Diver("Anna Holt", "+447700900001"), Diver("Bram Vik", "+447700900002")),
        contacts=tuple(
            Contact(name, f"+44770090001{place}") for place, name in enumerate(("Cleo Marsh", "Dov Lind", "Edda Rowe"))
        ),
        run_time=timedelta(minutes=50),
        exits=("East beach", "West steps"),
    )
    return FilePlan(
        by=by,
        dive_id="country",
        club_id="skerry-bay",
        club_name="Skerry Bay Divers",
        reference="7K",
        start_code=make_code(1, 7),
        finish_code=make_code(2, 7),
        plan=plan,
        grace=GracePeriods(),
    )


def _after(dive: Dive | None, command: object, at: datetime) -> tuple[Dive, tuple[Text, ...]]:
    events = decide(dive, command, at)  # type: ignore[arg-type]
    assert isinstance(events, tuple), events
    texts: list[Text] = []
    for event in events:
        dive = evolve(dive, event)
        drafts = [draft for draft in messages_for(dive, event) if draft.channel is Channel.TEXT and draft.to.phone]
        texts += [Text(int(draft.kind), len(segments(draft.text).parts)) for draft in drafts]
    assert dive is not None
    return dive, tuple(texts)


def jobs(dives: int, seconds: float, costs: Costs, gateways: Gateways, seed: int = 1) -> Iterator[Job]:
    """Everything that so many dives in the water at once bring in that time, in the order of their times.

    While the first gateway is shut, half of the divers cannot text either: who would have come out in that time is
    overdue until it opens, and then they all text at once.
    """
    texts = texts_of_a_dive()
    a_second = dives / IN_WATER_S
    kinds = [
        _happening(kind, a_second * share, seconds, random.Random(f"{kind} {seed}"), gateways)
        for kind, share in SHARES.items()
    ]
    if gateways.shut is not None:
        kinds.append(_overdue(a_second / 2, gateways.shut, random.Random(f"overdue {seed}")))
    numbered = random.Random(f"gateway {seed}")
    for at_s, kind in heapq.merge(*kinds):
        yield from _jobs_of(at_s, kind, texts[kind], costs, gateways, numbered)


def _happening(
    kind: str, a_second: float, seconds: float, chance: random.Random, gateways: Gateways
) -> list[tuple[float, str]]:
    times = list(_by_chance(a_second, 0.0, seconds, chance))
    if gateways.shut is not None and kind == "finish":
        begin, end = gateways.shut
        cut_off = [begin <= at_s < end and chance.random() < 0.5 for at_s in times]
        times = sorted(end + chance.uniform(0, 60) if cut else at_s for at_s, cut in zip(times, cut_off, strict=True))
    return [(at_s, kind) for at_s in times]


def _by_chance(a_second: float, begin: float, end: float, chance: random.Random) -> Iterator[float]:
    now = begin
    while a_second and (now := now + chance.expovariate(a_second)) < end:
        yield now


def _overdue(a_second: float, shut: tuple[float, float], chance: random.Random) -> list[tuple[float, str]]:
    """Alerts of those who cannot ring back: from a grace period after the network went until it is back."""
    return [(at_s, "alert") for at_s in _by_chance(a_second, shut[0] + GRACE_S, shut[1], chance)]


def _jobs_of(
    at_s: float, kind: str, texts: tuple[Text, ...], costs: Costs, gateways: Gateways, chance: random.Random
) -> Iterator[Job]:
    """First the deciding, then each text on a way of its own."""
    before: tuple[Leg, ...] = (("cores", costs.decide), ("database", costs.database_a_decision))
    if kind in ("start", "finish"):
        before = (("cores", costs.take_in), *before)
    for text in texts:
        carried = (("cores", costs.carry), ("database", costs.database_a_message))
        by = _gateway(at_s, text.segments / gateways.segments_per_s, gateways, chance)
        yield Job(at_s, kind, text.priority, (*before, *carried, *by))
        before = ()


def _gateway(at_s: float, seconds: float, gateways: Gateways, chance: random.Random) -> tuple[Leg, ...]:
    """One of them; while the first is shut the second, and until that is known a try at the first before it."""
    if gateways.shut is None or not gateways.shut[0] <= at_s < gateways.shut[1]:
        return ((chance.choice(("gateway 1", "gateway 2")), seconds),)
    if at_s < gateways.shut[0] + LEARNED_S and chance.random() < 0.5:
        return (("a try", LEARNED_S), ("gateway 2", seconds))
    return (("gateway 2", seconds),)
