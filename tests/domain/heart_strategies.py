"""Random lives of random dives: all settings, any command from anybody at any time, sweeps on time or late."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from hypothesis import strategies as st

from service.domain.dive import Command, Decision, Dive, Event, Refusal, decide, evolve, next_due_at
from service.domain.dive import commands as do
from service.domain.dive.events import Filed
from service.domain.grace import FinishNeeds, GracePeriods, NeverStarted
from service.domain.people import CLOCK, Actor, Channel, Role, Via, contact_key
from service.domain.place.conditions import Current, Wind
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.plan import Contact, DivePlan, Diver, check_plan, refusals
from service.domain.wording import Draft, MessageKind, messages_for

# Sixty characters each, as long as a plan takes them.
LONG_NAMES = (
    "Maximiliana Theodora Featherstonehaugh-Willoughby de la Mare",
    "Bartholomew Aurelius Montgomery-Cholmondeley of the Far Isle",
    "Oyvind Sigurdsson Fjellstrand-Knudsen-Haraldsen av Vesteroya",
)
LONG_SITE = "The Old Lifeboat Slipway below the Lantern Tower, East Skerr"
LONG_RESCUE = "Skerry Bay Practice Rescue Co-ordination 07700 900999 or 998"
LONG_CLUB = "The Royal and Ancient Skerry Bay Sub-Aqua Exploration Societ"
NAMES = st.sampled_from(("Anna Holt", "Bram Vik", "Zo\u00eb \u00d8st", "\u0410\u043d\u043d\u0430", *LONG_NAMES))
WORDS = ("OUT", "LATE 20", "lost sight of him near the point", "we are \u20ac[fine]\u20ac " * 12, "\U0001f631" * 40, "")
ZONES = ("Europe/London", "Australia/Eucla", "America/St_Johns", "Pacific/Chatham")
# On or near nights of summer time, and on an ordinary day.
FILED_AT = (
    datetime(2027, 6, 1, 9, tzinfo=UTC),
    datetime(2027, 3, 28, 0, 20, tzinfo=UTC),
    datetime(2027, 10, 30, 23, 50, tzinfo=UTC),
)


# What a plan may say of a contact's ways; a landline has no texts.
WAYS = (
    (Channel.TEXT,),
    (Channel.TEXT, Channel.CALL),
    (Channel.TEXT, Channel.CALL, Channel.EMAIL),
    (Channel.CALL,),
    (Channel.CALL, Channel.EMAIL),
    (Channel.CALL, Channel.TEXT),
    (Channel.EMAIL, Channel.TEXT),
)


def seconds(least: float, most: float) -> st.SearchStrategy[timedelta]:
    """A length of time, in whole seconds."""
    return st.integers(int(least), int(most)).map(lambda count: timedelta(seconds=count))


@st.composite
def graces(draw: st.DrawFn) -> GracePeriods:
    """Any settings that contradict nothing."""
    grace = draw(seconds(300, 7200))
    distress = grace + draw(seconds(1, 3600))
    ask = draw(seconds(0, 3600))
    return GracePeriods(
        heads_up_before=draw(seconds(0, 1800)),
        second_call_after=draw(seconds(1, grace.total_seconds() - 1)),
        grace=grace,
        next_contact_every=draw(seconds(60, 900)),
        distress_after=distress,
        distress_every=draw(seconds(300, 1800)),
        hand_up_after=distress + draw(seconds(1, 3600)),
        ask_started_after=ask,
        assume_started_after=ask + draw(seconds(0, 3600)),
        extension_cap=timedelta(minutes=draw(st.sampled_from((60, 120, 5, 0)))),
        arming_within=draw(seconds(30, grace.total_seconds() - 1)),
        never_started=draw(st.sampled_from(NeverStarted)),
        finish_needs=draw(st.sampled_from(FinishNeeds)),
    )


@st.composite
def contacts(draw: st.DrawFn, number: int) -> Contact:
    """Anybody ashore; half of them have texts alone, as every contact of an old log has."""
    channels = draw(st.one_of(st.just(WAYS[0]), st.sampled_from(WAYS)))
    email = "ashore@example.org" if Channel.EMAIL in channels else None
    return Contact(draw(NAMES), f"+4477009002{number:02}", email=email, channels=channels)


@st.composite
def plans(draw: st.DrawFn, now: datetime) -> DivePlan:
    """Any plan that passes the checks."""
    has_phone = st.booleans()
    others = range(draw(st.sampled_from((0, 1, 11))))
    party = [
        Diver(draw(NAMES), "+447700900001"),
        *(Diver(draw(NAMES), f"+4477009001{number:02}" if draw(has_phone) else None) for number in others),
    ]
    people = draw(st.sampled_from((1, 2, 3, 6)))
    site = SitePlan(
        name=draw(st.sampled_from(("Lantern Cove", LONG_SITE))),
        zone=draw(st.sampled_from(ZONES)),
        rescue_call=draw(st.sampled_from(("07700 900999", LONG_RESCUE))),
        position=draw(st.sampled_from((None, Position(-47.12345, -120.54321)))),
        points=(SitePoint(PointKind.EXIT, "North slip"),),
        access=draw(st.sampled_from((None, "Track from the farm gate, key at the mill " * 7))),
    )
    return DivePlan(
        site=site,
        party=tuple(party),
        contacts=tuple(draw(contacts(number)) for number in range(people)),
        run_time=draw(seconds(300, 6 * 3600)),
        time_in_at=draw(st.one_of(st.none(), seconds(-600, 7200).map(lambda later: now + later))),
        exits=draw(st.sampled_from(((), ("North slip", "Beach")))),
        vehicle=draw(st.sampled_from((None, "blue van " * 30))),
        kit=draw(st.sampled_from((None, "orange buoy " * 20))),
    )


@dataclass(frozen=True)
class Move:
    """What happens next: how long after the last, whether sweeps ran on time till then, and what is asked."""

    after: timedelta
    swept: bool
    kind: str
    who: int
    count: int | None
    words: str
    pick: int


KINDS = [
    *(
        "start",
        "out",
        "out with code",
        "safe",
        "nogo",
        "end of a drill",
        "late",
        "late until",
        "sos",
        "worry",
        "ok",
        "ok",
        "called",
        "called",
        "not called",
        "fix",
        "conditions",
        "on scene",
        "note",
    ),
    *("hear", "handed", "handed", "unreachable", "unreachable", "reachable", "pressed", "tick", "tick", "tick"),
    *("restored", "go on"),
]
moves = st.builds(
    Move,
    after=st.one_of(seconds(0, 90), st.sampled_from([timedelta(minutes=m) for m in (1, 5, 10, 15, 30, 60, 119, 121)])),
    swept=st.booleans(),
    kind=st.sampled_from(KINDS),
    who=st.integers(0, 9),
    count=st.sampled_from((None, None, 0, 1, 2, 12, 13)),
    words=st.sampled_from(WORDS),
    pick=st.integers(0, 1000),
)


@st.composite
def filings(draw: st.DrawFn) -> tuple[do.FilePlan, datetime]:
    """A plan that is filed, with all its settings, and when."""
    now = draw(st.sampled_from(FILED_AT))
    plan = draw(plans(now))
    assert not refusals(check_plan(plan, now))
    command = do.FilePlan(
        by=Actor(Role.DIVER, plan.lead.name, Via.PAGE, "diver-0", plan.lead.phone, "form"),
        dive_id="d1",
        club_id="c1",
        club_name=draw(st.sampled_from(("Skerry Bay Divers", LONG_CLUB))),
        reference="7K",
        start_code="482139",
        finish_code="731905",
        plan=plan,
        grace=draw(graces()),
        drill=draw(st.booleans()),
        calls=draw(st.booleans()),
        newcomers=tuple(contact_key(place) for place in range(len(plan.contacts)) if draw(st.booleans())),
    )
    return command, now


AT_ONCE = timedelta(seconds=2)
START = Move(AT_ONCE, swept=True, kind="start", who=0, count=None, words="IN", pick=1)
HANDED = Move(AT_ONCE, swept=True, kind="handed", who=0, count=None, words="", pick=-1)
LATE = Move(AT_ONCE, swept=True, kind="late", who=0, count=None, words="LATE 10", pick=15)
OUT = Move(AT_ONCE, swept=True, kind="out with code", who=0, count=None, words="OUT", pick=0)
SOS = Move(AT_ONCE, swept=True, kind="worry", who=0, count=None, words="lost sight of him", pick=0)

# Left to chance few dives would get under way, be extended, or be raised again after the end.
openings = st.sampled_from(
    (
        [],
        [START],
        [START, HANDED],
        [START, HANDED, LATE, HANDED],
        [START, HANDED, LATE, HANDED, LATE, HANDED],
        [START, HANDED, OUT, SOS],
    )
)
courses = st.builds(lambda first, rest: first + rest, openings, st.lists(moves, min_size=1, max_size=14))
Life = tuple[tuple[do.FilePlan, datetime], list[Move]]
lives = st.tuples(filings(), courses)


def in_language(life: Life, language: str) -> Life:
    """The same life among people who all read that language."""
    (filing, now), course = life
    party = tuple(replace(diver, language=language) for diver in filing.plan.party)
    ashore = tuple(replace(contact, language=language) for contact in filing.plan.contacts)
    return (replace(filing, plan=replace(filing.plan, party=party, contacts=ashore)), now), course


@dataclass(frozen=True)
class Turn:
    """One command and all that came of it: the dive before and after each event, and what people were told."""

    command: Command
    now: datetime
    before: Dive | None
    decision: Decision
    steps: tuple[tuple[Event, Dive, tuple[Draft, ...]], ...]

    @property
    def after(self) -> Dive:
        """The dive when all of it had happened."""
        dive = self.steps[-1][1] if self.steps else self.before
        assert dive is not None
        return dive


def turn(dive: Dive | None, command: Command, now: datetime) -> Turn:
    """Decide once and let it happen."""
    decision = decide(dive, command, now)
    steps: list[tuple[Event, Dive, tuple[Draft, ...]]] = []
    current = dive
    for event in () if isinstance(decision, Refusal) else decision:
        current = evolve(current, event)
        steps.append((event, current, tuple(messages_for(current, event))))
    return Turn(command, now, dive, decision, tuple(steps))


def taken(filing: do.FilePlan, now: datetime) -> Turn:
    """The first turn, whether or not the checks of today would take the plan."""
    fields = {name: getattr(filing, name) for name in filing.__dataclass_fields__ if name != "said_at"}
    filed = Filed(at=now, **fields | ({"newcomers": ()} if filing.drill else {}))
    dive = evolve(None, filed)
    return Turn(filing, now, None, (filed,), ((filed, dive, tuple(messages_for(dive, filed))),))


def played(life: Life) -> Iterator[Turn]:
    """The turns of a life, one after another."""
    (filing, now), todo = life
    current = taken(filing, now)
    told = [draft for _, _, drafts in current.steps for draft in drafts]
    yield current
    for move in todo:
        until = now + move.after
        while move.swept and (due_at := next_due_at(current.after)) is not None and due_at <= until:
            now = max(now, due_at)
            current = turn(current.after, do.Tick(), now)
            told += [draft for _, _, drafts in current.steps for draft in drafts]
            yield current
        now = until
        current = turn(current.after, command_of(move, current.after, told, now), now)
        told += [draft for _, _, drafts in current.steps for draft in drafts]
        yield current


def actor(move: Move, dive: Dive) -> Actor:
    """Anybody: of the party, ashore, an admin, a script, or a strange phone."""
    via = (Via.TEXT, Via.PAGE)[move.pick % 2]
    if move.who in (0, 1, 2, 3):
        person = dive.divers[move.who % len(dive.divers)]
        return Actor(Role.DIVER, person.name, via if person.phone else Via.PAGE, person.key, person.phone, move.words)
    if move.who in (4, 5, 6):
        person = dive.contacts[move.who % len(dive.contacts)]
        return Actor(Role.CONTACT, person.name, via, person.key, person.phone, move.words)
    others = (
        Actor(Role.ADMIN, "Finn Gray", Via.PAGE, "admin-1", None, move.words),
        Actor(Role.STRANGER, "the kiosk", Via.API),
        Actor(Role.STRANGER, "a phone ending 077", Via.TEXT, None, "+447700900077", move.words),
    )
    return others[move.who - 7]


# Near what the words were, and what was wrong with a position in them.
HEARD = (
    *((near, None) for near in (None, "late", "start", "safe", "position", "where", "pack", "on_scene")),
    ("position", "latitude 91 is impossible: it goes from 90 south to 90 north"),
    (
        "position",
        f"the commas of {'12,5 ' * 24} can be read in two ways: write decimal points, as in 47.12345,-20.54321",
    ),
)


def fix_of(move: Move, dive: Dive, by: Actor) -> do.ReportFix:
    """A position of the party: at the site or off it, exact or not, of now, earlier or the future, or absurd."""
    entry = dive.plan.site.entry or Position(-47.12345, -120.54321)
    places = (
        entry,
        Position(entry.lat + 0.0123, entry.lon - 0.0123),
        Position(entry.lat - 0.5, entry.lon),
        Position(-89.99999, 179.99999),
        Position(entry.lat, -entry.lon),
    )
    accuracy_m = (None, 8.0, 480.0, 12_345.0)[move.pick % 4]
    away = (None, timedelta(minutes=-30), timedelta(minutes=-2), timedelta(seconds=90), timedelta(hours=3))[
        move.pick % 5
    ]
    fix_at = None if away is None else dive.filed_at + timedelta(minutes=40) + away
    return do.ReportFix(by, places[move.pick % 7 % len(places)], accuracy_m, fix_at)


REASONS = ("refused", "opted_out", "no_receipt", "no_answer", "declined")
CHANNELS = tuple(Channel)


def command_of(move: Move, dive: Dive, told: list[Draft], now: datetime) -> Command:
    """The command of a move, about people and messages that there are."""
    by = actor(move, dive)
    people = [person.key for person in dive.divers + dive.contacts]
    notices = [draft for draft in told[-12:] if draft.kind is MessageKind.START_NOTICE] or told[-12:]
    sent = notices[move.pick % len(notices)]
    person = people[move.pick % len(people)]
    commands: dict[str, Command] = {
        "start": do.Start(by, move.count, Position(47.0, 8.0) if move.pick % 3 == 0 else None),
        "out": do.Finish(by, move.count),
        "out with code": do.Finish(by, move.count, with_code=True),
        "safe": do.ReportSafe(by, move.count),
        "nogo": do.CallOff(by),
        "end of a drill": do.EndDrill(by, real_alarm=move.pick % 2 == 0),
        "late": do.Extend(by, move.pick % 70 - 5),
        "late until": do.Extend(by, until=f"{move.pick % 24:02}:{move.pick % 60:02}"),
        "sos": do.RaiseNow(by),
        "worry": do.RaiseNow(by, move.words, worry=True),
        "ok": do.Acknowledge(by),
        "called": do.ReportCalled(by, move.words[:40] or None),
        "not called": do.TakeBackCalled(by, own=move.pick % 3 == 0),
        "fix": fix_of(move, dive, by),
        "conditions": do.ReportConditions(by, Current(move.pick % 361, 0.5) if move.pick % 2 else None, Wind(0, 9)),
        "on scene": do.ReportOnScene(by),
        "note": do.AddNote(by, move.words),
        "hear": do.Hear(by, move.words, *HEARD[move.pick % len(HEARD)]),
        "handed": do.NoteHanded(sent.step, sent.to.key, sent.channel),
        "unreachable": do.NoteUnreachable(
            person, REASONS[move.pick % len(REASONS)], CHANNELS[move.pick % 5 % 3], said=move.pick % 2 == 0
        ),
        "reachable": do.NoteReachable(
            person, has_alarm=move.pick % 4 == 0, channel=CHANNELS[move.pick % 5 % 3], agreed=move.pick % 7 == 0
        ),
        "pressed": do.NoteReachable(sent.to.key, channel=sent.channel, step=sent.step),
        "restored": do.Hold(CLOCK, now - move.after, now + AT_ONCE, now + timedelta(minutes=10)),
        "go on": do.EndHold(CLOCK),
        "tick": do.Tick(),
    }
    return commands[move.kind]


@st.composite
def wild_filings(draw: st.DrawFn) -> tuple[do.FilePlan, datetime]:
    """A plan whose names are any text at all: what the checks let through today is not what was let through always."""
    command, now = draw(filings())
    text = st.text(max_size=80)
    plan = command.plan
    site = replace(plan.site, name=draw(text), rescue_call=draw(text))
    party = (replace(plan.party[0], name=draw(text)), *plan.party[1:])
    contacts = (replace(plan.contacts[0], name=draw(text)), *plan.contacts[1:])
    return replace(command, club_name=draw(text), plan=replace(plan, site=site, party=party, contacts=contacts)), now


wild_lives = st.tuples(
    wild_filings(),
    st.lists(st.builds(replace, moves, words=st.text(max_size=400)), min_size=1, max_size=16),
)
