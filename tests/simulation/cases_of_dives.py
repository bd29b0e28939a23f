"""Dives that stand beside each other: two of one person, by text, in two clubs, with a drill, and who is in them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from random import Random
from typing import TYPE_CHECKING, ClassVar, TypeVar
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.operations import people as known
from service.operations.admin_roles import AdminRole
from service.operations.drill_people import MYSELF
from service.operations.drilling import DrillStarted, DrillWanted, start_drill
from service.operations.erasing import erase_due, erase_person
from service.operations.people import PersonTyped
from service.operations.plan_reading import NamedPhone
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import clubs, dives, drills, seed
from service.store.seed_sites import seed_sites
from tests.operations.stage import CLUB, FINN, HandMovedClock
from tests.simulation.cases import Case
from tests.simulation.cases_of_words import Bare
from tests.simulation.gateways import Taken
from tests.simulation.habits import SITES
from tests.simulation.people import Contact, Party
from tests.simulation.processes import SECOND_NUMBER, Life

if TYPE_CHECKING:
    from tests.simulation.world import World

T = TypeVar("T")

BESIDE = 30  # added to the number of a party, for the one beside it
OTHER_CLUB, OTHERS = "other", "+447700900600"  # and its number
WRONG_NUMBER = 0.2  # of the texts of who has two
BY_TEXT_TRIES = 6


def at_desk(world: World, work: Callable[[Service], T]) -> T:
    """Do something past the processes, before the day, or look at what is there."""
    away, world.database.is_away = world.database.is_away, None
    try:
        return work(Service(world.database.engine, HandMovedClock(world.believed.now()), "", "simulation"))
    finally:
        world.database.is_away = away


def admin_of(world: World) -> SignedIn:
    """The club's owner."""
    row = world.database.row("SELECT id, name FROM admins WHERE phone = ?", FINN)
    assert row is not None
    return SignedIn(row[0], row[1], CLUB, seed.CLUB_NAME, seed.ZONE, AdminRole.OWNER, "GB")


def know(case: Case) -> str:
    """The club keeps the lead, with those whom they name as usual contacts; gives their id."""
    party, world = case.party, case.world
    contacts = tuple(NamedPhone(f"Contact {at}", one.phone) for at, one in enumerate(party.contacts))
    typed = PersonTyped(f"Diver {party.number}", party.lead, "en", "", contacts)
    found = at_desk(world, lambda service: known.add_person(service, admin_of(world), typed))
    assert isinstance(found, str), found
    return found


class OneOfTwo(Bare):
    """Two plans of the same people: they say which they mean when they are asked, or were never told ARMED."""

    def puts(self, phone: str, words: str, *, again: bool) -> str:
        """Whose clock has not begun has the plan's text before them."""
        unheard = self.party.phase() == "filed" and words.startswith(("OUT", "all out", "LATE", "late", "+"))
        return super().puts(phone, words, again=again or unheard)


class Companion(OneOfTwo):
    """The other one of the two."""

    def filed(self) -> None:
        """Counted by the other one."""


def beside(party: Party, files_at: datetime) -> Party:
    """Another plan of the same people."""
    chance = Random(f"beside {party.world.seed} {party.number}")
    other = Party(party.world, party.number + BESIDE, files_at, chance)
    other.lead, other.second, other.count = party.lead, party.second, party.count
    other.contacts = [Contact(other, one.phone, one.character) for one in party.contacts]
    other.club, other.receiver = party.club, party.receiver
    other.case = Companion(other, chance)
    return other


class Two(OneOfTwo):
    """Two plans of one person: one for tomorrow, one for later, or one of the buddy that runs at the same time."""

    name = "two"
    more = ("two_tomorrow", "two_later", "two_buddy")

    def filed(self) -> None:
        """The other is filed soon after, sometimes once they are in already."""
        party, chance = self.party, self.chance
        kind = chance.choice(("tomorrow", "later", "buddy"))
        self.occurs()
        self.occurs(f"two_{kind}")
        other = beside(party, self.world.loop.now + timedelta(minutes=chance.uniform(0.2, 30)))
        if kind == "buddy" and party.second:
            other.lead, other.second = party.second, party.lead
        if kind == "later":
            other.goes_in_at = max(party.goes_in_at, other.files_at) + timedelta(minutes=chance.uniform(20, 200))
            other.time_in_at = other.goes_in_at if chance.random() < 0.5 else None
        elif kind == "tomorrow":
            other.time_in_at = other.goes_in_at = party.goes_in_at + timedelta(hours=24, minutes=chance.uniform(0, 300))
        other.due_at = other.goes_in_at + timedelta(minutes=other.minutes)
        other.begin()


class ContactDives(Case):
    """The first contact is the buddy; somebody ashore is named behind them."""

    name = "contact_dives"

    def prepare(self) -> None:
        """Before they plan."""
        party = self.party
        party.second = party.second or f"+4477009004{party.number:02}"
        party.count = 2
        ashore = party.contacts[-1]
        ashore = ashore if ashore.phone != party.second else Contact(party, f"+4477009003{party.number:02}", "acts")
        party.contacts = [Contact(party, party.second, "acts"), ashore]
        if self.chance.random() < 0.3:
            party.contacts.reverse()

    def filed(self) -> None:
        """It was taken."""
        self.occurs()


class AdminIsContact(Case):
    """The club's admin is a contact too, first or last, and the hand-up goes to them as well."""

    name = "admin_is_contact"

    def prepare(self) -> None:
        """Before they plan."""
        party = self.party
        admin = Contact(party, FINN, self.chance.choice(("acts", "acts", "never_answers", "declines")))
        party.contacts = [party.contacts[0], admin] if self.chance.random() < 0.5 else [admin]
        party.fate = self.chance.choice(("overdue", "missing", party.fate))

    def filed(self) -> None:
        """It was taken."""
        self.occurs()


class ByText(Case):
    """The plan is a text from the beach; some lie on their way for a while."""

    name = "by_text"
    more = ("belated",)

    def prepare(self) -> None:
        """The club knows them."""
        self.party.count = 1 + (self.party.second is not None)
        know(self)
        self.tries = 0

    def file(self) -> None:
        """By one text, or by PLAN and IN, once more where no dive comes of it."""
        party, world, chance = self.party, self.world, self.chance
        self.tries += 1
        if self.found() or self.tries > BY_TEXT_TRIES:
            return
        lies_min = chance.uniform(1.5, 25) if chance.random() < 0.4 else 0.0
        self.occurs("belated" if lies_min else "")
        site = chance.choice(SITES)
        if self.tries == 1:
            self.at_once = chance.random() < 0.5
            party.goes_in_at = world.loop.now + timedelta(minutes=0 if self.at_once else chance.uniform(3, 30))
            party.due_at = party.goes_in_at + timedelta(minutes=party.minutes)
        local = max(party.goes_in_at, world.loop.now).astimezone(ZoneInfo(seed.ZONE))
        words = f"IN {site} {party.minutes} P{party.count}"
        if not self.at_once:
            words = f"PLAN {site} {local:%H%M} {party.minutes} P{party.count}"
        world.text(party.lead, words, None, party.receiver, lies_min)
        party.after(lies_min + 0.2, self.look)
        party.after(lies_min + chance.uniform(3, 6), self.file)

    def look(self, left: int = 12) -> None:
        """Whether the text has come to anything."""
        if not self.found() and left:
            self.party.after(0.25, lambda: self.look(left - 1))

    def found(self) -> bool:
        """Whether they have their dive; if so the rest goes by itself."""
        party, world = self.party, self.world
        if party.dive is not None:
            return True
        row = world.database.row(FILED_BY_TEXT, party.lead)
        dive = None if row is None else at_desk(world, lambda desk: desk.read(lambda one: dives.get(one, row[0])))
        if dive is None:
            return False
        party.is_filed(dive)
        ends = max(party.due_at, world.loop.now)
        if self.at_once:
            party.under_water(ends)
            party.at(ends + timedelta(minutes=self.chance.uniform(90, 150)), party.admin_looks)
        else:
            party.at(max(party.goes_in_at, world.loop.now), party.goes_in)
        return True


FILED_BY_TEXT = "SELECT dive_id FROM dive_phones WHERE phone = ? AND role = 'diver'"


class SecondNumber(Case):
    """They answer to the number that the second gateway sends from."""

    name = "second_number"

    def texts(self, phone: str, said: str, means: set[str]) -> str:
        """All of them, or now and then one."""
        if self.chance.random() < 0.7:
            self.occurs()
            to = self.chance.choice((SECOND_NUMBER, SECOND_NUMBER.replace("+44", "0")))
            return self.world.text(phone, said, means, to)
        return super().texts(phone, said, means)


class TwoClubs(Case):
    """The lead is ashore for a dive of another club, which has the same gateways and another number."""

    name = "two_clubs"
    more = ("wrong_club",)

    def prepare(self) -> None:
        """The other club is there, and its dive is about the same time."""
        party, world = self.party, self.world
        if world.database.row("SELECT id FROM clubs WHERE id = ?", OTHER_CLUB) is None:
            at_desk(world, lambda service: service.write(lambda session: _another_club(session, service)))
        other = beside(party, party.files_at + timedelta(minutes=self.chance.uniform(0, 20)))
        other.lead, other.second, other.count = f"+4477009005{party.number:02}", None, 1
        other.contacts = [Contact(other, party.lead, "acts")]
        other.club, other.receiver = OTHER_CLUB, OTHERS
        other.fate = self.chance.choice(("overdue", "in_time", "in_trouble"))
        other.case = OfOtherClub(other, self.chance)
        other.begin()

    def filed(self) -> None:
        """Both go on."""
        self.occurs()

    def texts(self, phone: str, said: str, means: set[str]) -> str:
        """Who has two numbers of ours takes the wrong one now and then."""
        if phone != self.party.lead or self.chance.random() > WRONG_NUMBER:
            return super().texts(phone, said, means)
        self.occurs("wrong_club")
        return self.world.text(phone, said, means, OTHERS)


class OfOtherClub(Companion):
    """The dive of the other club, whose contact dives in the first one."""

    def texts(self, phone: str, said: str, means: set[str]) -> str:
        """As there."""
        if phone == self.party.lead or self.chance.random() > WRONG_NUMBER:
            return super().texts(phone, said, means)
        self.occurs("wrong_club")
        return self.world.text(phone, said, means)


def _another_club(session: Session, service: Service) -> None:
    now = service.clock.now()
    clubs.add(
        session,
        club_id=OTHER_CLUB,
        name="Farholm Divers",
        country="GB",
        zone=seed.ZONE,
        receiving_number=OTHERS,
        rescue_call=seed.RESCUE_CALL,
    )
    seed_sites(session, OTHER_CLUB, seed.ZONE, now)


class Erased(Case):
    """The lead is erased from the club while the dive runs, or just after."""

    name = "erased"

    def prepare(self) -> None:
        """The club knows them."""
        self.person = know(self)

    def in_water(self, ends: datetime) -> None:
        """At the desk, which goes on with it later."""
        self.party.at(self.before(ends, -30, self.party.minutes), self.erase)
        for minutes in (100, 180):
            self.party.at(ends + timedelta(minutes=minutes), self.erase)

    def erase(self) -> None:
        """Ask for it; once asked, go on with it."""
        self.occurs()

        def work(life: Life) -> None:
            erase_person(life.service, admin_of(self.world), self.person)
            erase_due(life.service)

        self.world.web.bring(work)


class Drills(Case):
    """An exercise begins beside the dive, with its contacts, and the club's admin plays the diver."""

    name = "drill"
    looks_at: ClassVar[tuple[int, ...]] = (6, 12, 20, 40, 60, 75, 80, 85, 90, 100)

    def prepare(self) -> None:
        """The club knows the contacts by the lead."""
        know(self)
        self.told: set[str] = set()

    def in_water(self, ends: datetime) -> None:
        """While they are in."""
        self.party.at(self.before(ends, 1, self.party.minutes), self.begins)

    def begins(self) -> None:
        """At the desk."""
        phones = tuple(one.phone for one in self.party.contacts)
        wanted = DrillWanted(self.chance.choice(SITES), MYSELF, 5, 5, phones)

        def work(life: Life) -> None:
            begun = start_drill(life.service, admin_of(self.world), wanted)
            if not isinstance(begun, DrillStarted):
                self.world.note(f"no drill: {begun.field}: {begun.words}")
                return
            self.occurs()
            for dive_id in life.service.read(lambda session: drills.dive_ids(session, begun.drill_id)):
                self.world.parties[dive_id] = Exercise(self, dive_id)
            for minutes in self.looks_at:  # sweeps look every second
                self.party.after(minutes, self.world.duties.sweep)

        self.world.web.bring(work)


class Exercise:
    """The dive of a drill, as its contacts see it."""

    def __init__(self, case: Drills, dive_id: str) -> None:
        self._case = case
        self._dive_id = dive_id
        self._answered: set[str] = set()

    def hears(self, taken: Taken, kind: str) -> None:
        """They play along, by the reference or without."""
        case = self._case
        if kind not in ("alert", "distress") or taken.to in self._answered or case.chance.random() < 0.4:
            return
        self._answered.add(taken.to)
        row = case.world.database.row("SELECT reference FROM dives WHERE id = ?", self._dive_id)
        words = case.chance.choice((f"OK {row[0]}" if row else "OK", "OK", "SAFE 1"))
        case.party.after(case.chance.uniform(0.5, 4), lambda: case.world.text(taken.to, words, {self._dive_id}))


OF_DIVES = (Two, ContactDives, AdminIsContact, ByText, SecondNumber, TwoClubs, Erased, Drills)
