"""What a handover pack is made of. Values for the open formats, words for people; both come from the same dive."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.domain.dive.state import Phase
from service.domain.gas import GasGone
from service.domain.place.conditions import Current, Wind
from service.domain.place.daylight import Light
from service.domain.place.exits import ExitChoice
from service.domain.place.fix import Fix, Source
from service.domain.place.position import Position
from service.domain.place.search_area import Picture
from service.domain.place.site import SitePlan
from service.domain.place.sketch import Sketch
from service.domain.place.tide import TidalExtreme

CAUTION = (
    "A starting picture for the co-ordinator, not an instruction: the rescue service decides."
    " What is reckoned here is only as good as the plan and the words that it was reckoned from."
)

EXERCISE = "EXERCISE"

NO_CALL = "Nobody is in danger: call no rescue service unless it has agreed to take part."
"""What a drill says where somebody might otherwise act on it."""


class Situation(StrEnum):
    """What this is about, in the words in which it is reported."""

    OVERDUE = "overdue divers"
    IN_TROUBLE = "divers in trouble"
    IN_WATER = "divers in the water, not overdue"
    NOT_STARTED = "planned dive, not known to be in the water"
    OVER = "it is over"


@dataclass(frozen=True, slots=True)
class Fact:
    """One answer: `key` for programs, `label` the question in short, `words` the answer, and what limits it."""

    key: str
    label: str
    words: str
    caution: str | None = None


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody with a number (E.164) or without; `words` say what they are to the dive or have done."""

    name: str
    phone: str | None
    words: str = ""


@dataclass(frozen=True, slots=True)
class Moment:
    """An entry of the timeline."""

    at: datetime
    words: str


@dataclass(frozen=True, slots=True)
class PositionForm:
    """The position in one form, named."""

    name: str
    words: str


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Where to look first. `at` is when they were there, `how` says in words how that is known.

    Without any position `position` is None and `forms` is empty: then the name of the site is all there is.
    """

    position: Position | None
    how: str
    site: str
    forms: tuple[PositionForm, ...] = ()
    spelled: str | None = None
    at: datetime | None = None
    accuracy_m: float | None = None
    source: Source | None = None
    access: str | None = None


@dataclass(frozen=True, slots=True)
class Times:
    """When, as UTC instants; None for what has not been or is not known."""

    started_at: datetime | None
    due_out_at: datetime | None
    raise_by_at: datetime | None
    alarm_at: datetime | None
    called_at: datetime | None
    closed_at: datetime | None


@dataclass(frozen=True, slots=True)
class Water:
    """Current and wind; the tide's height in metres now, and the next high and low waters."""

    current: Current | None
    wind: Wind | None
    tide_m: float | None
    next_tides: tuple[TidalExtreme, ...]


@dataclass(frozen=True, slots=True)
class Pack:
    """Everything a co-ordinator is handed, as of `now`. `first` is the first screen, in the order of the questions.

    `headline` says what, who and how many in one line, with EXERCISE before it in a drill. `event` is what it is or was
    about, also once it is over; `incident` is rescue's number for it; `missing` is how many are not said to be out.
    `more` are the facts behind the first screen; `script` is to be read aloud. `exits` are in the order to make for
    them; `pictures` of the search area are for now and the next hours, empty once it is over or without a position.
    `timeline` has every event of the dive so far, or is empty.
    """

    dive_id: str
    version: int
    reference: str
    club: str
    now: datetime
    zone: str
    drill: bool
    phase: Phase
    situation: Situation
    event: Situation
    headline: str
    head_count: int
    missing: int
    incident: str | None
    names: tuple[str, ...]
    where: Whereabouts
    times: Times
    gas: GasGone | None
    light: Light | None
    water: Water
    rescue_call: str
    party: tuple[Person, ...]
    contacts: tuple[Person, ...]
    on_scene: tuple[Person, ...]
    done: tuple[str, ...]
    first: tuple[Fact, ...]
    more: tuple[Fact, ...]
    script: tuple[str, ...]
    site: SitePlan
    fixes: tuple[Fix, ...]
    exits: tuple[ExitChoice, ...]
    pictures: tuple[Picture, ...]
    search_notes: tuple[str, ...]
    sketch: Sketch | None
    timeline: tuple[Moment, ...] = ()
    medical: str | None = None
    caution: str = CAUTION

    @property
    def over(self) -> bool:
        """Whether nobody is looked for any more."""
        return self.phase is Phase.CLOSED

    def fact(self, key: str) -> Fact | None:
        """The fact of that key, of the first screen or behind it."""
        return next((fact for fact in (*self.first, *self.more) if fact.key == key), None)
