"""The form of grace periods: its fields, and what is typed there read into settings and an example dive."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from typing import Final
from zoneinfo import ZoneInfo

from service.domain.grace import FinishNeeds, GracePeriods, NeverStarted
from service.domain.local_time import instant, minutes
from service.domain.plan import CONTACTS_MAX, RUN_TIME_MAX, RUN_TIME_MIN
from service.operations.example_dive import PHONES_MAX, Example, Story
from service.operations.grace_settings import Setting

LENGTH_MAX: Final = timedelta(days=1)
_TYPED_MAX: Final = 12
_MINUTE, _SECOND = timedelta(minutes=1), timedelta(seconds=1)
_UNIT_WORDS: Final = {_MINUTE: "minutes", _SECOND: "seconds"}


@dataclass(frozen=True, slots=True)
class Length:
    """A field for a length of time. `unit` is that of the figures in it."""

    name: str
    label: str
    hint: str
    unit: timedelta = _MINUTE


@dataclass(frozen=True, slots=True)
class Choice:
    """A field with a few values, each with its words."""

    name: str
    label: str
    hint: str
    options: tuple[tuple[StrEnum, str], ...]


Field = Length | Choice

GROUPS: Final[tuple[tuple[str, tuple[Field, ...]], ...]] = (
    (
        "Reminders to the party",
        (
            Length("heads_up_before", "Heads-up, minutes before due out", "To every phone of the party."),
            Length("second_call_after", "Second call, minutes after due out", "Must come before the alert."),
        ),
    ),
    (
        "The alarm",
        (
            Length("grace", "Grace period, minutes after due out", "The raise-by time: the first contact is alerted."),
            Length("next_contact_every", "Next contact, minutes after the one before", "While nobody answers."),
            Length("distress_after", "Distress, minutes after due out", "All contacts are told to call rescue now."),
            Length("distress_every", "Distress again, every so many minutes", "Until somebody reports CALLED or SAFE."),
            Length(
                "hand_up_after",
                "Hand-up, minutes after due out",
                "To the admins: no answer, or nothing came of it.",
            ),
        ),
    ),
    (
        "A plan that nobody starts",
        (
            Length("ask_started_after", "Ask, minutes after the planned time in", "Whether they went in."),
            Length("assume_started_after", "Decide, minutes after the planned time in", "If there is no answer."),
            Choice(
                "never_started",
                "What is decided then",
                "Lapsing means that no clock runs for divers who went in and forgot to say so.",
                (
                    (NeverStarted.START, "It is treated as started at its planned time"),
                    (NeverStarted.LAPSE, "It lapses, and diver and contacts are told"),
                ),
            ),
        ),
    ),
    (
        "What counts",
        (
            Length("extension_cap", "Extensions, minutes in all", "How much longer a party may ask for by LATE."),
            Choice(
                "finish_needs",
                "A finish needs",
                "Sender numbers can be forged.",
                (
                    (FinishNeeds.PHONE, "A phone of the party, or the finish code"),
                    (FinishNeeds.CODE, "Always the finish code"),
                    (FinishNeeds.HEADCOUNT, "A head count"),
                ),
            ),
            Length(
                "receipt_within",
                "Receipt of an alert, seconds",
                "A contact whose phone has not confirmed it by then counts as not answering.",
                _SECOND,
            ),
            Length(
                "arming_within",
                "Arming, seconds after the start",
                "If no contact could be told by then, the diver hears NOT ARMED.",
                _SECOND,
            ),
        ),
    ),
)
FIELDS: Final = tuple(one for _, fields in GROUPS for one in fields)
STORIES: Final = (
    (Story.SILENT, "They go in, then nothing is heard"),
    (Story.ANSWERED, "The first contact answers OK"),
    (Story.LATE, "They text LATE 20"),
    (Story.UNSTARTED, "Nobody says that they went in"),
)
EXAMPLE_VALUES: Final = {"time_in": "10:00", "run_time": "50", "phones": "2", "contacts": "2", "story": "silent"}


@dataclass
class GraceForm:
    """What is in the fields, and what is wrong there. `given` and `example` are what could be read."""

    values: dict[str, str]
    errors: dict[str, str] = field(default_factory=dict)
    readings: dict[str, str] = field(default_factory=dict)
    given: dict[str, Setting] = field(default_factory=dict)
    example: Example | None = None

    def periods(self, base: GracePeriods) -> GracePeriods:
        """The base with what was given."""
        return replace(base, **self.given)  # type: ignore[arg-type]


def figure(value: timedelta, unit: timedelta) -> str:
    """A length in a field, as short as it goes."""
    return f"{value / unit:.2f}".rstrip("0").rstrip(".")


def shown(one: Field, periods: GracePeriods) -> str:
    """What a field holds for these periods."""
    value = getattr(periods, one.name)
    return figure(value, one.unit) if isinstance(one, Length) else str(value)


def in_words(one: Field, periods: GracePeriods) -> str:
    """The same for a sentence."""
    if isinstance(one, Length):
        return f"{shown(one, periods)} {_UNIT_WORDS[one.unit]}"
    return dict(one.options)[getattr(periods, one.name)]


def filled(holds: GracePeriods, own: Mapping[str, object], *, of_site: bool) -> GraceForm:
    """The form as it is opened: at a site what follows the club's is empty."""
    values = {one.name: "" if of_site and one.name not in own else shown(one, holds) for one in FIELDS}
    return GraceForm(values | EXAMPLE_VALUES)


def typed(posted: Mapping[str, str], *, of_site: bool, today: datetime, zone: str) -> GraceForm:
    """The form as it was sent. What cannot be read is in `errors`, and stays in its field."""
    names = [one.name for one in FIELDS] + list(EXAMPLE_VALUES)
    form = GraceForm({name: posted.get(name, "").strip()[: 2 * _TYPED_MAX] for name in names})
    for one in FIELDS:
        words = form.values[one.name]
        if of_site and not words:
            continue
        try:
            form.given[one.name] = _length(words, one) if isinstance(one, Length) else _choice(words, one)
        except ValueError as error:
            form.errors[one.name] = str(error)
    form.example = _example(form, today, zone)
    return form


def example_of(form: GraceForm, today: datetime, zone: str) -> GraceForm:
    """The same form with its example read."""
    form.example = _example(form, today, zone)
    return form


def _length(words: str, one: Length) -> timedelta:
    unit = _UNIT_WORDS[one.unit]
    try:
        number = Decimal(words.replace(",", "."))
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite():
        raise ValueError(f"Give a number of {unit}, such as {'15' if one.unit is _MINUTE else '30'}.")
    most = LENGTH_MAX // one.unit
    if not 0 <= number <= most:
        raise ValueError(f"Give 0 to {most} {unit}.")
    return timedelta(seconds=round(number * int(one.unit.total_seconds())))


def _choice(words: str, one: Choice) -> Setting:
    for value, _ in one.options:
        if words == value and isinstance(value, NeverStarted | FinishNeeds):
            return value
    raise ValueError("Choose one of these.")


def _example(form: GraceForm, today: datetime, zone: str) -> Example | None:
    """The example, or None with its faults noted."""
    wrong = dict(_wrong_in_example(form.values))
    try:
        at = instant(today.astimezone(ZoneInfo(zone)).date(), _time_of_day(form.values["time_in"]), zone)
    except ValueError as error:
        form.errors |= {"time_in": str(error)}
        at = None
    form.errors |= wrong
    if wrong or at is None:
        return None
    return Example(
        time_in_at=at,
        run_time=timedelta(minutes=int(form.values["run_time"])),
        phones=int(form.values["phones"]),
        contacts=int(form.values["contacts"]),
        story=Story(form.values["story"]),
    )


def _time_of_day(words: str) -> time:
    if not re.fullmatch(r"([01]?[0-9]|2[0-3]):[0-5][0-9]", words, re.ASCII):
        raise ValueError("Write a time of day like 10:00.")
    return time.fromisoformat(words.zfill(len("00:00")))


def _wrong_in_example(values: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    bounds = {
        "run_time": (minutes(RUN_TIME_MIN), minutes(RUN_TIME_MAX)),
        "phones": (1, PHONES_MAX),
        "contacts": (1, CONTACTS_MAX),
    }
    for name, (least, most) in bounds.items():
        words = values[name]
        plain = words.isascii() and words.isdecimal() and len(words) <= 3  # noqa: PLR2004 - digits
        if not plain or not least <= int(words) <= most:
            yield name, f"Give a whole number from {least} to {most}."
    if values["story"] not in list(Story):
        yield "story", "Choose one of these."
