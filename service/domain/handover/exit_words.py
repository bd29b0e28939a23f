"""The exits and what vehicles reach, a line each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from service.domain.handover.pack import Pack
from service.domain.handover.speaking import span
from service.domain.place.exits import ExitChoice
from service.domain.place.geodesy import compass_point
from service.domain.place.position import decimal
from service.domain.place.search_area import metres_and_miles
from service.domain.place.site import PointKind, SitePoint

_KINDS = {
    PointKind.VEHICLE_ACCESS: "Vehicle access",
    PointKind.PARKING: "Parking",
    PointKind.MEETING: "Meeting point",
    PointKind.SIGNAL: "Phone or signal",
    PointKind.HAZARD: "Hazard",
}


@dataclass(frozen=True, slots=True)
class ExitWords:
    """One place to reach: `number` is that on the sketch, None for what is not numbered there."""

    number: int | None
    name: str
    words: str


def exit_words(pack: Pack) -> tuple[ExitWords, ...]:
    """The exits, the one to make for first, and then how vehicles and people get to the site."""
    exits = [
        ExitWords(choice.number, f"{choice.number} {choice.point.name}", exit_line(choice)) for choice in pack.exits
    ]
    others = [
        ExitWords(None, f"{_KINDS[kind]}: {point.name}", _joined(_point(point)))
        for kind in _KINDS
        for point in pack.site.of_kind(kind)
    ]
    return (*exits, *others)


def exit_line(choice: ExitChoice) -> str:
    """How far, which way, how long a swim, how easy, and what is in the way, as far as it is known."""
    found = ["planned" if choice.chosen else ""]
    if choice.distance_m is not None and choice.bearing_deg is not None:
        way = f"{round(choice.bearing_deg) % 360:03d}\N{DEGREE SIGN} ({compass_point(choice.bearing_deg)})"
        found.append(f"{metres_and_miles(choice.distance_m)} towards {way}")
    if choice.swim is not None and choice.swim >= timedelta(minutes=1):
        found.append(f"about {span(choice.swim)} to swim")
    found.append("the current is too strong to swim to it" if choice.current_too_strong else "")
    found.append({True: "", False: "closed by the tide at due out", None: "tide not known"}[choice.open_at_due_out])
    return _joined([*found, *_point(choice.point)])


def _point(point: SitePoint) -> list[str]:
    return [
        f"ease {point.ease} of 5" if point.ease is not None else "",
        "emergency vehicles reach it" if point.vehicles else "",
        decimal(point.position) if point.position is not None else "position not known",
        point.notes or "",
    ]


def _joined(words: list[str]) -> str:
    return f"{', '.join(word.rstrip('.') for word in words if word)}."
