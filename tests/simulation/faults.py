"""Every kind of fault that a simulated day may have, and the weather of one day: which of them when, and how often."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from types import MappingProxyType


@dataclass(frozen=True)
class Kind:
    """One kind. `rate`: between which shares of the occasions it strikes; `lasts_min`: how long it is about."""

    name: str
    what: str
    rate: tuple[float, float] = (0.1, 0.6)
    lasts_min: tuple[float, float] = (10, 120)


LONG = (60, 480)
ONCE = (0.02, 0.12)
SHORT = (0.5, 3)
ALL_DAY = (1_440, 1_440)

KINDS = MappingProxyType(
    {
        kind.name: kind
        for kind in (
            # At the edge of a call to a gateway
            Kind("times_out", "a gateway takes nothing and does not answer for 12 s"),
            Kind("answer_lost", "a gateway takes a message, and its answer is lost"),
            Kind("server_error", "a gateway answers 5xx and has taken nothing"),
            Kind("server_error_taken", "a gateway answers 5xx and has taken the message"),
            Kind("code_raises", "a gateway's code breaks its word never to raise"),
            Kind("slow_answer", "a gateway answers after 3 to 11 s"),
            Kind("not_sent", "nothing leaves this machine: refused, no such host, a certificate that is over"),
            Kind("throttled", "429 with a second to wait"),
            Kind("throttled_long", "429 with an hour to wait"),
            Kind("throttled_mute", "429 that does not say how long"),
            Kind("filtered", "the wording is blocked", ONCE),
            Kind("no_route", "a gateway does not carry to that number", ONCE),
            Kind("number_refused", "a number takes no texts", ONCE),
            Kind("opted_out_there", "the carrier says that the number has opted out", ONCE),
            Kind("account_trouble", "a gateway says that it cannot send at all: key, credit, account"),
            Kind("code_unknown", "a refusal with a code that is in no table"),
            Kind("taken_once", "a gateway knows by its id what it has taken, and takes it no more", (1, 1), ALL_DAY),
            # For a while
            Kind("gateway_down", "one gateway is away", (1, 1), (1, 90)),
            Kind("gateways_down", "both gateways are away", (1, 1), (0.5, 20)),
            Kind("black_hole", "a gateway accepts and delivers nothing", (1, 1), LONG),
            Kind("look_up_fails", "asked whether it has a message, a gateway cannot tell"),
            Kind("look_up_lies", "asked whether it has a message, a gateway says no and has it"),
            Kind("look_up_slow", "asked whether it has a message, a gateway answers after 3 s"),
            # Receipts
            Kind("receipt_lost", "no receipt comes"),
            Kind("receipt_late", "a receipt comes after minutes"),
            Kind("receipt_twice", "a receipt comes twice"),
            Kind("receipt_disordered", "that it was sent comes after that it was delivered"),
            Kind("receipt_contradicted", "that it failed comes after that it was delivered"),
            Kind("receipt_early", "a receipt comes before our own commit"),
            Kind("receipt_failed", "a receipt says that it was not delivered"),
            Kind("receipt_unknown", "a receipt for an id that we do not know"),
            # Texts to us
            Kind("text_delayed", "the carrier keeps a text for up to 40 min", (0.05, 0.3), LONG),
            Kind("text_twice", "a gateway posts a text twice"),
            Kind("text_by_both", "both gateways post the same text"),
            Kind("text_not_posted", "a text is only in its gateway's list"),
            Kind("text_forged", "a text that nobody signed, with the number of a diver"),
            Kind("text_ahead", "a gateway's clock is ahead of ours"),
            Kind("parts_disordered", "the parts of a long text come out of order"),
            Kind("part_lost", "a part of a long text never comes"),
            Kind("list_unreadable", "the list of a gateway cannot be read", (0.5, 1), LONG),
            Kind("list_repeats", "the list of a gateway has a text twice", (0.5, 1), LONG),
            # Processes
            Kind("killed_before_commit", "a process is killed before a commit", ONCE),
            Kind("killed_after_commit", "a process is killed after a commit", ONCE),
            Kind("killed_before_request", "a courier is killed before its request leaves", ONCE),
            Kind("killed_after_request", "a courier is killed when its request has left", ONCE),
            Kind("killed_after_answer", "a courier is killed when the answer has come", ONCE),
            Kind("killed_before_answering", "the web is killed between storing a text and answering it", ONCE),
            Kind("frozen_in_call", "a courier stands still in a call for longer than its lease", ONCE),
            Kind("frozen", "a process stands still between two transactions", ONCE),
            Kind("sweepers_dead", "no sweeper lives for a while", (1, 1), (1, 40)),
            Kind("couriers_dead", "no courier lives for a while", (1, 1), (1, 40)),
            Kind("web_dead", "the web is down for a while", (1, 1), (1, 20)),
            Kind("keeper_dead", "the keeper is down for a while", (1, 1), LONG),
            Kind("two_sweeps", "two sweeps at once"),
            Kind("two_couriers", "two couriers at once"),
            # The broker
            Kind("nudge_lost", "a nudge is lost"),
            Kind("nudge_twice", "a nudge comes twice"),
            Kind("broker_away", "nothing comes through the broker", (1, 1), (1, 60)),
            # The database
            Kind("database_busy", "the database is locked", ONCE),
            Kind("connection_lost", "the connection is lost in mid-transaction", ONCE),
            Kind("commit_answer_lost", "a commit is done, and the connection is lost before we know", ONCE),
            Kind("database_hangs", "the database takes seconds to answer", ONCE),
            Kind("database_away", "the database is away", (1, 1), (0.5, 30)),
            Kind("disk_full", "nothing can be kept on disk while the database is away", (1, 1), (5, 60)),
            # Clocks
            Kind("clock_fast", "the machine's clock gains a second a minute", (1, 1), LONG),
            Kind("clock_slow", "the machine's clock loses a second a minute", (1, 1), LONG),
            Kind("clock_stops", "the machine's clock stands still", (1, 1), (0.5, 10)),
            Kind("clock_forward", "the machine's clock jumps forward", (1, 1), SHORT),
            Kind("clock_back", "the machine's clock jumps back", (1, 1), SHORT),
            Kind("clock_lost", "the machine starts again with a clock that is behind", (1, 1), (5, 30)),
            Kind("clock_corrected", "a clock that was ahead is set right, and all is started again", (1, 1), SHORT),
            Kind("clocks_apart", "a process is on a machine whose clock is up to 2 s beside", (1, 1), LONG),
        )
    }
)

# People are no faults, but what they do is counted beside them.
PEOPLE = MappingProxyType(
    {
        "never_answers": "a contact never answers",
        "answers_late": "a contact answers after 20 min or more",
        "nonsense": "somebody answers nonsense",
        "other_language": "somebody answers in words of another language",
        "machine": "a phone answers each of our texts by itself",
        "opts_out": "somebody opts out",
        "opts_in": "somebody opts in again",
        "declines": "a contact declines",
        "phone_lost": "a diver has lost the phone, and somebody else closes the dive",
        "wrong_code": "a wrong code is given",
        "texts_twice": "somebody who got no answer texts again",
        "other_phone": "a dive is started or finished from a strange phone",
        "swapped": "a contact's number is a diver's of another dive",
        "never_starts": "a plan with a time in is never started",
        "called_off": "a dive is called off",
        "extends": "a diver asks for more time",
        "partial": "a finish counts fewer than went in",
        "in_trouble": "a diver raises the alarm",
        "worry_words": "somebody writes words of trouble",
        "position": "somebody sends a position",
        "overdue": "divers are out late, and say nothing before",
        "missing": "divers do not come back by themselves",
        "admin_closes": "an admin closes a dive",
        "rescue_called": "a contact calls rescue",
        "called_taken_back": "it is taken back that rescue was called, by who said so or by another",
        "by_page": "a contact answers by a button of the alarm page",
        "admin_raises": "an admin raises the alarm",
        "key_pressed": "somebody takes a call and presses 1",
        "wrong_key": "somebody takes a call and presses another key",
        "call_not_taken": "nobody takes a call",
        "bare": "a party and its contacts name no code and no reference until they are asked",
        "repeats": "a text is texted twice, by the phone or the thumb",
        "counts": "a count says how many the party is, right or wrong",
        "grows": "more go in than the plan has",
        "cries": "words of trouble stand behind words that deny something else",
        "denies": "words of trouble are denied, or are about a mere thing",
        "thanks": "a contact says OK to the plan, and again to the alarm",
        "thanks_late": "a contact says OK about when the alarm is on its way",
        "others": "words of a diver come from a contact, those of a contact from a diver, or either from a stranger",
        "stops": "a diver or a contact opts out while the dive runs, and in again",
        "found": "rescue is called, and they come out by themselves",
        "two": "the same people have two plans",
        "two_tomorrow": "a plan for tomorrow stands beside a dive of now",
        "two_later": "the same people have a plan for later",
        "two_buddy": "the buddy has a plan of their own at the same time",
        "contact_dives": "a contact dives with the party",
        "admin_is_contact": "the club's admin is a contact",
        "by_text": "a plan is filed by text, with or without its start",
        "belated": "a plan by text lies on its way for minutes",
        "second_number": "somebody texts to the number that the second gateway sends from",
        "two_clubs": "a diver of one club is the contact of a dive of another, by the same gateways",
        "wrong_club": "somebody texts to the number of the other club",
        "erased": "somebody is erased from the club while the dive runs, or just after",
        "unknown": "somebody whom no dive knows calls for help while the database is away",
        "afterwards": "somebody calls for help within two hours of the end, where the database is away if it ever is",
        "drill": "an exercise begins beside the dive, with the same contacts",
    }
)

AWAY = ("gateways_down", "database_away")
CLOCK_KINDS = (
    *("clock_fast", "clock_slow", "clock_stops", "clock_forward", "clock_back", "clock_lost", "clock_corrected"),
    "clocks_apart",
)
HABIT = "taken_once"  # of the gateways, all of a day
STARTED_AGAIN = {"clock_back": "clock_lost", "clock_forward": "clock_corrected"}
LONGER = 10  # times as long as the one in whose place it is


@dataclass(frozen=True)
class Spell:
    """One kind from one instant to another, with the share of occasions at which it strikes."""

    kind: str
    begin: datetime
    end: datetime
    rate: float


@dataclass
class Weather:
    """The faults of one day."""

    chance: random.Random
    spells: list[Spell] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    struck: list[tuple[datetime, str]] = field(default_factory=list)
    most_at_once: int = 0

    def __post_init__(self) -> None:
        self.kinds: dict[str, list[Spell]] = {}  # by its name, when each is about
        for spell in self.spells:
            self.kinds.setdefault(spell.kind, []).append(spell)
        self._passing = [one for one in self.spells if one.kind != HABIT]  # a habit is there when it shows

    def about(self, kind: str, now: datetime) -> Spell | None:
        """The spell of this kind at that instant."""
        for one in self.kinds.get(kind, ()):
            if one.begin <= now < one.end:
                return one
        return None

    def strikes(self, kind: str, now: datetime) -> bool:
        """Whether it strikes now; if so it is counted."""
        spell = self.about(kind, now)
        if spell is None or (spell.rate < 1 and self.chance.random() >= spell.rate):
            return False
        self.note(kind, now)
        return True

    def first(self, kinds: Iterable[str], now: datetime) -> str | None:
        """The first of these that strikes."""
        return next((kind for kind in kinds if self.strikes(kind, now)), None)

    def note(self, kind: str, now: datetime) -> None:
        """It has struck."""
        self.counts[kind] += 1
        self.struck.append((now, kind))
        if kind in KINDS:
            at_once = {one.kind for one in self._passing if one.begin <= now < one.end and self.counts[one.kind]}
            self.most_at_once = max(self.most_at_once, len(at_once | {kind}))

    def between(self, begin: datetime, end: datetime) -> set[str]:
        """The kinds of fault that can have had to do with what went on then."""
        spells = {one.kind for one in self._passing if one.begin <= end and begin <= one.end and self.counts[one.kind]}
        return spells | {kind for at, kind in self.struck if kind in KINDS and begin <= at <= end}


def draw_weather(chance: random.Random, moments: Sequence[datetime], clears_at: datetime, kinds: int) -> list[Spell]:
    """Spells of so many kinds, near the moments that matter, and over when the weather clears."""
    spells = []
    drawn = sorted(set(KINDS) - set(STARTED_AGAIN.values()) - {HABIT})  # so that known seeds keep their days
    for name in chance.sample(drawn, kinds):
        kind = KINDS[name]
        for _ in range(chance.choice((1, 1, 2))):
            length = timedelta(minutes=chance.uniform(*kind.lasts_min))
            middle = chance.choice(moments) + timedelta(minutes=chance.uniform(-10, 25))
            begin = middle - length * chance.random()
            spells.append(Spell(name, begin, min(begin + length, clears_at), chance.uniform(*kind.rate)))
    return [_or_started_again(one, chance, clears_at) for one in spells if one.begin < one.end]


def habits(seed: int, begins_at: datetime, ends_at: datetime) -> list[Spell]:
    """Every other day has gateways that take an id once, as the home gateway does."""
    has_it = random.Random(f"habits {seed}").random() < 0.5  # apart from all that is drawn otherwise
    return [Spell(HABIT, begins_at, ends_at, 1.0)] if has_it else []


def _or_started_again(spell: Spell, chance: random.Random, clears_at: datetime) -> Spell:
    """Every other time a clock is set, all processes start anew with it."""
    if spell.kind not in STARTED_AGAIN or chance.random() < 0.5:
        return spell
    end = min(spell.begin + (spell.end - spell.begin) * LONGER, clears_at)
    return replace(spell, kind=STARTED_AGAIN[spell.kind], end=end)


def weather_of(names: Sequence[str], moments: Sequence[datetime], clears_at: datetime) -> list[Spell]:
    """Spells of just these kinds, around each of these moments."""
    spells = []
    for name in names:
        kind = KINDS[name]
        length = timedelta(minutes=min(kind.lasts_min[1], 12))
        # A clock that was set too often says nothing any more.
        for moment in moments[:3] if name in CLOCK_KINDS else moments:
            begin = moment - timedelta(minutes=2)
            spells.append(Spell(name, begin, min(begin + length, clears_at), sum(kind.rate) / 2))
    return [one for one in spells if one.begin < one.end]
