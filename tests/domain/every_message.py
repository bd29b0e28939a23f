"""Every message that a dive can cause, with the longest names that a plan takes, told to people of one language."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from service.domain.dive import Command, Dive, Event, Refusal, decide, evolve, next_due_at
from service.domain.dive import commands as do
from service.domain.grace import FinishNeeds, GracePeriods, NeverStarted
from service.domain.people import CLOCK, Actor, Channel, Role, Via, contact_key
from service.domain.place.conditions import Current, Wind
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.plan import Contact, DivePlan, Diver
from service.domain.wording import Draft, messages_for
from tests.domain.heart_strategies import LONG_CLUB, LONG_NAMES, LONG_RESCUE, LONG_SITE

NOW = datetime(2027, 9, 7, 21, 50, tzinfo=UTC)  # 22:50 on a Tuesday at the site; due out is on Wednesday
RUN_MIN = 80
ENTRY = Position(-47.12345, -120.54321)
EXITS = ("the north slip behind the boathouse", "the steps at the end of the beach")
LONG_REFERENCE = "SKERRY-2027-09-07-0001234567890123456789"
WORDS = "lost sight of him near the point, current is strong, " * 3
AWAY = Position(ENTRY.lat + 0.0123, ENTRY.lon - 0.0123)
FAR = Position(ENTRY.lat - 30, ENTRY.lon)


@dataclass(frozen=True, slots=True)
class Told:
    """One message with the event that caused it and the dive after it."""

    event: Event
    dive: Dive
    draft: Draft


@dataclass(slots=True)
class Play:
    """A dive that is played from command to command, with everything that people are told, and every refusal."""

    now: datetime
    dive: Dive | None
    told: list[Told]
    refused: list[tuple[Dive, Refusal]]

    def does(self, command: Command, after_min: float = 0) -> None:
        """Decide a command so long after the last one, sweeps on time until then, and let it happen."""
        until = self.now + timedelta(minutes=after_min)
        while self.dive is not None and (due_at := next_due_at(self.dive)) is not None and due_at <= until:
            self.now = max(self.now, due_at)
            self._decide(do.Tick())
        self.now = until
        self._decide(command)

    def _decide(self, command: Command) -> None:
        decision = decide(self.dive, command, self.now)
        if isinstance(decision, Refusal):
            assert self.dive is not None
            self.refused.append((self.dive, decision))
            return
        for event in decision:
            self.dive = evolve(self.dive, event)
            self.told += [Told(event, self.dive, draft) for draft in messages_for(self.dive, event)]

    def notices_handed(self) -> None:
        """A gateway took the last thing that the first contact was told."""
        sent = [told.draft for told in self.told if told.draft.to.key == "contact-0"][-1]
        self.does(do.NoteHanded(sent.step, sent.to.key, sent.channel))

    def by(self, key: str, words: str = "OUT") -> Actor:
        """Somebody of the plan who texts."""
        assert self.dive is not None
        person = self.dive.person(key)
        assert person is not None
        role = Role.DIVER if key.startswith("diver") else Role.CONTACT
        return Actor(role, person.name, Via.TEXT, key, person.phone, words)


def plan_in(language: str, heads: int = 12) -> DivePlan:
    """The longest plan that a form takes."""
    site = SitePlan(
        name=LONG_SITE,
        zone="Europe/London",
        rescue_call=LONG_RESCUE,
        position=ENTRY,
        points=tuple(SitePoint(PointKind.EXIT, name) for name in EXITS),
        access="Track from the farm gate, key at the mill " * 4,
    )
    others = [Diver(LONG_NAMES[1], f"+4477009001{place:02}", language) for place in range(1, heads)]
    return DivePlan(
        site=site,
        party=(Diver(LONG_NAMES[0], "+447700900001", language), *others),
        contacts=tuple(Contact(name, f"+4477009002{n:02}", language) for n, name in enumerate(LONG_NAMES)),
        run_time=timedelta(minutes=RUN_MIN),
        exits=EXITS,
        vehicle="blue van " * 6,
        kit="orange buoy " * 6,
    )


def _with_a_landline(plan: DivePlan) -> DivePlan:
    """The same, with a first contact who can only be called."""
    first, *others = plan.contacts
    return replace(plan, contacts=(replace(first, channels=(Channel.CALL,)), *others))


def filed(plan: DivePlan, *, drill: bool, grace: GracePeriods | None = None, telling: tuple[str, ...] = ()) -> Play:
    """A dive of that plan, whose finish needs a code, as long as it gets. `telling`: filed and started by one text."""
    play = Play(NOW, None, [], [])
    play.does(
        do.FilePlan(
            by=Actor(Role.DIVER, plan.lead.name, Via.PAGE, "diver-0", plan.lead.phone, "form"),
            dive_id="d1",
            club_id="c1",
            club_name=LONG_CLUB,
            reference="7K",
            start_code="482139",
            finish_code="731905",
            plan=plan,
            grace=grace or GracePeriods(finish_needs=FinishNeeds.CODE),
            drill=drill,
            calls=True,
            newcomers=() if drill else ("contact-0", "contact-1"),
            telling=telling,
        )
    )
    return play


def _alarmed(play: Play) -> None:
    """In and armed, later twice, overdue, alerted, answered, called, somebody there, and all the way up."""
    lead, ashore, second = play.by("diver-0"), play.by("contact-0"), play.by("contact-1")
    play.does(do.Acknowledge(ashore))
    play.does(do.CallOff(replace(lead, via=Via.PAGE)) if play.dive is None else do.ReportSafe(ashore, 2))
    play.does(do.Extend(ashore, 20))
    play.does(do.Start(lead), 5)
    play.notices_handed()
    for refused in (do.Start(lead), do.CallOff(lead), do.Acknowledge(lead), do.Acknowledge(ashore), do.Finish(lead)):
        play.does(refused)
    play.does(do.Extend(ashore, 20))
    play.does(do.Extend(lead, 500))
    play.does(do.Extend(lead, -5))
    play.does(do.Finish(lead, 13, with_code=True))
    play.does(do.Finish(lead, 12, with_code=True, of=13))
    play.does(do.Finish(lead, 10, with_code=True, of=11))
    play.does(do.ReportSafe(ashore, 10, of=13))
    play.does(do.Start(lead, 11))
    play.does(do.Start(lead, 99))
    play.does(do.Extend(lead, 20), 30)
    play.notices_handed()
    play.does(do.Extend(lead, 10), 40)
    play.does(do.Finish(lead, 11, with_code=True), 60)
    asked = ("position", "where", "on_scene", "status", "plan")
    for near in (None, "late", "finish", "start", "safe", *asked, "call_off", "not_called"):
        play.does(do.Hear(lead, WORDS, near))
        play.does(do.Hear(ashore, WORDS, near))
    play.does(do.Hear(lead, WORDS, answer=False, asked_which=True))
    play.does(do.Hear(lead, WORDS, "finish", overtaken="news"))
    play.does(do.Hear(ashore, WORDS, "called", overtaken="not_called"))
    play.does(do.Hear(lead, "AT 91,2", "position", "latitude 91 is impossible: it goes from 90 south to 90 north"))
    play.does(do.ReportOnScene(second))
    play.does(do.ReportOnScene(second))
    play.does(do.ReportOnScene(lead))
    play.does(do.AddNote(replace(lead, role=Role.ADMIN), WORDS))
    play.does(do.Extend(replace(lead, words="LATE 30"), 30))
    play.does(do.ReportFix(lead, AWAY, 12_345.0))
    play.does(do.ReportFix(ashore, AWAY, 480.0))
    for refused in (do.ReportFix(lead, AWAY, 1e7), do.ReportFix(lead, AWAY, None, NOW - timedelta(days=400))):
        play.does(refused)
    play.does(do.ReportFix(lead, FAR, 8.0))
    play.does(do.ReportFix(lead, Position(ENTRY.lon / 2, ENTRY.lat), 8.0))
    play.does(do.ReportFix(lead, AWAY, 8.0, NOW + timedelta(days=9)))
    play.does(do.ReportConditions(ashore, Current(90, 0.5), Wind(0, 9)))
    play.does(do.ReportConditions(ashore, None, None))
    play.does(do.Acknowledge(ashore))
    play.does(do.Acknowledge(ashore))
    play.does(do.Finish(ashore))
    play.does(do.ReportSafe(ashore))
    play.does(do.Tick(), 20)


def _to_the_end(play: Play) -> None:
    """From the alarm to a stand-down after rescue was called."""
    ashore = play.by("contact-0")
    play.does(do.Hear(ashore, WORDS, "status"))
    play.does(do.ReportCalled(ashore, LONG_REFERENCE))
    play.does(do.ReportCalled(play.by("contact-1")))
    play.does(do.ReportOnScene(play.by("contact-2")))
    play.does(do.Acknowledge(play.by("contact-2")))
    play.does(do.NoteUnreachable("contact-1", "refused"))
    play.does(do.NoteReachable("contact-1"))
    play.does(do.NoteUnreachable("contact-2", "declined", said=True))
    play.does(do.ReportSafe(ashore, 12))
    play.does(do.ReportOnScene(ashore))
    play.does(do.RaiseNow(play.by("contact-1"), WORDS), 30)
    play.does(do.ReportSafe(ashore, 12), 5)
    play.does(do.RaiseNow(play.by("diver-0"), WORDS), 300)


def _taken_back(play: Play) -> None:
    """Several say that rescue was called: one by one it falls, by their own word, by another's and by an admin's."""
    first, second, admin = play.by("contact-0"), play.by("contact-1"), Actor(Role.ADMIN, LONG_NAMES[0], Via.PAGE, "a-1")
    play.does(do.TakeBackCalled(first))
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.TakeBackCalled(first))
    for called in (do.ReportCalled(first, LONG_REFERENCE), do.ReportCalled(second), do.ReportCalled(admin)):
        play.does(called, 1)
    for taken in (do.TakeBackCalled(first), do.TakeBackCalled(first), do.TakeBackCalled(admin, whose=second.own_key)):
        play.does(taken, 1)
    play.does(do.TakeBackCalled(admin))
    play.does(do.TakeBackCalled(first))
    play.does(do.Acknowledge(second), 1)
    for called in (do.ReportCalled(second, LONG_REFERENCE), do.TakeBackCalled(first, own=True)):
        play.does(called)
    play.does(do.TakeBackCalled(first), 3)
    play.does(do.Tick(), 70)
    play.does(do.ReportCalled(second))
    play.does(do.TakeBackCalled(play.by("diver-1")))
    play.does(do.ReportSafe(first, 12))


def _unanswered(play: Play) -> None:
    """Nobody answers, up to the club's admins; a contact can be reached again, and the lead says that all are out."""
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.NoteUnreachable("contact-2", "refused"), RUN_MIN + 20)
    play.does(do.NoteReachable("contact-2"), 1)
    for place in (1, 2):
        play.does(do.Acknowledge(play.by(f"contact-{place}")))
    for place in (1, 2):
        play.does(do.NoteUnreachable(f"contact-{place}", "opted_out", said=True))
        play.does(do.NoteReachable(f"contact-{place}"))
    play.does(do.Tick(), 50)
    play.does(do.Start(play.by("diver-0")))
    play.does(do.NoteUnreachable("contact-2", "refused"))
    play.does(do.NoteReachable("contact-2"), 1)
    play.does(do.Finish(play.by("diver-0"), 12, with_code=True))
    play.does(do.Finish(play.by("diver-0"), 12, with_code=True))


def _unarmed(play: Play) -> None:
    """No contact is told; then none can be reached, a diver opts out, and somebody texts SOS."""
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.Tick(), 2)
    play.does(do.Extend(play.by("diver-0"), 20))
    play.does(do.Tick(), 3)
    play.does(do.NoteUnreachable("diver-1", "opted_out"))
    for key in ("contact-0", "contact-1", "contact-2"):
        play.does(do.NoteUnreachable(key, "refused"))
    play.does(do.Tick(), RUN_MIN + 80)


def _unreachable(play: Play) -> None:
    """The contacts decline, cannot be reached or opt out before the start."""
    play.does(do.NoteUnreachable("contact-0", "declined"))
    for key in ("contact-0", "contact-1", "contact-2"):
        play.does(do.NoteUnreachable(key, "refused"))
        play.does(do.NoteUnreachable(key, "refused", Channel.CALL))
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.Tick(), 2)
    play.does(do.RaiseNow(play.by("diver-0"), None))
    play.does(do.Finish(play.by("diver-0"), 11, with_code=True))
    play.does(do.CallOff(play.by("diver-0")))


def _called_off(play: Play) -> None:
    """Heard, then called off before the start."""
    lead = play.by("diver-0")
    play.does(do.Hear(lead, "what now"))
    play.does(do.Hear(lead, "in 30", "start"))
    play.does(do.Hear(lead, "too rough", "call_off"))
    play.does(do.Finish(lead, 2))
    play.does(do.CallOff(play.by("diver-1")))


def _raised_and_called_off(play: Play) -> None:
    """The alarm before the start, and the word that nobody dives."""
    play.does(do.RaiseNow(play.by("contact-0"), WORDS))
    play.does(do.RaiseNow(play.by("contact-0"), WORDS, worry=True))
    play.does(do.Start(play.by("diver-0")))
    play.does(do.ReportFix(play.by("diver-0"), AWAY, 480.0))
    play.does(do.ReportCalled(play.by("contact-0")))
    play.does(do.RaiseNow(play.by("contact-1"), WORDS, worry=True))
    play.does(do.CallOff(play.by("diver-0")))


def _raised_ashore(play: Play) -> None:
    """A contact calls for help the day before the dive, and nobody answers, with the database or without."""
    play.does(do.RaiseNow(play.by("contact-0"), WORDS), 5)
    play.does(do.Tick(), 30)
    play.does(do.Tick(), 60)


def _drill_gives_way(play: Play) -> None:
    """The alarm is up, and the exercise ends because of a real one; a dive that is no drill does not end like that."""
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.Tick(), 120)
    play.does(do.EndDrill(Actor(Role.ADMIN, "Finn Gray", Via.PAGE, "admin-1"), real_alarm=True))


def _drill_ended(play: Play) -> None:
    """The exercise ends as the desk wants it."""
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.EndDrill(Actor(Role.ADMIN, "Finn Gray", Via.PAGE, "admin-1")))


def _never_heard_of(play: Play) -> None:
    """Planned, asked, and taken as started; the contacts are told by the plan's own clock."""
    play.does(do.Tick(), 300)
    play.does(do.Start(play.by("diver-0")))
    play.does(do.Finish(play.by("diver-0"), 12, with_code=True))


def _more_than_planned(play: Play) -> None:
    """One out of a party of another size than the plan, before the start, in it and in an alarm; then more went in."""
    lead, ashore = play.by("diver-0"), play.by("contact-0")
    play.does(do.Finish(lead, 11, with_code=True, of=12))
    play.does(do.Start(lead, 10), 5)
    play.does(do.Finish(lead, 10, with_code=True, of=12))
    play.does(do.Finish(lead, 10, with_code=True, of=11), RUN_MIN)
    play.does(do.ReportSafe(ashore, 10, of=12))
    play.does(do.Start(lead, 11))
    play.does(do.Tick(), 120)
    play.does(do.Finish(lead, 11, with_code=True, of=12))
    play.does(do.Start(lead, 12))


def _found_late(play: Play) -> None:
    """An outage from before the planned start until the alert: the others get the plan, since the first has that."""
    play.now += timedelta(minutes=FIRST_ALERT_MIN)
    play.does(do.Tick())


def _outage(play: Play) -> None:
    """Nothing ran from before the start until long after the hand-up was due."""
    play.does(do.Start(play.by("diver-0")), 5)
    play.now += timedelta(minutes=400)
    play.does(do.Tick())


def _raised_and_left(play: Play) -> None:
    """SOS in the water, an admin has it and gives it up in the end, and nobody reports that rescue is called."""
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.RaiseNow(play.by("diver-0"), WORDS), 5)
    play.does(do.Acknowledge(Actor(Role.ADMIN, "Finn Gray", Via.PAGE, "admin-1")))
    play.does(do.NoteUnreachable("contact-1", "refused"))
    play.does(do.NoteReachable("contact-1"), 1)
    play.does(do.Tick(), 60)
    play.does(do.NoteUnreachable("admin-1", "opted_out", said=True))


def _restored(play: Play) -> None:
    """Restored before the start and again in the water; overdue by then, and nobody answers."""
    lead = play.by("diver-0")
    minutes = [timedelta(minutes=count) for count in (1, 10)]
    play.does(do.Hold(CLOCK, NOW - timedelta(days=1), play.now + minutes[0], play.now + minutes[1]))
    play.does(do.Start(lead), 5)
    play.does(do.Tick(), RUN_MIN - 20)
    play.does(do.Hold(CLOCK, NOW - timedelta(days=1), play.now + minutes[0], play.now + minutes[1] * 6))
    play.does(do.Tick(), 120)


def _finished_before_it_began(play: Play) -> None:
    """The finish code of a plan whose start was never heard."""
    play.does(do.Finish(play.by("diver-0"), 12, with_code=True))


def _rung_in_vain(play: Play) -> None:
    """A contact with a landline alone, who does not answer; a contact asks nearly how to decline."""
    play.does(do.Hear(play.by("contact-1"), "decline please", "decline"))
    play.does(do.Hear(play.by("contact-1"), "any news", "status"))
    play.does(do.Start(play.by("diver-0")), 5)
    play.does(do.NoteUnreachable("contact-0", "no_answer", Channel.CALL))
    for key in ("contact-1", "contact-2"):
        play.does(do.NoteUnreachable(key, "refused"))
    play.does(do.RaiseNow(play.by("diver-0"), None))
    play.does(do.Tick(), RUN_MIN + 80)


def _late_in_the_hour_that_comes_twice(play: Play) -> None:
    """Due out in the night when the clocks go back, and late until a time that either hour has."""
    eve = datetime(2027, 10, 30, 23, 5, 30, tzinfo=UTC)
    play.does(do.Start(play.by("diver-0")), (eve - play.now) / timedelta(minutes=1))
    play.does(do.Extend(play.by("diver-0"), until="01:50"), 5)


FIRST_ALERT_MIN = 20 + RUN_MIN + 15 + 1  # planned to go in, run time, grace
LAPSES = GracePeriods(never_started=NeverStarted.LAPSE)
COUNTED = GracePeriods(finish_needs=FinishNeeds.HEADCOUNT)


def every_play(language: str, *, drill: bool) -> list[Play]:
    """Plays that between them cause every message of the heart."""
    plan = plan_in(language)
    planned = replace(plan, time_in_at=NOW + timedelta(minutes=20))
    both: tuple[Callable[[Play], None], ...] = (
        _taken_back,
        _unanswered,
        _unarmed,
        _unreachable,
        _called_off,
        _raised_and_called_off,
        _outage,
        _raised_and_left,
        _restored,
        _finished_before_it_began,
        _drill_gives_way,
        _drill_ended,
    )
    plays = [(filed(plan, drill=drill), course) for course in (_alarmed, *both)]
    plays += [(filed(plan, drill=drill, grace=COUNTED), course) for course in (_alarmed, _unarmed)]
    late = GracePeriods(extension_cap=timedelta(hours=2))
    plays += [(filed(plan, drill=drill, grace=late), _late_in_the_hour_that_comes_twice)]
    plays += [(filed(planned, drill=drill), course) for course in (_never_heard_of, _found_late)]
    plays += [(filed(planned, drill=drill, grace=LAPSES), _never_heard_of)]
    plays += [(filed(plan_in(language, 1), drill=drill), _unanswered)]
    plays += [(filed(plan_in(language, 11), drill=drill), _more_than_planned)]
    plays += [(filed(_with_a_landline(plan), drill=drill), _rung_in_vain)]
    told = tuple(contact_key(place) for place in range(len(plan.contacts)))
    plays += [(filed(plan, drill=drill, telling=told), _finished_before_it_began)]
    plays += [
        (filed(replace(plan, time_in_at=NOW + timedelta(days=1)), drill=drill), course)
        for course in (_called_off, _raised_ashore)
    ]
    for play, course in plays:
        course(play)
        if course is _alarmed:
            _to_the_end(play)
    return [play for play, _ in plays]


def texts(plays: list[Play]) -> list[Told]:
    """Every text among what people are told; the admins of a club have theirs in English."""
    return [
        told
        for play in plays
        for told in play.told
        if told.draft.channel is Channel.TEXT and told.draft.to.key != "admins"
    ]
