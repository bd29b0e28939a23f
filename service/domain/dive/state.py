"""A dive as it stands: the fold of its events."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from service.domain.dive.events import Outcome
from service.domain.grace import GracePeriods, Step
from service.domain.people import BY_TEXT, Actor, Channel, Recipient, Role, contact_key, diver_key
from service.domain.place.conditions import Conditions, Current
from service.domain.place.fix import BEFORE_START, Doubt, Fix, Source, last_known
from service.domain.plan import DivePlan

REOPEN_WITHIN = timedelta(hours=2)
EARLIEST_IN = timedelta(hours=2)  # nobody goes in so long before the time that they planned


class Phase(StrEnum):
    """The states of a dive in rank order; they only rise, until closed."""

    FILED = "filed"
    IN_WATER = "in_water"
    UNCERTAINTY = "uncertainty"
    ALERT = "alert"
    DISTRESS = "distress"
    CLOSED = "closed"


RANK = {phase: rank for rank, phase in enumerate(Phase)}
LIVE = (Phase.IN_WATER, Phase.UNCERTAINTY, Phase.ALERT, Phase.DISTRESS)
ALARMED = (Phase.ALERT, Phase.DISTRESS)


@dataclass(frozen=True, slots=True)
class Extension:
    """A later due out that was asked for and is not in force yet. `answered`: the diver heard that."""

    number: int
    due_out_at: datetime
    asked_at: datetime
    answered: bool = False

    @property
    def step(self) -> str:
        """The step under which its messages go out."""
        return f"extension-{self.number}"


@dataclass(frozen=True, slots=True)
class Waiting:
    """Until when no contact is alerted by the clock, because the party of a restored dive is asked first."""

    copied_at: datetime
    ask_at: datetime
    until_at: datetime


@dataclass(frozen=True, slots=True)
class LastHeard:
    """The last thing anybody of the party said."""

    at: datetime
    name: str
    words: str
    asked_which: bool = False  # it may be about another dive, and did nothing to this one


@dataclass(frozen=True, slots=True)
class Raising:
    """A raising of an alarm: by whom, or by the clock (None), with what they said."""

    at: datetime
    by: Actor | None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class RescueCall:
    """Somebody's word that rescue was called; `reference` is the incident's, if they gave one."""

    at: datetime
    by: Actor
    reference: str | None = None


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A word that rescue was called which does not hold: whose it was, and who says so."""

    call: RescueCall
    at: datetime
    by: Actor


@dataclass(frozen=True, slots=True)
class Told:
    """A contact and when the alert went to them, or when they answered."""

    key: str
    at: datetime


@dataclass(frozen=True, slots=True)
class WayLost:
    """A way to a person that fails, and is not the first by which they are told."""

    key: str
    channel: Channel


@dataclass(frozen=True, slots=True)
class Declined:
    """A contact who will not be one. `told`: by then they had been told of this dive, so they hear how it ends."""

    key: str
    told: bool


@dataclass(frozen=True, slots=True)
class Dive:
    """The whole state of one dive. Frozen; `evolve` makes the next one."""

    id: str
    club_id: str
    club_name: str
    reference: str
    start_code: str
    finish_code: str
    plan: DivePlan
    grace: GracePeriods
    drill: bool
    filed_at: datetime
    calls: bool = False  # the service can make voice calls
    phase: Phase = Phase.FILED
    head_count: int = 0
    started_at: datetime | None = None
    started_by: Actor | None = None
    assumed: bool = False
    start_said: bool = False  # after it had been assumed
    due_out_at: datetime | None = None
    first_due_out_at: datetime | None = None  # before any extension: the cap counts from here
    steps: tuple[Step, ...] = ()
    arming_since: datetime | None = None  # when the start notices were queued
    armed_at: datetime | None = None
    not_armed_said: bool = False
    extension: Extension | None = None
    extensions_asked: int = 0
    alarm_at: datetime | None = None  # when phase alert began
    raised_by: Actor | None = None  # None: the clock raised it
    raised_note: str | None = None
    raisings: tuple[Raising, ...] = ()  # of this alarm, where somebody raised it that was up already; first to last
    raises: int = 0
    alerted: tuple[Told, ...] = ()
    acknowledged: tuple[Told, ...] = ()
    called_at: datetime | None = None
    called_by: Actor | None = None
    called_reference: str | None = None
    called_by_several: tuple[RescueCall, ...] = ()  # each person's last word, where several say so; first to last
    taken_back: tuple[TakenBack, ...] = ()  # of this alarm, of each person the last
    distress_at: datetime | None = None  # when distress was last told
    distress_count: int = 0
    partly_out: int | None = None
    fixes: tuple[Fix, ...] = ()  # as they were reported; those in doubt too
    conditions: Conditions | None = None
    on_scene: tuple[Told, ...] = ()
    last_heard: LastHeard | None = None
    unreachable: tuple[str, ...] = ()  # whose first way fails: nobody waits for their answer
    lost: tuple[WayLost, ...] = ()  # other ways that fail
    declined: tuple[Declined, ...] = ()  # each of them is unreachable too
    rung: tuple[str, ...] = ()  # contacts to whom this alarm has gone by a voice call
    closed_at: datetime | None = None
    closed_by: Actor | None = None
    outcome: Outcome | None = None
    closed_count: int | None = None
    closings: int = 0
    waiting: Waiting | None = None  # restored: the party is asked first
    said_at: datetime | None = None  # when the plan was said, where it reached us later
    version: int = 1  # how many events made it

    @property
    def raise_by_at(self) -> datetime | None:
        """When a contact who has heard nothing acts."""
        return None if self.due_out_at is None else self.due_out_at + self.grace.grace

    @property
    def alarm_due_at(self) -> datetime | None:
        """When the clock alerts the first contact: at the raise-by time, or once a restored dive's party was asked."""
        if self.raise_by_at is None or self.waiting is None:
            return self.raise_by_at
        return max(self.raise_by_at, self.waiting.until_at)

    @property
    def lead(self) -> Recipient:
        """The diver whose phone runs the dive."""
        return self.divers[0]

    @property
    def divers(self) -> tuple[Recipient, ...]:
        """The party as people to tell, the lead first; some have no phone."""
        return _people(self.plan)[0]

    @property
    def party_phones(self) -> tuple[Recipient, ...]:
        """Those of the party who can be told something."""
        return tuple(diver for diver in self.divers if diver.phone)

    @property
    def contacts(self) -> tuple[Recipient, ...]:
        """The shore contacts in their order."""
        return _people(self.plan)[1]

    @property
    def reachable_contacts(self) -> tuple[Recipient, ...]:
        """The contacts ashore of whom we do not know that the first way to them fails."""
        deaf = self.not_waited_for
        return tuple(contact for contact in self.contacts if contact.key not in deaf)

    @property
    def diving_contacts(self) -> frozenset[str]:
        """The contacts whose phone is a diver's, so that it is in the water or in the car when it matters.

        They are told what all are told, and nobody waits for them. In an exercise one person may play both parts.
        """
        return frozenset() if self.drill else _people(self.plan)[2]

    @property
    def not_waited_for(self) -> frozenset[str]:
        """Those who cannot hear, as far as we know: for an answer of theirs nobody waits."""
        diving = self.diving_contacts
        return diving.union(self.unreachable) if self.unreachable else diving

    @property
    def of_one_phone(self) -> bool:
        """Whether the lead's phone is the only contact's too, as a drill alone may have it."""
        return self.drill and {contact.phone for contact in self.plan.contacts} == {self.plan.lead.phone}

    @property
    def fix(self) -> Fix | None:
        """The last known position that somebody reported."""
        return last_known(self.dated_fixes)

    @property
    def dated_fixes(self) -> tuple[Fix, ...]:
        """All fixes that are carried along; what is long before the dive is marked as not of it.

        With no start known that is the planned one, or the alarm, whichever is earlier: where somebody was the evening
        before is not where they are. As long as there is neither, nobody is to be looked for.
        """
        if not self.fixes:
            return ()
        began = self.started_at or min((at for at in (self.plan.time_in_at, self.alarm_at) if at), default=None)
        return tuple(
            replace(fix, doubt=Doubt.EARLY)
            if began is not None and fix.doubt is None and fix.at < began - BEFORE_START
            else fix
            for fix in self.fixes
        )

    @property
    def last_position(self) -> Fix | None:
        """The last known position: a reported one, else where they went in; None before the start."""
        entry = self.plan.site.entry
        if self.fix is not None or self.started_at is None or entry is None:
            return self.fix
        return Fix(entry, self.started_at, self.plan.site.name, Source.ENTRY)

    @property
    def drifts_from(self) -> Fix | None:
        """The last known position as of when somebody can drift from there: ashore, before the start, nobody does."""
        last = self.last_position
        if last is None or self.started_at is None:
            return None
        return replace(last, at=max(last.at, self.started_at))

    @property
    def current(self) -> Current | None:
        """The current as somebody sees it, else as the site's notes have it."""
        seen = None if self.conditions is None else self.conditions.current
        return seen or self.plan.site.current

    def person(self, key: str) -> Recipient | None:
        """The diver or contact of that key."""
        return next((person for person in self.divers + self.contacts if person.key == key), None)

    def direct_ways(self, person: Recipient) -> tuple[Channel, ...]:
        """The ways by which somebody can hear at once and answer, the best first.

        A call only where the service makes calls. Who then has no such way is sent texts: better than nothing.
        """
        if person.channels == BY_TEXT:  # as of nearly everybody
            return BY_TEXT
        ways = (Channel.TEXT, Channel.CALL) if self.calls else BY_TEXT
        return tuple(channel for channel in person.channels if channel in ways) or BY_TEXT

    def first_way(self, person: Recipient) -> Channel:
        """The way that counts for the ladder: when it fails, nobody waits for this person."""
        return self.direct_ways(person)[0]

    def fails(self, person: Recipient, channel: Channel) -> bool:
        """Whether this way to this person is known to fail."""
        if channel is self.first_way(person):
            return person.key in self.unreachable
        return WayLost(person.key, channel) in self.lost

    def declined_by(self, key: str) -> Declined | None:
        """The entry of a contact who will not be one; None for everybody else."""
        return next((one for one in self.declined if one.key == key), None) if self.declined else None

    def alerted_keys(self) -> frozenset[str]:
        """The contacts to whom the alarm has gone."""
        return frozenset(told.key for told in self.alerted)

    @property
    def rescue_calls(self) -> tuple[RescueCall, ...]:
        """Each person's word that rescue was called, as far as it stands; the last of them is told."""
        if self.called_by_several or self.called_at is None or self.called_by is None:
            return self.called_by_several
        return (RescueCall(self.called_at, self.called_by, self.called_reference),)

    @property
    def raised_early(self) -> bool:
        """Whether somebody raised the alarm, with no start known, so long before the time in that nobody goes in.

        As of when it was last told to all: one that is still up when they may go in is of the divers.
        """
        planned, alarm_at = self.plan.time_in_at, self.alarm_at
        if self.raised_by is None or self.started_at is not None or planned is None or alarm_at is None:
            return False
        return planned - max(alarm_at, self.distress_at or alarm_at) > EARLIEST_IN

    @property
    def call_from_ashore(self) -> Raising | None:
        """The last call for help, where that is so by contacts alone: they know what it is about, and may need it."""
        if not self.raised_early or self.alarm_at is None:
            return None
        calls = (Raising(self.alarm_at, self.raised_by, self.raised_note), *self.raisings)
        return calls[-1] if all(one.by is not None and one.by.role is Role.CONTACT for one in calls) else None

    @property
    def not_called_after_all(self) -> bool:
        """Whether somebody said that rescue was called, and nobody's word for it stands any more."""
        return bool(self.taken_back) and self.called_at is None

    @property
    def live(self) -> bool:
        """Whether the clock runs."""
        return self.phase in LIVE

    @property
    def alarmed(self) -> bool:
        """Whether contacts have been alerted."""
        return self.phase in ALARMED

    @property
    def contacts_told(self) -> bool:
        """Whether any shore contact was told anything of this dive."""
        return self.started_at is not None or self.alarm_at is not None

    def ended_lately(self, now: datetime) -> bool:
        """Whether it was over so short a time ago that words may be about it still."""
        return self.closed_at is not None and now - self.closed_at < REOPEN_WITHIN

    def can_reopen(self, now: datetime) -> bool:
        """Whether an alarm may still open this closed dive again. Of an exercise nothing would end it once more."""
        return not self.drill and self.ended_lately(now)


_People = tuple[tuple[Recipient, ...], tuple[Recipient, ...], frozenset[str]]
# Who decides and words asks for the same people a dozen times: of the same plan, which never changes.
_last: list[tuple[DivePlan, _People] | None] = [None]


def _people(plan: DivePlan) -> _People:
    """The divers and the contacts of a plan as people to tell, and the keys of those who are both."""
    last = _last[0]
    if last is not None and last[0] is plan:
        return last[1]
    divers = tuple(Recipient(diver_key(i), d.name, d.phone, d.language) for i, d in enumerate(plan.party))
    contacts = tuple(
        Recipient(contact_key(i), c.name, c.phone, c.language, c.email, c.channels) for i, c in enumerate(plan.contacts)
    )
    both = (contact_key(i) for i, contact in enumerate(plan.contacts) if plan.dives_too(contact))
    people = divers, contacts, frozenset(both)
    _last[0] = (plan, people)
    return people
