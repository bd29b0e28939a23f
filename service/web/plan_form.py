"""The plan form: what was typed, what is wrong with it field by field, and the request that it makes."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time

from service.domain.language import is_language
from service.domain.phone import PhoneError
from service.domain.place.position import PLAIN_SIGNS, Position
from service.domain.plan import Check, Level
from service.operations.contact_reading import read_email, read_persons_phone
from service.operations.plan_reading import GasRequest, NamedPhone, PlaceRequest, PlanRequest
from service.store.tables.club import ClubRow
from service.web.typed import few_figures, position_read

OTHER_PLACE = "other"
OTHERS = range(2, 7)  # diver 1 is the lead
CONTACTS = range(1, 4)
RUN_TIME_STAND_IN = 30  # where none could be read, so that the other fields are checked all the same

_GAS = ("gas_cylinder", "gas_fill", "gas_reserve", "gas_rate")
_PLACE = ("place_name", "place_position", "place_rescue")
_NUMBER = re.compile(r"\d{1,4}(?:[.,]\d{1,3})?")
_UNITS = re.compile(r"\s*(?:min(?:ute)?s?|m|metres?|l|litres?|bar|l/min|\N{DEGREE SIGN} ?c?|c)\.?$", re.IGNORECASE)

FIELDS = (
    "site",
    *_PLACE,
    "time_in_date",
    "time_in_time",
    "run_time",
    "lead_name",
    "lead_phone",
    *(f"diver_{n}_{part}" for n in OTHERS for part in ("name", "phone")),
    *(f"contact_{n}_{part}" for n in CONTACTS for part in ("name", "phone")),
    "lead_language",
    *(f"contact_{n}_{part}" for n in CONTACTS for part in ("email", "language")),
    "grace",
    "depth",
    *_GAS,
    "exit_1",
    "exit_2",
    "vehicle",
    "kit",
    "smb",
    "water",
    "notes",
    "medical",
    "share_medical",
)

# Which input a finding of the plan's checks belongs beside.
_INPUT_OF_CHECK = {
    "lead": "lead_phone",
    "party": "lead_name",
    "contacts": "contact_1_phone",
    "time_in": "time_in_time",
    "run_time": "run_time",
    "site": "site",
    "rescue_call": "place_rescue",
    "grace_min": "grace",
    "depth_m": "depth",
    "gas": "gas_cylinder",
    "exits": "exit_1",
    "vehicle": "vehicle",
    "kit": "kit",
    "smb": "smb",
    "water_c": "water",
    "notes": "notes",
    "medical": "medical",
}
# Inputs that one check looks at together: where one of them has an error already, the check would only repeat it.
_TOGETHER = {
    "lead": ("lead_",),
    "party": ("lead_", "diver_"),
    "contacts": ("contact_",),
    "time_in": ("time_in_",),
    "site": ("site", "place_"),
    "gas": ("gas_", "depth", "run_time"),
}


@dataclass(frozen=True, slots=True)
class PlanForm:
    """A form as it came, with every value as typed; `errors` are by the name of the input they stand beside.

    `readings` say how what was typed was understood, by the name of the input as well.
    """

    values: Mapping[str, str]
    errors: dict[str, str] = field(default_factory=dict)
    request: PlanRequest | None = None
    readings: dict[str, str] = field(default_factory=dict)

    def has_any(self, *names: str) -> bool:
        """Whether something was typed into one of these inputs, or is wrong with it."""
        return any(self.values[name] or name in self.errors for name in names)

    def with_checks(self, checks: tuple[Check, ...]) -> PlanForm:
        """The form with what the plan's own checks refuse beside the inputs that they are about."""
        errors = dict(self.errors)
        for check in checks:
            about = _TOGETHER.get(check.field, (_INPUT_OF_CHECK.get(check.field, check.field),))
            if check.level is Level.REFUSE and not any(name.startswith(about) for name in self.errors):
                name = _INPUT_OF_CHECK.get(check.field, "site")
                errors[name] = f"{errors[name]} {check.words}" if name in errors else check.words
        return replace(self, errors=errors)

    def in_order(self) -> list[tuple[str, str]]:
        """The errors in the order of the inputs, for the summary."""
        return [(name, self.errors[name]) for name in FIELDS if name in self.errors]


def empty_form() -> PlanForm:
    """A form with nothing in it."""
    return PlanForm(dict.fromkeys(FIELDS, ""))


def read_form(
    fields: Mapping[str, str], club: ClubRow, ours: Collection[str], near: Position | None = None
) -> PlanForm:
    """Read what was typed. `request` is made even where single fields are wrong, so that all is told at once.

    `near` is where the club dives: a short plus code is looked for there. `ours` are the numbers on which texts to
    clubs come in.
    """
    values = {name: fields.get(name, "") for name in FIELDS}
    reader = _Reader(values, club, ours, near)
    return PlanForm(values, reader.errors, reader.request(), reader.readings)


class _Reader:
    """Reads input by input and keeps what is wrong."""

    def __init__(self, values: Mapping[str, str], club: ClubRow, ours: Collection[str], near: Position | None) -> None:
        self._values = values
        self._club = club
        self._ours = ours
        self._near = near
        self.errors: dict[str, str] = {}
        self.readings: dict[str, str] = {}

    def request(self) -> PlanRequest:
        return PlanRequest(
            site=self._site(),
            run_time_min=self._run_time(),
            lead=self._lead(),
            party=self._others(),
            contacts=self._contacts(),
            time_in_local=self._time_in(),
            grace_min=self._number("grace"),
            depth_m=self._number("depth"),
            gas=self._gas(),
            exits=tuple(filter(None, (self._text("exit_1"), self._text("exit_2")))),
            vehicle=self._text("vehicle") or None,
            kit=self._text("kit") or None,
            smb=self._text("smb") or None,
            notes=self._text("notes") or None,
            water_c=self._water(),
            medical=self._text("medical") or None,
            share_medical=bool(self._text("share_medical")),
        )

    def _text(self, name: str) -> str:
        return " ".join(self._values[name].split())

    def _wrong(self, name: str, words: str) -> None:
        self.errors.setdefault(name, words)

    def _number(self, name: str) -> float | None:
        typed = _UNITS.sub("", self._text(name))
        if not typed:
            return None
        if not (typed.isascii() and _NUMBER.fullmatch(typed)):
            self._wrong(name, "Give a number in digits, such as 45.")
            return None
        return float(typed.replace(",", "."))

    def _water(self) -> float | None:
        """Degrees Celsius; the sea may be colder than fresh water freezes at."""
        typed = _UNITS.sub("", self._text("water").translate(PLAIN_SIGNS))
        if not typed:
            return None
        if not (typed.isascii() and _NUMBER.fullmatch(typed.removeprefix("-"))):
            self._wrong("water", "Give the temperature in degrees Celsius, such as 12.")
            return None
        return float(typed.replace(",", "."))

    def _run_time(self) -> float:
        number = self._number("run_time")
        if number is None:
            self._wrong("run_time", "Give the run time in minutes, from entry to being out.")
        return RUN_TIME_STAND_IN if number is None else number

    def _site(self) -> str | PlaceRequest:
        site = self._text("site")
        if not site:
            self._wrong("site", "Choose where you dive.")
        if site != OTHER_PLACE:
            if any(map(self._text, _PLACE)):
                self._wrong(
                    "site",
                    "You filled in another place as well. Choose \N{LEFT DOUBLE QUOTATION MARK}another"
                    " place\N{RIGHT DOUBLE QUOTATION MARK} here, or empty those fields.",
                )
            return site
        if not self._text("place_name"):
            self._wrong("place_name", "Name the place as rescuers would know it.")
        return PlaceRequest(self._text("place_name"), self._position(), self._text("place_rescue"))

    def _position(self) -> tuple[float, float] | None:
        try:
            reading = position_read(self._text("place_position"), self._near)
        except ValueError as error:
            self._wrong("place_position", str(error))
            return None
        said = [f"Understood as {reading.reading}.", few_figures(reading)]
        self.readings["place_position"] = " ".join(words for words in said if words)
        return reading.position.lat, reading.position.lon

    def _time_in(self) -> datetime | None:
        day, clock = self._text("time_in_date"), self._text("time_in_time")
        if not day and not clock:
            return None
        if not day:
            self._wrong("time_in_date", "Give the day of that time too, or leave both empty.")
            return None
        if not clock:
            self._wrong("time_in_time", "Give the time of that day too, or leave both empty.")
            return None
        try:
            return datetime.combine(date.fromisoformat(day), time.fromisoformat(clock).replace(tzinfo=None))
        except ValueError:
            self._wrong("time_in_time", "Give the day like 2027-06-01 and the time like 10:00.")
            return None

    def _person(self, prefix: str, no_name: str, no_phone: str | None) -> NamedPhone:
        name, phone = self._text(f"{prefix}_name"), self._text(f"{prefix}_phone")
        if not name:
            self._wrong(f"{prefix}_name", no_name)
        if phone:
            try:
                read_persons_phone(phone, self._club, self._ours)
            except PhoneError as error:
                self._wrong(f"{prefix}_phone", str(error))
        elif no_phone is not None:
            self._wrong(f"{prefix}_phone", no_phone)
        return NamedPhone(name, phone or None)

    def _lead(self) -> NamedPhone:
        lead = self._person("lead", "Give the lead diver's name.", "The lead diver needs a mobile number.")
        return replace(lead, language=self._language("lead_language"))

    def _contact(self, prefix: str) -> NamedPhone:
        """A contact; who has an e-mail address or a language and no name was begun and not finished."""
        contact = self._person(prefix, "Give this contact's name.", "Give this contact's number.")
        email = self._text(f"{prefix}_email")
        try:
            read_email(email)
        except ValueError as error:
            self._wrong(f"{prefix}_email", str(error))
        return replace(contact, email=email or None, language=self._language(f"{prefix}_language"))

    def _language(self, name: str) -> str | None:
        language = self._text(name)
        if language and not is_language(language):
            self._wrong(name, "Choose one of these languages.")
        return language or None

    def _filled(self, prefix: str) -> bool:
        return any(
            self._text(f"{prefix}_{part}") for part in ("name", "phone", "email") if f"{prefix}_{part}" in FIELDS
        )

    def _others(self) -> tuple[NamedPhone, ...]:
        filled = [f"diver_{n}" for n in OTHERS if self._filled(f"diver_{n}")]
        return tuple(self._person(prefix, "Give this diver's name.", None) for prefix in filled)

    def _contacts(self) -> tuple[NamedPhone, ...]:
        filled = [f"contact_{n}" for n in CONTACTS if self._filled(f"contact_{n}")]
        if not filled:
            self._wrong("contact_1_name", "Name at least one person ashore who will raise the alarm.")
        return tuple(self._contact(prefix) for prefix in filled)

    def _gas(self) -> GasRequest | None:
        if not any(map(self._text, _GAS)):
            return None
        numbers = [self._number(name) for name in _GAS]
        for name in _GAS:
            if not self._text(name):
                self._wrong(name, "Give all four figures of the gas, or none.")
        given = [number for number in numbers if number is not None]
        return GasRequest(*given) if len(given) == len(_GAS) else None
