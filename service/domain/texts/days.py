"""The day of a plan, beside its time, in the five languages of ours: `TOMORROW 1000`, `10:00 am Samstag`."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Final

from service.domain.texts.numbers import CLOCK
from service.domain.texts.table import words
from service.domain.texts.typed import folded

_TODAY = words("today tonight heute aujourdhui hoy oggi stasera")
_TOMORROW = words("tomorrow morgen demain manana domani")
# No abbreviation of two letters: "so" and "do" are words of their own.
_WEEKDAYS: Final = tuple(
    words(names)
    for names in (
        "mon monday mondays montag lundi lun lunes lunedi",
        "tue tues tuesday tuesdays dienstag mardi mar martes martedi",
        "wed weds wednesday wednesdays mittwoch mercredi mer miercoles mie mercoledi",
        "thu thur thurs thursday thursdays donnerstag jeudi jeu jueves jue giovedi gio",
        "fri friday fridays freitag vendredi ven viernes vie venerdi",
        "sat saturday saturdays samstag sonnabend samedi sam sabado sab sabato",
        "sun sunday sundays sonntag dimanche dim domingo dom domenica",
    )
)
_DAYS: Final = frozenset().union(_TODAY, _TOMORROW, *_WEEKDAYS)
_BEFORE_A_DAY = words("on am le el il")
_BEFORE_A_TIME = words("at um a alle")
_TIME_FOLLOWS = re.compile(rf"(?:{CLOCK}|\d{{3}})(?= |$)")
_TIME_BEFORE = re.compile(rf"(?:^| )(?:{CLOCK}|\d{{3}})$")
_HOUR = re.compile(r"\d{1,2}")
NIGHT_ENDS_AT: Final = 4
"""The hour until which somebody who is up late may mean the day that has begun by "tomorrow"."""


def take_day(typed: str) -> tuple[str, str | None]:
    """Part the words of a plan from the one day that stands beside its time; None where there is none, or several."""
    tokens = typed.split(" ")
    found = [at for at, token in enumerate(tokens) if folded(token) in _DAYS and _is_beside_a_time(tokens, at)]
    if len(found) != 1:
        return typed, None
    [at] = found
    before, after = tokens[:at], tokens[at + 1 :]
    before = _without_last(before, _BEFORE_A_DAY)
    if after and folded(after[0]) in _BEFORE_A_TIME:
        after.pop(0)
    return " ".join([*before, *after]), tokens[at].upper()


def _is_beside_a_time(tokens: list[str], at: int) -> bool:
    before, after = _without_last(tokens[:at], _BEFORE_A_DAY), tokens[at + 1 :]
    if after and folded(after[0]) in _BEFORE_A_TIME:
        after = after[1:]
    return bool(_TIME_BEFORE.search(" ".join(before[-2:])) or _TIME_FOLLOWS.match(" ".join(after[:2])))


def _without_last(tokens: list[str], words_before: frozenset[str]) -> list[str]:
    """Without the word that only leads to what follows; "10 am" is a time, "10:00 am Samstag" says when."""
    is_of_the_hour = len(tokens) > 1 and tokens[-1] == "am" and _HOUR.fullmatch(tokens[-2])
    return tokens[:-1] if tokens and tokens[-1] in words_before and not is_of_the_hour else tokens


def date_of(day: str, today: date, hour: int) -> date | None:
    """The date that a word for a day means, said on that day in that hour (both local); None where it could be two.

    The name of today may be today or a week on, and "tomorrow" after midnight this day or the next.
    """
    word = folded(day.lower())
    if word in _TODAY:
        return today
    if word in _TOMORROW:
        return today + timedelta(days=1) if hour >= NIGHT_ENDS_AT else None
    weekday = next(n for n, names in enumerate(_WEEKDAYS) if word in names)
    away = (weekday - today.weekday()) % 7
    return today + timedelta(days=away) if away else None
