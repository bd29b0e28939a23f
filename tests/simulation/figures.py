"""What is measured of a day: how late its alarms were, and a fingerprint of all that was sent and logged."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from tests.simulation.faults import AWAY

if TYPE_CHECKING:
    from tests.simulation.gateways import Taken
    from tests.simulation.world import World

ALARMS = ("alert-", "next_contact-", "distress-", "outage-")  # whoever is told first
SINGLE_MOST_S, AWAY_MOST_S = 60.0, 180.0
AWAY_AFTER = 3  # refusals by each gateway, one after the other: chance has taken both away


@dataclass
class Alarm:
    """One alarm that fell due and was taken: how long that took, and under which faults."""

    dive: str
    took_s: float
    faults: frozenset[str]
    refused: int = 0  # so often by each of the gateways

    @property
    def under(self) -> str:
        """Which figure holds for it."""
        if not self.faults:
            return "none"
        if len(self.faults) == 1:
            return "away" if self.faults <= set(AWAY) or self.refused >= AWAY_AFTER else "single"
        return "several"


@dataclass
class Played:
    """What came of a day."""

    seed: int
    broken: list[str]
    counts: Counter[str]
    people: Counter[str]
    most_at_once: int
    dives: int
    canary_dives: int
    texts: int
    messages: int
    alarms: list[Alarm]
    prints: str  # of the journal and the log


def alarms_of(world: World) -> list[Alarm]:
    """How long each alarm took from due to taken, on days whose clock was right: the clock's, and called ones."""
    if not world.machine.was_right or world.weather.counts["clocks_apart"]:
        return []
    due: dict[str, datetime] = {}
    first: dict[str, datetime] = {}
    message: dict[str, str] = {}
    for taken in world.journal:
        found = world.database.row(
            "SELECT dive_id, step, due_at FROM messages WHERE id = ? AND priority <= 1", taken.reference
        )
        if found is None or found[0] is None or not found[1].startswith(ALARMS):
            continue
        first.setdefault(found[0], taken.true_at)
        message.setdefault(found[0], taken.reference)
        if found[1].startswith("alert-"):
            due.setdefault(found[0], world.database.instant(found[2]))
    return [
        Alarm(
            dive,
            (first[dive] - _could_go_at(world, at, first[dive])).total_seconds(),
            _faults(world, at, first[dive]),
            _refused(world, message[dive]),
        )
        for dive, at in due.items()
    ] + _called(world)


def _called(world: World) -> list[Alarm]:
    """Each call for help about a dive that is over, or about none, where at most database or every gateway was away.

    Of the one whoever reads its words in a message of a dive is told; of the other its sender must be answered. One
    that nobody ever reads is as late as the day is long.
    """
    found = []
    told = [(words, at, [one for one in world.journal if words in one.body]) for words, at in world.truth.calls]
    told = [(words, at, [one for one in taken if _is_of_dive(world, one)]) for words, at, taken in told]
    told += [(phone, at, [one for one in world.journal if one.to == phone]) for phone, at in world.truth.waits]
    for words, at, answers in told:
        taken = [one.true_at for one in answers]
        told_at = min((one for one in taken if one >= at), default=world.loop.now)
        faults = _faults(world, at, min(told_at, at + timedelta(seconds=AWAY_MOST_S)))
        if faults <= set(AWAY):
            found.append(Alarm(words, (told_at - _could_go_at(world, at, told_at)).total_seconds(), faults))
    return found


def _is_of_dive(world: World, taken: Taken) -> bool:
    """Whether a message belongs to a dive; what an admin is told of a phone that nobody knows does not."""
    found = world.database.row("SELECT dive_id FROM messages WHERE id = ?", taken.reference)
    return found is not None and found[0] is not None


def _faults(world: World, begin: datetime, end: datetime) -> frozenset[str]:
    """The kinds of fault from due to taken; several processes that stood still at once are several faults."""
    stood = {f"{name} stood still" for name, since, until in world.stood if since <= end and begin <= until}
    return frozenset(world.weather.between(begin, end) | (stood if len(stood) > 1 else set()))


def _refused(world: World, message_id: str) -> int:
    """How often each gateway has refused a message, at least."""
    found = world.database.rows(
        "SELECT gateway, count(*) FROM attempts WHERE message_id = ? AND outcome <> 'accepted' GROUP BY gateway",
        message_id,
    )
    times = dict(found)
    return min(times.get(one.name, 0) for one in world.gateways)


def _could_go_at(world: World, due_at: datetime, taken_at: datetime) -> datetime:
    """From when an alarm could go: no service has it taken while every gateway is away."""
    back = [spell.end for spell in world.weather.spells if spell.kind == "gateways_down"]
    return max([due_at, *(end for end in back if due_at < end <= taken_at)])


def prints(world: World) -> str:
    """A fingerprint of the journal and the log."""
    told = [(one.at.isoformat(), one.gateway, one.to, one.body) for one in world.journal]
    log = world.database.rows("SELECT chain, seq, hash FROM log_entries ORDER BY id")
    return hashlib.sha256(repr((told, log)).encode()).hexdigest()


def late(alarms: Sequence[Alarm]) -> list[str]:
    """Alarms that took longer than what is stated."""
    most = {"none": SINGLE_MOST_S, "single": SINGLE_MOST_S, "away": AWAY_MOST_S}
    return [
        f"late: the alarm of dive {one.dive} took {one.took_s:.0f} s under {sorted(one.faults)}"
        for one in alarms
        if one.took_s > most.get(one.under, float("inf"))
    ]
