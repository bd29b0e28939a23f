"""One simulated day by its seed: everything of ours in one process, people and gateways around it, and what goes wrong.

For 23 hours faults rain, and what must never happen is asked; then they stop, and what was promised must come about.
"""

from __future__ import annotations

import logging
import random
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

from service.domain.people import Channel
from service.operations import carrying, intake, merging, outage_carrying, spooling
from service.operations.breaking import tell_relief
from service.operations.checkpointing import write_checkpoint
from service.operations.gateway import Route
from service.operations.gateway_canary import look_after_canaries
from service.operations.polling import poll
from service.operations.service import TEXTS_ONLY
from tests.checker.questions import violations
from tests.fakes.drawn import drawn_by
from tests.operations.stage import OURS
from tests.simulation.canary_day import CanaryDay
from tests.simulation.carrier import Said, bring
from tests.simulation.casting import share_out
from tests.simulation.clocks import Believed, MachineClock
from tests.simulation.database import Database
from tests.simulation.duties import Duties, looks
from tests.simulation.faults import CLOCK_KINDS, KINDS, PEOPLE, Spell, Weather, draw_weather, habits, weather_of
from tests.simulation.figures import SINGLE_MOST_S, Played, alarms_of, late, prints
from tests.simulation.gateways import SimulatedGateway, Taken
from tests.simulation.loop import Loop, SimulatedPool, Waited
from tests.simulation.marks import Marks
from tests.simulation.people import Hears, Party
from tests.simulation.processes import AWAY_ROLES, RESTART_S, DoubtfulSpool, Life, Process, Web, is_expected
from tests.simulation.truth import Truth

HOURS = 24
FAULTS_FOR = timedelta(hours=23)
# Days that have something of their own: clocks that change, a leap day, a year that ends.
BEGINS = (
    *(
        datetime(2027, 6, 1, 4, tzinfo=UTC),
        datetime(2027, 3, 27, 18, tzinfo=UTC),
        datetime(2027, 10, 30, 16, tzinfo=UTC),
    ),
    *(
        datetime(2028, 2, 28, 20, tzinfo=UTC),
        datetime(2027, 12, 31, 12, tzinfo=UTC),
        datetime(2027, 8, 14, 5, tzinfo=UTC),
    ),
)
MERGED_WITHIN = timedelta(minutes=1)
KEEPER_LOOKS_S = 9.0
DISAGREE = ("clock_slow", "clock_stops", "clock_back", "clock_lost", "clock_corrected", "clocks_apart")
# Questions that compare what two processes have stamped; and what one may have stamped long before it was there to see.
BETWEEN_CLOCKS = ("after-close:", "priority:", "unreached:", "answer-last:")
LONG_STAMPED = ("priority:", "answer-last:")
CANARY_PHONE = "+447700900990"


class _Errors(logging.Handler):
    """What the service swallowed and logged."""

    def __init__(self, world: World) -> None:
        super().__init__(logging.ERROR)
        self._world = world

    def emit(self, record: logging.LogRecord) -> None:
        """Keep what nobody could expect."""
        fault = record.exc_info[1] if record.exc_info else None
        if fault is not None and record.msg != "gateway_raised":
            self._world.raised(record.msg, fault)


class World:
    """The whole of one day."""

    def __init__(
        self,
        seed: int,
        database: Database,
        *,
        trace: list[str] | None = None,
        spoil: Callable[[World], bool] | None = None,
        kinds: Sequence[str] | None = None,
        cases: Sequence[str] | None = None,
    ) -> None:
        self.seed = seed
        self.spoil, self.spoiled = spoil, False
        self.database = database
        self.trace = trace
        self.chance = random.Random(f"day {seed}")  # small numbers alone draw alike
        self.loop = Loop(self.chance.choice(BEGINS) + timedelta(minutes=self.chance.uniform(0, 60)))
        self.begins_at = self.loop.now
        self.clears_at = self.begins_at + FAULTS_FOR
        self.machine = MachineClock(self.loop)
        self.believed = Believed(self.loop, self.machine)
        self.people: Counter[str] = Counter()
        self.journal: list[Taken] = []
        self.texts = 0
        self.truth = Truth()
        self.unexpected: list[str] = []
        self._noted: dict[str, Spell] = {}
        self.parties: dict[str, Hears] = {}
        self.changed = True
        self.marks = Marks(self)
        self.stood: list[tuple[str, datetime, datetime]] = []  # which process stood still from when to when
        self.every_way = self.chance.random() < 0.2  # calls and e-mails too
        self.planned = self._parties(self.chance.choice((4, 5, 5, 6, 7)))
        share_out(self, kinds and () if cases is None else cases)
        self.weather = self._weather(kinds)
        self.wordy = any(spell.kind in ("parts_disordered", "part_lost") for spell in self.weather.spells)
        lists = self.chance.random() < 0.7
        self.channels = frozenset(Channel) if self.every_way else TEXTS_ONLY
        self.down, self.hole = (self.chance.choice(("first", "first", "second")) for _ in range(2))
        self.gateways = tuple(
            SimulatedGateway(
                name,
                self,
                self.chance.random() < 0.6,
                Route(canary=CANARY_PHONE, lists=lists or name == "first"),
                self.channels,
            )
            for name in ("first", "second")
        )
        self.spool_at = Path(tempfile.mkdtemp(prefix="simulated-"))
        self.spool = DoubtfulSpool(self.spool_at / "spool", "a secret of the simulation")
        self.spool.is_full = lambda: self.strikes("disk_full")
        self.spool.make()
        self.web = Web(self, "web", 1)
        self.sweepers = [Process(self, "sweeper", number) for number in (1, 2)]
        self.couriers = [Process(self, "courier", number) for number in (1, 2)]
        self.keeper = Process(self, "keeper", 1)
        self.upkeep = Process(self, "upkeep", 1)
        self.duties = Duties(self)
        self.canary_day = CanaryDay(self)
        self.nudged = False

    def _parties(self, count: int) -> list[Party]:
        """Some close together, so that what befalls one befalls the other too."""
        found: list[Party] = []
        for number in range(count):
            near = found and self.chance.random() < 0.4
            after = timedelta(minutes=self.chance.uniform(0, 30) if near else self.chance.uniform(20, 1_140))
            at = (found[-1].files_at if near else self.begins_at) + after
            found.append(Party(self, number, at, random.Random(f"party {self.seed} {number}")))
        return found

    def _weather(self, named: Sequence[str] | None) -> Weather:
        mood = self.chance.random()
        kinds = (
            0
            if mood < 0.1
            else 1
            if mood < 0.3
            else self.chance.randint(2, 5)
            if mood < 0.6
            else self.chance.randint(6, 16)
        )
        moments = [moment for party in self.planned for moment in (party.goes_in_at, party.due_at)]
        chance = random.Random(f"weather {self.seed}")
        if named is not None:
            return Weather(chance, weather_of(named, moments, self.clears_at))
        spells = draw_weather(chance, moments, self.clears_at, kinds)
        always = habits(self.seed, self.begins_at, self.begins_at + timedelta(hours=HOURS + 1))
        return Weather(chance, spells + always)

    # What the parts ask of the world

    @property
    def acting(self) -> Life:
        """The process that runs now."""
        body = self.loop.current.body if self.loop.current else None
        assert isinstance(body, Life)
        return body

    def strikes(self, kind: str) -> bool:
        """Whether this kind of fault strikes here and now."""
        if kind not in self.weather.kinds:
            return False
        struck = self.weather.strikes(kind, self.loop.now)
        if struck and self._noted.get(kind) != (spell := self.weather.about(kind, self.loop.now)):
            self.note(f"FAULT {kind}")
            if spell is not None and spell.rate == 1.0:  # once for all that it does
                self._noted[kind] = spell
        return struck

    def first(self, kinds: Sequence[str]) -> str | None:
        """The first of these kinds that strikes."""
        return next((kind for kind in kinds if self.strikes(kind)), None)

    def person(self, kind: str) -> None:
        """Somebody behaves so."""
        assert kind in PEOPLE, kind
        self.people[kind] += 1

    def note(self, words: str) -> None:
        """One line of the day, for whoever looks into it."""
        if self.trace is not None:
            body = self.loop.current.body if self.loop.current else None
            self.trace.append(
                f"{self.loop.now:%d %H:%M:%S.%f} {body.name if isinstance(body, Life) else '-':<12} {words}"
            )

    def raised(self, where: str, fault: BaseException) -> None:
        """A process raised something; it is held against the service unless the day itself did it."""
        self.note(f"{where} raised {fault!r}"[:300])
        if not is_expected(fault):
            self.unexpected.append(f"raised: {where}: {type(fault).__name__}: {fault}"[:300])

    def nudge(self) -> None:
        """A process hurries the couriers through the broker, which may lose it."""
        self.changed = True
        if self.nudged or self.weather.about("broker_away", self.loop.now) or self.strikes("nudge_lost"):
            return
        self.nudged = True
        twice = self.strikes("nudge_twice")

        def come() -> None:
            self.nudged = False
            self.duties.carry()
            if twice:
                self.duties.carry()

        self.loop.after(self.chance.uniform(0.005, 0.1), come)

    def sign_of_life(self) -> None:
        """While nothing was to do, sweeps and canaries have gone on every second; one was just before now."""
        now = self.loop.now
        alive = [one for one in self.sweepers if one.running and one.up_at <= now - timedelta(seconds=2)]
        away = any(self.weather.about(kind, now) for kind in ("broker_away", "database_away"))
        if alive and not away and not self.marks.none_yet:
            self.database.sign_of_life(self.believed.now() - timedelta(seconds=self.chance.random()))

    def phase_of(self, dive_id: str) -> str:
        """How a dive stands."""
        found = self.database.row("SELECT phase FROM dives WHERE id = ?", dive_id)
        return found[0] if found else ""

    def deliver(self, taken: Taken) -> None:
        """A text reaches a phone."""
        found = self.database.row("SELECT kind, dive_id FROM messages WHERE id = ?", taken.reference)
        if found is None or found[1] not in self.parties:
            return
        self.parties[found[1]].hears(taken, found[0])

    def text(self, sender: str, body: str, means: set[str] | None, to: str = OURS, lies_min: float = 0.0) -> str:
        """Somebody texts us about these dives, or one that comes of it; it may lie on its way for so many minutes."""
        self.texts += 1
        self.note(f"{sender} texts{'' if to == OURS else ' to ' + to}: {body}")
        if means is not None:
            self.truth.said(sender, body, means)
        name = f"text-{self.texts}"
        bring(self, Said(sender, body, name, to), lies_min * 60)
        return name

    def poll_after(self, seconds: float) -> None:
        """The list of a gateway is asked for once a minute; only where something new is in it must it be played."""

        def come() -> None:
            if self.weather.about("broker_away", self.loop.now) or not self.upkeep.free:
                self.poll_after(20.0)
                return
            self.upkeep.act(lambda life: poll(life.service, self.gateways), lambda: self.poll_after(30.0))

        self.loop.after(seconds, come)

    # The day

    def play(self) -> Played:
        """The day, then calm; gives what did not hold, and figures."""
        self.database.begin_day(self.believed.now())
        try:
            names = random.Random(f"names {self.seed}")
            with drawn_by(names), self._waiting(), self._heeding():
                self._plan()
                broken = self._play()
        finally:
            self.keeper.kill(self.loop.now)
            self.database.is_away = None
            self.loop.end()
            shutil.rmtree(self.spool_at, ignore_errors=True)
        alarms = alarms_of(self)
        broken += [] if broken else [*self.unexpected, *late(alarms), *self.truth.broken(self.database)]
        messages = self.database.row("SELECT count(*) FROM messages")
        return Played(
            self.seed,
            broken,
            Counter({kind: count for kind, count in self.weather.counts.items() if kind in KINDS}),
            self.people,
            self.weather.most_at_once,
            len(self.parties),
            len(self.canary_day.dives),
            self.texts,
            messages[0] if messages else 0,
            alarms,
            prints(self),
        )

    @contextmanager
    def _waiting(self) -> Iterator[None]:
        """Whatever waits waits in simulated time."""
        # What lies on the disk has real times.
        ours = SimpleNamespace(monotonic=self.loop.monotonic, sleep=self.loop.sleep, time=time.time)
        with ExitStack() as patched:
            for module in (intake, merging, outage_carrying, spooling):
                patched.enter_context(patch.object(module, "time", ours))
            for module in (carrying, outage_carrying):
                patched.enter_context(patch.object(module, "wait", self.wait))
            pool = patch.object(
                outage_carrying, "ThreadPoolExecutor", lambda **_: SimulatedPool(self.loop, self.acting)
            )
            patched.enter_context(pool)
            yield

    @contextmanager
    def _heeding(self) -> Iterator[None]:
        """See what our code logs as an error, and keep it from whoever else looks."""
        errors = _Errors(self)
        loggers = [logging.getLogger(name) for name in ("service", "workers")]
        for logger in loggers:
            logger.propagate = False
            logger.addHandler(errors)
        try:
            yield
        finally:
            for logger in loggers:
                logger.removeHandler(errors)
                logger.propagate = True

    def _play(self) -> list[str]:
        for hour in sorted(self.chance.sample(range(3, 23), 2)):
            self.run_until(self.begins_at + timedelta(hours=hour))
            # What a keeper told without the database is brought into it once it is back.
            while spell := self.weather.about("database_away", self.loop.now - MERGED_WITHIN):
                self.run_until(spell.end + MERGED_WITHIN)
            broken = self.asked(promises=False)
            if broken:
                return broken
        self.run_until(self.clears_at)
        self.note("CALM: no fault any more")
        self.run_until(self.clears_at + timedelta(minutes=4))
        broken = self.asked(promises=True)
        if not broken:
            self.run_until(self.begins_at + timedelta(hours=HOURS))
            self.spoiled = self.spoil is not None and self.spoil(self)
            broken = self.asked(promises=True) or self.undrained()
        return broken

    def asked(self, *, promises: bool) -> list[str]:
        """What does not hold. Where clocks disagreed, instants that two of them gave cannot be compared."""
        self.database.is_away, away = None, self.database.is_away
        found = violations(self.database.engine, self.journal, self.believed.now(), promises=promises)
        self.database.is_away = away
        unfit: tuple[str, ...] = ()
        if any(self.weather.counts[kind] for kind in DISAGREE):
            unfit = BETWEEN_CLOCKS
        elif self.weather.counts["database_hangs"]:
            unfit = LONG_STAMPED  # between the stamp and its transaction there may be seconds
        return [line for line in found if not line.startswith(unfit)]

    def undrained(self) -> list[str]:
        """What still waits at the end, though nothing has failed for an hour."""
        now = self.believed.now()
        names = ("dive", "receipt", "text", "part", "urgent message", "message", "leased message", "message to expire")
        moments = self.database.next_moments()
        late_ones = [
            f"28: a {name} has waited since {at}"
            for name, at in zip(names, moments, strict=True)
            if at is not None and name != "receipt" and now - at > timedelta(seconds=SINGLE_MOST_S)
        ]
        spooled = [f"28: {path.name} lies in the spool" for path in self.spool.waiting()]
        return late_ones + spooled + self.canary_day.undone()

    def run_until(self, end: datetime) -> None:
        """Let time go by."""
        self.loop.run_until(end, self.duties)

    def wait(self, futures: Any, timeout: float | None = None, return_when: str | None = None) -> Waited:
        """In place of waiting for threads: a courier that waits looks again where there is something new for it."""
        if return_when is not None:  # without the database there are no news
            return self.loop.wait(futures, timeout, 0.2, lambda: True)
        seen = self.database.next_moments()[5:7]

        def news() -> bool:
            moments = self.database.next_moments()[5:7]
            shows = self.believed.now()
            return moments != seen or any(one is not None and one <= shows for one in moments)

        return self.loop.wait(futures, None, 0.2, news)

    def _plan(self) -> None:
        for party in self.planned:
            party.begin()
        self.canary_day.begin()
        if any(spell.kind == "database_away" for spell in self.weather.spells):
            self.database.is_away = lambda: self.strikes("database_away")
        for spell in self.weather.spells:
            if spell.kind == "database_away":
                self._watch(spell.begin - timedelta(seconds=self.chance.uniform(1, 6)), spell.end)
            self.loop.at(spell.begin, partial(self._begins, spell.kind, spell.end))
            self.loop.at(spell.end, partial(self._ends, spell.kind))
        for _ in range(3):
            at = self.begins_at + timedelta(hours=self.chance.uniform(0.5, 22.5))
            self.loop.at(at, lambda: self.keeper.act(looks) if self.keeper.free else None)
            self.loop.at(at + timedelta(minutes=7), self._look_after)
            self.poll_after((at - self.begins_at).total_seconds() + 300)
        self.loop.at(self.clears_at + timedelta(seconds=20), self._look_after)
        self.poll_after((self.clears_at - self.begins_at).total_seconds() + 30)

    def _watch(self, begin: datetime, end: datetime) -> None:
        """The keeper looks before the database goes, on while it is away, and until all it did is in there."""

        def look() -> None:
            if self.keeper.free:
                self.keeper.act(looks)
            if self.loop.now < end or self.spool.keeper.journal.exists():
                self.loop.after(KEEPER_LOOKS_S, look)

        self.loop.at(begin, look)

    def _look_after(self) -> None:
        """What is done from time to time: canaries of the gateways, their relief, the checkpoint."""

        def work(life: Life) -> None:
            look_after_canaries(life.service, self.gateways)
            tell_relief(life.service, [gateway.name for gateway in self.gateways])
            write_checkpoint(life.service)

        if self.upkeep.free:
            self.upkeep.act(work)

    def _begins(self, kind: str, end: datetime) -> None:
        role = next((role for role, dead in AWAY_ROLES.items() if dead == kind), None)
        if role is not None:
            for process in (self.web, *self.sweepers, *self.couriers, self.keeper):
                if process.role == role:
                    process.kill(end)
            self.weather.note(kind, self.loop.now)
            self.note(f"FAULT {kind} until {end:%H:%M:%S}")
        if kind in ("list_unreadable", "list_repeats"):
            self.poll_after(30.0)
        if kind in CLOCK_KINDS:
            self._clock(kind)
            self.weather.note(kind, self.loop.now)
            self.note(f"FAULT {kind} until {end:%H:%M:%S}")
            self.duties.free()

    def processes(self) -> tuple[Process, ...]:
        """All that run on the machine."""
        return (self.web, *self.sweepers, *self.couriers, self.keeper, self.upkeep)

    def _start_again(self) -> None:
        """The machine does, with all that runs on it."""
        self.sign_of_life()
        self.marks.all_end()
        for process in self.processes():
            process.kill(self.loop.now + timedelta(seconds=self.chance.uniform(*RESTART_S)))

    def _clock(self, kind: str) -> None:
        if kind == "clock_fast":
            self.machine.go(61 / 60)
        elif kind == "clock_slow":
            self.machine.go(59 / 60)
        elif kind == "clock_stops":
            self.machine.go(0.0)
        elif kind in ("clock_forward", "clock_corrected"):
            self.machine.jump(timedelta(minutes=self.chance.uniform(0.5, 60)))
        elif kind in ("clock_back", "clock_lost"):
            if kind == "clock_lost":
                self._start_again()
            self.machine.jump(timedelta(minutes=-self.chance.uniform(0.5, 60)))
        else:
            process = self.chance.choice((*self.sweepers, *self.couriers, self.keeper))
            process.clock.apart = timedelta(seconds=self.chance.uniform(-2, 2))

    def _ends(self, kind: str) -> None:
        if kind == "clock_corrected":
            self._start_again()
            self.machine.correct()
        elif kind in CLOCK_KINDS:
            self.machine.set_right()
        if kind in CLOCK_KINDS:
            for process in (*self.sweepers, *self.couriers, self.keeper):
                process.clock.apart = timedelta(0)
        self.duties.free()
