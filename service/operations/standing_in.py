"""Standing in for the database: a keeper raises what falls due by its snapshot, worded as not confirmed.

The heart decides as ever; only what is told, and how it is kept, differ. What gateways put into the spool meanwhile is
heard, so that a finish stops an alarm and an SOS raises one.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Final

from service.clock import Clock, clock_seconds
from service.domain.dive import Dive, Event, Phase
from service.domain.dive.commands import Acknowledge, Command, NoteUnreachable
from service.domain.dive.events import Closed, StepTaken
from service.domain.encoding import segments
from service.domain.grace import Step as Rung
from service.domain.people import Actor, Channel, Recipient, Role, Via
from service.domain.wording import Draft, MessageKind, messages_for
from service.domain.wording.drafts import AN_ADMIN
from service.domain.wording.general import plain, service_fault
from service.domain.wording.outage import unconfirmed
from service.operations.calling import ANSWER_KEY
from service.operations.clock_mark import go_on_from
from service.operations.club_senders import club_senders
from service.operations.gateway import Gateway, InboundText, OwnNumber
from service.operations.outage_carrying import OutageCourier
from service.operations.outage_hearing import Asked, asked_by, unreadable_of
from service.operations.outage_help import UnheardHelp
from service.operations.outage_journal import Began, Entry, Happened, Heard, Journal, Opted, Told, outage_name
from service.operations.outage_ladder import Ladder, Step, happened
from service.operations.outage_opt_outs import OptOuts
from service.operations.outage_over import also_over
from service.operations.own_numbers import Receiving, number_heard, phone_heard
from service.operations.plainest import OUTAGE_STEP, fault_words
from service.operations.snapshotting import Contents
from service.operations.spooling import Brought, KeyPress, Spool, UnreadableError
from service.operations.telling import whom
from service.store.codec import UnreadableError as UnreadableStateError
from service.store.ids import new_id
from service.store.plain_columns import RowFacts
from service.store.snapshots import ClubToTell, WaitingAlarm

_LOG = logging.getLogger(__name__)

TELL_AFTER_S: Final = 60.0  # real seconds without a database, after which its admins hear of it
STAND_IN_AFTER_S: Final = 120.0  # and after which alarms go out by the snapshot
CARRIES_FOR_S: Final = 4.0
TICKS_AT_ONCE: Final = 200
CARRIES_BETWEEN_S: Final = 0.5  # between two batches of ticks
ROUND_S: Final = 10.0  # well within what a supervisor waits for a sign of life
DISTRESS_MAX: Final = 6  # rounds by a snapshot; then whoever acts has been told for an hour, and nothing is confirmed
OLDEST: Final = timedelta(hours=12)  # an older snapshot knows nothing of today
GONE: Final = "database_gone"
PLAINEST: Final = "fault"


@dataclass(frozen=True, slots=True)
class Means:
    """What a keeper stands in with: nothing of it needs the database."""

    gateways: Sequence[Gateway]
    spool: Spool
    clock: Clock
    monotonic: Callable[[], float]
    own_numbers: Sequence[OwnNumber] = ()


class StandIn:
    """One outage at one keeper, of `gone_s` real seconds so far. `round` is one look; `close` ends what was begun."""

    def __init__(self, means: Means, journal: Journal, contents: Contents, gone_s: float) -> None:
        self._means = means
        self._journal = journal
        self._contents = contents
        self._clubs = {club.id: club for club in contents.clubs}
        self._second = timedelta(seconds=clock_seconds(means.clock, 1.0))
        self._numbers = {
            club.id: Receiving(club.receiving_number, club.country)
            for club in contents.clubs
            if club.country is not None
        }
        senders = club_senders(self._numbers, means.own_numbers)
        self._courier = OutageCourier(journal, means.gateways, means.clock, means.monotonic, senders)
        self._opt_outs = OptOuts((*contents.dives, *contents.over), contents.clubs)
        self._help = UnheardHelp()
        self._heard: set[str] = set()
        self._plain: set[str] = set()
        before = journal.read()
        known = [entry for entry in before if isinstance(entry, Began)]
        # The standby has gone on from what it has; but its file may not have been written, or copied with its time.
        go_on_from(means.clock, [one.queued_at for one in before if isinstance(one, Told)] + [one.at for one in known])
        now = means.clock.now()
        self._began = known[-1] if known else Began(now - gone_s * self._second, outage_name())
        # The clock may be set meanwhile; only a keeper that was started again has nothing else to go by.
        self._since_s = means.monotonic() - max(gone_s, (now - self._began.at) / self._second)
        self._fresh = contents.as_of is not None and self._began.at - contents.as_of < OLDEST
        # Those that ended lately among them: nothing of them falls due, but an SOS opens them again.
        self._ladder = Ladder((*contents.dives, *contents.over) if self._fresh else ())
        if not self._fresh:
            _LOG.error("snapshot_too_old", extra={"as_of": str(contents.as_of)})
        if known:
            self._take_up(before)
        else:
            self._begin()

    @property
    def stands_in(self) -> bool:
        """Whether the database has been gone for so long that alarms go out by the snapshot."""
        return self._means.monotonic() - self._since_s >= STAND_IN_AFTER_S

    def round(self) -> None:
        """Hear, decide, tell: in batches, so that of thousands the first do not wait for the last to be worded."""
        if self.stands_in:
            self._hear_all()
        until_s = self._means.monotonic() + ROUND_S
        more = True
        while more and self._means.monotonic() < until_s:
            due = self._ladder.tick(self._means.clock.now(), TICKS_AT_ONCE) if self.stands_in else []
            self._keep(due)
            more = len(due) == TICKS_AT_ONCE
            for one in self._courier.carry(CARRIES_BETWEEN_S if more else CARRIES_FOR_S):
                if one.told.dive_id is not None:
                    self._ask(one.told.dive_id, NoteUnreachable(one.told.person_key, one.why, one.told.channel))

    def close(self) -> None:
        """Write down what is still with a gateway; whatever else waits is the database's again."""
        self._courier.close()

    def _begin(self) -> None:
        """Tell the admins, and take over the alarms that the database had decided and nobody had carried."""
        told = [self._gone(club, admin) for club in self._contents.clubs for admin in self._admins(club)]
        kept = self._ladder.kept
        open_ = [one for one in self._contents.waiting if one.dive_id in kept and kept[one.dive_id].closed_at is None]
        told += [_as_told(one) for one in open_]
        self._journal.write([self._began, *told])
        self._courier.add(told)

    def _take_up(self, before: Iterable[Entry]) -> None:
        before = list(before)
        for entry in before:
            if isinstance(entry, Happened):
                try:
                    self._ladder.fold(entry)
                except (UnreadableStateError, ValueError):
                    _LOG.exception("journal_not_folded", extra={"dive": entry.dive_id})
            elif isinstance(entry, Heard):
                self._heard.add(entry.file)
            elif isinstance(entry, Told) and entry.dive_id and entry.step.endswith(PLAINEST):
                self._plain.add(entry.dive_id)
        self._courier.take_up(before)
        self._opt_outs.take_up(before)
        self._help.take_up(before)
        for entry in before:
            if isinstance(entry, Opted) and self._opt_outs.has(entry.number, entry.phone):
                self._courier.drop_to(entry.phone, self._clubs_of(entry.number))
        for dive in self._ladder.dives.values():
            if dive.phase is Phase.CLOSED:
                self._courier.drop(dive.id)
            else:
                self._courier.drop_untrue(dive)

    def _gone(self, club: ClubToTell, admin: Recipient) -> Told:
        now = self._means.clock.now()
        words = (
            "Linetender fault: the database is gone. Alarms go on from a copy, as not confirmed,"
            " 2 minutes after it went. Please bring it back."
            if self._fresh
            else "Linetender fault: the database is gone, and there is no copy of today. NO ALARM GOES OUT."
            " Phone the contacts of whoever is in the water."
        )
        body = plain(club.name, words)
        draft = Draft(admin, MessageKind.OTHER, GONE, body, due_at=now)
        return self._told(draft, admin, club.id, None, now)

    # What is heard

    def _hear_all(self) -> None:
        try:
            files = self._means.spool.waiting()
        except OSError:
            _LOG.exception("spool_not_read")
            return
        for path in files:
            if path.name in self._heard:
                continue
            self._heard.add(path.name)
            try:
                brought = self._means.spool.read(path)
            except (UnreadableError, OSError):
                continue  # the database will have it put aside
            self._heed_opt_out(brought)
            asked = self._asked(brought)
            done = [self._ask(dive_id, command) for dive_id, command in asked]
            for dive_id in self._unreadable(brought, alone=not asked):
                self._keep([(dive_id, [])])
            if not any(done):
                self._answer_help(brought)
            self._journal.write([Heard(path.name)])

    def _heed_opt_out(self, brought: Brought) -> None:
        """First of all: what follows from it, such as the next contact's alarm, goes to them no more."""
        if not isinstance(brought, InboundText):
            return
        number = self._number_heard(brought.receiver)
        said = self._opt_outs.hear(brought, number, self._country(number))
        if said is not None:
            self._journal.write([said])
            if said.out:
                self._courier.drop_to(said.phone, self._clubs_of(number))

    def _clubs_of(self, number: str) -> set[str]:
        dives = {one.club_id for one in self._ladder.kept.values() if one.receiving_number == number}
        return dives | {club.id for club in self._clubs.values() if club.receiving_number == number}

    def _country(self, number: str) -> str | None:
        return next((self._clubs[one].country for one in sorted(self._clubs_of(number)) if one in self._clubs), None)

    def _asked(self, brought: Brought) -> list[Asked]:
        match brought:
            case InboundText():
                kept, number = self._ladder.kept, self._number_heard(brought.receiver)
                every = self._ladder.dives.values()
                here = [one for one in every if kept[one.id].receiving_number == number]
                elsewhere = [one for one in every if kept[one.id].receiving_number != number]
                clubs = [self._clubs[one] for one in self._clubs_of(number) if one in self._clubs]
                admins = {admin.phone: f"{AN_ADMIN}{admin.id}" for club in clubs for admin in club.admins}
                return asked_by(brought, here, admins, self._country(number), elsewhere)
            case KeyPress() if brought.key == ANSWER_KEY:
                told = self._courier.message(brought.message_id)
                return [] if told is None else self._answered(told)
        return []

    def _unreadable(self, brought: Brought, *, alone: bool) -> list[str]:
        """What a call for help may be about and cannot be read: its contacts get the plainest alarm."""
        if not isinstance(brought, InboundText):
            return []
        number = self._number_heard(brought.receiver)
        kept = self._ladder.kept.values()
        here = [one for one in kept if one.receiving_number == number and one.id not in self._ladder.dives]
        return unreadable_of(brought, self._country(number), here, alone=alone)

    def _answer_help(self, brought: Brought) -> None:
        """What calls for help and moved no dive."""
        number = self._number_heard(brought.receiver) if isinstance(brought, InboundText) else ""
        club = next((self._clubs[one] for one in sorted(self._clubs_of(number)) if one in self._clubs), None)
        if club is None or not isinstance(brought, InboundText):
            return
        now, sender = self._means.clock.now(), phone_heard(brought.sender, club.country)
        people = [one for dive in self._ladder.dives.values() for one in (*dive.divers, *dive.contacts)]
        language = next((one.language for one in people if one.phone == sender), None)
        drafts = self._help.drafts(brought, club, self._admins(club), language, now)
        wanted = [one for one in drafts if not self._opt_outs.has(number, one.to.phone)]
        told = [self._told(one, one.to, club.id, None, now) for one in wanted]
        self._journal.write(told)
        self._courier.add(told)

    def _number_heard(self, receiver: str) -> str:
        """As the database would take it; where the snapshot knows of no such club, as the gateway wrote it."""
        return number_heard(receiver, [*self._numbers.values()], self._means.own_numbers) or receiver

    def _answered(self, told: Told) -> list[Asked]:
        """A key that was pressed in a call of ours."""
        dive = self._ladder.dives.get(told.dive_id or "")
        person = dive.person(told.person_key) if dive else None
        if dive is None or person is None or told.kind > MessageKind.ALERT:
            return []
        by = Actor(Role.CONTACT, person.name, Via.CALL, person.key, person.phone, f"key {ANSWER_KEY}")
        return [(dive.id, Acknowledge(by))]

    # What is decided

    def _ask(self, dive_id: str, command: Command) -> bool:
        """Whether anything came of it."""
        steps = self._ladder.ask(dive_id, command, self._means.clock.now())
        self._keep([(dive_id, steps)])
        return bool(steps)

    def _keep(self, decided: Sequence[tuple[str, Sequence[Step]]]) -> None:
        """Into the journal with it, then to the courier."""
        entries: list[Entry] = []
        told: list[Told] = []
        deaf: dict[tuple[str, str], None] = {}
        for dive_id, steps in decided:
            messages = self._worded(dive_id, steps, deaf)
            entries += [*([happened(dive_id, steps)] if steps else []), *messages]
            told += messages
        if not entries:
            return
        self._journal.write(entries)
        for dive_id, steps in decided:
            if any(isinstance(event, Closed) for _, event in steps):
                self._courier.drop(dive_id)
            elif steps:
                self._courier.drop_untrue(steps[-1][0])
        self._courier.add(told)
        for dive_id, key in deaf:
            self._ask(dive_id, NoteUnreachable(key, "opted_out"))

    def _worded(self, dive_id: str, steps: Sequence[Step], deaf: dict[tuple[str, str], None]) -> list[Told]:
        """What people are told of it. Where rules or wording fail they get the plainest alarm: silence is no answer."""
        try:
            if dive_id not in self._ladder.faulty:
                return [one for dive, event in steps for one in self._messages(dive, event, deaf)]
        except Exception:  # noqa: BLE001 - see above
            _LOG.exception("wording_failed", extra={"dive": dive_id})
        return self._plainest(dive_id)

    def _plainest(self, dive_id: str) -> list[Told]:
        """Once for a dive, to every contact and every admin of its club."""
        if dive_id in self._plain:
            return []
        self._plain.add(dive_id)
        kept, now = self._ladder.kept[dive_id], self._means.clock.now()
        body, contacts = _plain_words(self._ladder.dives.get(dive_id), kept.facts)
        club = self._clubs.get(kept.club_id)
        people = [*contacts, *(self._admins(club) if club else [])] if body else []
        return [
            self._told(
                Draft(one, MessageKind.DISTRESS, PLAINEST, body, now, rank=rank), one, kept.club_id, dive_id, now
            )
            for rank, one in enumerate(people)
            if one.phone and not self._opt_outs.has(kept.receiving_number, one.phone)
        ]

    def _messages(self, dive: Dive, event: Event, deaf: dict[tuple[str, str], None]) -> list[Told]:
        if isinstance(event, Closed) and not (dive.alarm_at or self._courier.has_told(dive.id)):
            return []  # nobody was alarmed, so nobody need know before the database does
        if isinstance(event, StepTaken) and event.step is Rung.DISTRESS_AGAIN and event.number > DISTRESS_MAX:
            return []
        kept = self._ladder.kept[dive.id]
        told: list[Told] = []
        for draft in unconfirmed(dive, event, messages_for(dive, event)):
            for person in self._people(kept.club_id, draft):
                if draft.channel is not Channel.EMAIL and self._opt_outs.has(kept.receiving_number, person.phone):
                    deaf[dive.id, person.key] = None
                elif person.phone:
                    # By this instant the record later finds which step it was of.
                    told.append(self._told(draft, person, kept.club_id, dive.id, event.at))
        over = also_over(dive, event, self._courier.owed_the_end(dive.id), told) if isinstance(event, Closed) else []
        wanted = [one for one in over if not self._opt_outs.has(kept.receiving_number, one.to.phone or "")]
        return [*told, *(self._told(one, one.to, kept.club_id, dive.id, event.at) for one in wanted)]

    def _people(self, club_id: str, draft: Draft) -> Sequence[Recipient]:
        club = self._clubs.get(club_id)
        return whom(draft.to, lambda: [] if club is None else self._admins(club))

    def _admins(self, club: ClubToTell) -> list[Recipient]:
        """Those to whom something may go."""
        people = [Recipient(f"{AN_ADMIN}{one.id}", one.name, one.phone) for one in club.admins]
        return [one for one in people if not self._opt_outs.has(club.receiving_number, one.phone)]

    def _told(self, draft: Draft, person: Recipient, club_id: str, dive_id: str | None, now: datetime) -> Told:
        texted = draft.channel is Channel.TEXT
        return Told(
            id=new_id(),
            club_id=club_id,
            dive_id=dive_id,
            person_key=person.key,
            name=person.name,
            phone=person.phone or "",
            email=person.email if draft.channel is Channel.EMAIL else None,
            channel=draft.channel,
            language=person.language,
            kind=int(draft.kind),
            rank=draft.rank,
            step=f"{OUTAGE_STEP}{self._began.name}-{draft.step}",
            subject=draft.subject,
            body=draft.text,
            segments=len(segments(draft.text).parts) if texted else 0,
            queued_at=now,
            due_at=draft.due_at,
        )


def _plain_words(dive: Dive | None, facts: RowFacts | None) -> tuple[str, Sequence[Recipient]]:
    """The plainest alarm and who ashore gets it, of a dive or of the plain columns of one that cannot be read."""
    if dive is not None:
        site, lead = dive.plan.site, dive.lead
        words = service_fault(dive.club_name, site.name, site.rescue_call, lead.name, lead.phone, drill=dive.drill)
        return words, dive.contacts
    if facts is None:
        return "", ()  # of a snapshot that an older version wrote
    contacts = [Recipient(one.key, one.name, one.phone) for one in facts.phones if one.role == Role.CONTACT]
    return fault_words(facts), contacts


def _as_told(waiting: WaitingAlarm) -> Told:
    """An alarm of the outbox that nobody has carried; the row with its id is there already."""
    return Told(**{**asdict(waiting), "channel": Channel(waiting.channel)})
