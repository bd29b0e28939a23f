"""People by chance: they dive, come back or not, and text as people do."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Protocol

from service.domain.dive import Dive
from service.domain.dive.commands import Acknowledge, RaiseNow
from service.domain.people import Actor, Role, Via
from service.operations.filing import PlanFiled, file_plan
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.operations.recording import act
from tests.operations.stage import BY_ANNA, CLUB, FINN, OURS
from tests.simulation.cases import Case
from tests.simulation.gateways import Taken
from tests.simulation.habits import (
    ALARMED,
    CHARACTERS,
    FATES,
    LANGUAGES,
    LONG_ANSWER,
    LONG_TEXT,
    MACHINE,
    NONSENSE,
    OTHER,
    POSITIONS,
    SHARED,
    SITES,
    STRANGE,
    TROUBLE,
    WAYS,
    WORRY,
    draw,
)
from tests.simulation.processes import Life

if TYPE_CHECKING:
    from tests.simulation.world import World


class Hears(Protocol):
    """Whoever has to do with a dive."""

    def hears(self, taken: Taken, kind: str) -> None:
        """A text of a kind about it has reached a phone."""
        ...


@dataclass
class Contact:
    """Somebody ashore, in one dive."""

    party: Party
    phone: str
    character: str
    alarmed: bool = False
    told_calm: bool = False

    def hears(self, kind: str) -> None:
        """A text of a kind has reached this phone about this dive."""
        world, chance = self.party.world, self.party.chance
        if self.character == "machine":
            world.person("machine")
            self.say(MACHINE, chance.uniform(0.02, 0.2), means_it=False)
        elif kind in ("alert", "distress") and not self.alarmed:
            self.alarmed = True
            self.is_alarmed()
        elif kind == "start_notice" and not self.told_calm:
            self.told_calm = True
            if self.character in ("opts_out", "declines"):
                world.person(self.character)
                self.say("STOP" if self.character == "opts_out" else "DECLINE", chance.uniform(0.5, 20))
            elif chance.random() < 0.1:
                self.say("AGREE", chance.uniform(0.5, 10))

    def is_alarmed(self) -> None:
        """The alarm is here."""
        world, chance = self.party.world, self.party.chance
        if self.character in ("never_answers", "opts_out", "declines"):
            world.person("never_answers")
            if self.character == "opts_out" and chance.random() < 0.5:
                world.person("opts_in")
                self.say("START", chance.uniform(1, 20))
            return
        if self.character in ("nonsense", "other_language", "worry_words"):
            world.person(self.character)
            said = {"nonsense": NONSENSE, "other_language": OTHER, "worry_words": WORRY}[self.character]
            if any(self.phone in (party.lead, party.second) for party in world.planned):
                said = tuple(words for words in said if words != "OUT")  # theirs is of their own dive
            self.say(chance.choice(said), chance.uniform(0.5, 6), means_it=False)
        after = chance.uniform(20, 45) if self.character == "answers_late" else chance.uniform(0.5, 6)
        if self.character == "answers_late":
            world.person("answers_late")
        if chance.random() < 0.15:
            self.party.after(after, self.presses)
        else:
            self.say(chance.choice(("OK {ref}", "ok", "on it {ref}", "OK {ref}")), after)
        if chance.random() < 0.15:
            self.say(chance.choice(("WHERE", "STATUS", "ON SCENE", "PACK")), after + chance.uniform(0.5, 6))
        if self.party.fate in ("missing", "in_trouble") and chance.random() < 0.7:
            world.person("rescue_called")
            called = after + chance.uniform(1, 8)
            self.say(chance.choice(("CALLED", "called 4711 {ref}", "CALLED {ref}")), called)
            if chance.random() < 0.4:
                self.takes_back(called + chance.uniform(0.1, 25))
        self.party.safe_by(self, after)

    def takes_back(self, after: float) -> None:
        """It did not get through, or another says that rescue has no such case; some call then, and say so."""
        world, chance, words = self.party.world, self.party.chance, ("NOT CALLED", "NOT CALLED {ref}", "not called yet")
        world.person("called_taken_back")
        who = self if chance.random() < 0.7 else chance.choice(self.party.contacts)
        who.say(chance.choice((*words, "rescue not called {ref}", "my call did not get through")), after)
        if chance.random() < 0.5:
            self.say(chance.choice(("CALLED 4712 {ref}", "called")), after + chance.uniform(0.05, 15))

    def presses(self) -> None:
        """Answer by the button of the alarm page."""
        dive = self.party.dive
        person = next((one for one in dive.contacts if one.phone == self.phone), None) if dive else None
        if dive is None or person is None:
            return
        self.party.world.person("by_page")
        by = Actor(Role.CONTACT, person.name, Via.PAGE, person.key, self.phone, "I have it")
        self.party.world.web.bring(lambda life: act(life.service, dive.id, Acknowledge(by)))

    def say(self, words: str, after_min: float, *, means_it: bool = True) -> None:
        """Text us after so many minutes."""
        self.party.after(after_min, lambda: self.party.says(self.phone, words, means_it=means_it))


@dataclass
class Party:
    """The people of one dive, and what becomes of them."""

    world: World
    number: int
    files_at: datetime
    chance: random.Random
    fate: str = ""
    dive: Dive | None = None
    asked: int = 0
    safe_said: bool = False
    contacts: list[Contact] = field(default_factory=list)
    club: str = CLUB
    receiver: str = OURS  # the number that they text

    def __post_init__(self) -> None:
        chance = self.chance
        self.case = Case(self, chance)
        self.fate = draw(chance, FATES)
        self.lead = f"+4477009001{self.number:02}"
        self.second = f"+4477009004{self.number:02}" if chance.random() < 0.3 else None
        self.minutes = chance.choice((15, 20, 30, 40, 55))
        self.goes_in_at = self.files_at + timedelta(minutes=chance.uniform(2, 40))
        timed = self.fate == "never_starts" or chance.random() < 0.3
        self.time_in_at = self.goes_in_at + timedelta(minutes=chance.uniform(0, 10)) if timed else None
        begins = self.time_in_at if self.fate == "never_starts" and self.time_in_at else self.goes_in_at
        self.due_at = begins + timedelta(minutes=self.minutes)
        phones = [f"+4477009002{self.number:02}", SHARED if chance.random() < 0.3 else f"+4477009003{self.number:02}"]
        if self.number and chance.random() < 0.1:
            phones[1] = f"+4477009001{self.number - 1:02}"  # who dives in the party before
            self.world.person("swapped")
        count = chance.choice((1, 2, 2, 2))
        self.contacts = [Contact(self, phone, draw(chance, CHARACTERS)) for phone in phones[:count]]
        self.count = 1 + (self.second is not None)

    def request(self) -> PlanRequest:
        """Their plan."""
        chance = random.Random(f"plan {self.world.seed} {self.number}")
        return PlanRequest(
            site=chance.choice(SITES),
            run_time_min=self.minutes,
            lead=NamedPhone(f"Diver {self.number}", self.lead, language=chance.choice(LANGUAGES)),
            party=() if self.second is None else (NamedPhone(f"Second {self.number}", self.second),),
            contacts=tuple(
                NamedPhone(f"Contact {place} of {self.number}", one.phone, **self._ways(chance, one.phone))
                for place, one in enumerate(self.contacts)
            ),
            time_in_at=self.time_in_at,
        )

    def _ways(self, chance: random.Random, phone: str) -> dict[str, Any]:
        """A language, and on some days ways beside texts."""
        ways: dict[str, Any] = {"language": chance.choice(LANGUAGES)}
        if self.world.every_way:
            ways |= {"ways": chance.choice(WAYS), "email": f"{phone[-4:]}@example.org"}
        return ways

    # What happens to them

    def begin(self) -> None:
        """From here on their day goes by itself."""
        self.case.prepare()
        self.world.loop.at(self.files_at, self.case.file)

    def file(self) -> None:
        """Send the form; once more where no answer came, as people do."""
        web = self.world.web
        self.asked += 1
        again = (lambda: self.after(self.chance.uniform(0.3, 4), self.file)) if self.asked < 8 else None
        if not web.running:
            if again:
                again()
            return

        def send(life: Life) -> None:
            filed = file_plan(life.service, self.club, self.request(), BY_ANNA, request_key=f"form-{self.number}")
            if not isinstance(filed, PlanFiled):
                self.world.note(f"plan {self.number} is refused: {[check.words for check in filed.checks]}")
            elif self.dive is None:
                self.is_filed(filed.dive)
                self.world.loop.at(max(self.goes_in_at, self.world.loop.now), self.goes_in)

        web.act(send, again)

    def is_filed(self, dive: Dive) -> None:
        """They have their dive."""
        self.dive = dive
        self.world.parties[dive.id] = self
        self.world.note(f"plan {self.number} is filed: {dive.id} {dive.reference}, {self.fate} {self.case.name}")
        self.case.filed()

    def goes_in(self) -> None:
        """They start the clock, or do not, and the rest follows."""
        chance, fate = self.chance, self.fate
        ends = max(self.due_at, self.world.loop.now + timedelta(minutes=self.minutes))
        self.due_at = ends
        if fate == "never_starts":
            self.world.person(fate)
            self.at(ends + timedelta(minutes=chance.uniform(-10, 40)), self.finish)
        elif fate == "called_off":
            self.world.person(fate)
            self.says(self.lead, chance.choice(("NOGO", "not diving today", "call off")))
        else:
            self.start()
            self.under_water(ends)
            self.case.in_water(ends)
        self.at(ends + timedelta(minutes=chance.uniform(90, 150)), self.admin_looks)
        if chance.random() < 0.03:
            self.at(ends - timedelta(minutes=chance.uniform(-20, 10)), self.admin_raises)

    def start(self) -> None:
        """From their phone or another, with a code or without, and once with a wrong one."""
        chance = self.chance
        if chance.random() < 0.08:
            self.world.person("wrong_code")
            self.says(self.lead, f"IN {chance.randrange(10**6):06}")
        phone = self.lead
        if chance.random() < 0.08:
            self.world.person("other_phone")
            phone = STRANGE
        words = "IN {start}" if phone == STRANGE else chance.choice(("IN {start}", "IN {start}", "IN", "{start}"))
        self.insist(phone, words, lambda: self.phase() != "filed")

    def under_water(self, ends: datetime) -> None:
        """What they do until they are out."""
        chance, fate = self.chance, self.fate
        out_at = ends - timedelta(minutes=self.minutes * chance.uniform(0.02, 0.5))
        if chance.random() < 0.1:
            self.world.person("position")
            self.at(out_at - timedelta(minutes=3), lambda: self.says(self.lead, chance.choice(POSITIONS)))
        if chance.random() < 0.1:
            self.at(out_at - timedelta(minutes=2), lambda: self.says(self.lead, "STATUS"))
        if fate == "extends":
            self.world.person(fate)
            asks_at = ends - timedelta(minutes=chance.uniform(-12, 8))
            words = chance.choice(("LATE 20", "late 10", "+15", "LATE 90"))
            self.at(asks_at, lambda: self.says(self.lead, words))
            out_at = ends + timedelta(minutes=chance.uniform(0, 25))
        elif fate == "overdue":
            self.world.person(fate)
            out_at = ends + timedelta(minutes=chance.uniform(10, 70))
        elif fate in ("missing", "phone_lost"):
            self.world.person(fate)
            out_at = ends + timedelta(minutes=chance.uniform(10, 80))
        elif fate == "in_trouble":
            self.world.person(fate)
            at = ends - timedelta(minutes=self.minutes * chance.uniform(0.1, 0.9))
            self.at(at, lambda: self.insist(self.lead, chance.choice(TROUBLE), lambda: self.phase() in ALARMED))
            out_at = at + timedelta(minutes=chance.uniform(10, 60))
        elif fate == "partial":
            self.world.person(fate)
            self.at(out_at - timedelta(minutes=4), lambda: self.says(self.lead, f"OUT {max(self.count - 1, 1)}"))
        self.out_at = out_at
        if fate not in ("missing", "phone_lost"):
            self.at(out_at, self.finish)

    def finish(self) -> None:
        """They are out, and say so until they are answered."""
        chance = self.chance
        words = chance.choice(("OUT {finish}", "OUT", "all out", "OUT {n} {finish}", "OUT {n}", "{finish}"))
        phone = self.lead
        if self.second and chance.random() < 0.2:
            phone = self.second
        elif chance.random() < 0.06:
            self.world.person("other_phone")
            phone, words = STRANGE, "OUT {n} {finish}"
        if self.fate == "partial":
            words = "OUT {n}"
        if chance.random() < 0.1:
            words = LONG_TEXT
        self.insist(phone, words, lambda: self.phase() == "closed")

    def safe_by(self, contact: Contact, after_min: float) -> None:
        """A contact closes it, where the party does not: once they are found, or somewhat later."""
        if self.fate not in ("missing", "phone_lost", "never_starts"):
            return
        found = getattr(self, "out_at", self.world.loop.now)
        at = max(found, self.world.loop.now + timedelta(minutes=after_min)) + timedelta(
            minutes=self.chance.uniform(2, 20)
        )
        self.at(at, lambda: self.insist(contact.phone, "SAFE {n} {ref}", lambda: self.phase() == "closed"))

    def admin_looks(self) -> None:
        """A dive that is open long after its time is closed by an admin, who has phoned everybody."""
        if self.dive is None or self.phase() == "closed":
            return
        self.world.person("admin_closes")
        words = "SAFE {n} {ref}" if self.phase() in ALARMED else "OUT {n} {finish}"
        self.insist(FINN, words, lambda: self.phase() == "closed", most=8)

    def admin_raises(self) -> None:
        """An admin does not like the look of it."""
        dive = self.dive
        if dive is None or self.phase() not in ("in_water", "uncertainty"):
            return
        self.world.person("admin_raises")
        admin = self.world.database.row("SELECT id, name FROM admins")
        assert admin is not None
        by = Actor(Role.ADMIN, admin[1], Via.PAGE, f"admin-{admin[0]}", None, "Raise the alarm")
        self.world.web.bring(lambda life: act(life.service, dive.id, RaiseNow(by, note="the sea gets up")))

    # How they do it

    def phase(self) -> str:
        """How their dive stands."""
        return "" if self.dive is None else self.world.phase_of(self.dive.id)

    def says(self, phone: str, words: str, *, means_it: bool = True, again: bool = False) -> None:
        """Text us, with the codes and the reference in it. `means_it`: whether the words are about their dive."""
        dive = self.dive
        if dive is not None:
            if self.world.wordy and self.chance.random() < 0.25:
                words = f"{words} {LONG_ANSWER}"
            codes = {"start": dive.start_code, "finish": dive.finish_code, "ref": dive.reference, "n": self.count}
            said = self.case.puts(phone, words, again=again).format(**codes)
            self.case.texts(phone, said, {dive.id} if means_it else set())

    def insist(self, phone: str, words: str, done: Callable[[], bool], most: int = 4, *, again: bool = False) -> None:
        """Text us, and again some minutes later where it has not done what it should."""
        if done():
            return
        self.says(phone, words, again=again)

        def look() -> None:
            if not done():
                self.world.person("texts_twice")
                coded = {"IN": "IN {start}", "OUT": "OUT {n} {finish}", "all out": "OUT {n} {finish}"}
                self.insist(phone, coded.get(words, words), done, most - 1, again=True)

        if most > 1:
            self.after(self.chance.uniform(2.5, 6), look)

    def after(self, minutes: float, what: Callable[[], None]) -> None:
        """Later."""
        self.world.loop.after(minutes * 60, what)

    def at(self, when: datetime, what: Callable[[], None]) -> None:
        """Then, or now where that is over."""
        self.world.loop.at(when, what)

    def hears(self, taken: Taken, kind: str) -> None:
        """A text about their dive has reached a phone."""
        for contact in self.contacts:
            if contact.phone == taken.to:
                contact.hears(kind)
        self.case.hears(taken.to, kind)
