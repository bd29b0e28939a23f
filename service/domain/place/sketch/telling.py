"""The sketch in words, for a screen reader and for a phone call."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.domain.local_time import say
from service.domain.place.exits import ExitChoice
from service.domain.place.fix import Fix
from service.domain.place.geodesy import bearing_deg, compass_point, distance_m
from service.domain.place.position import Position
from service.domain.place.search_area import CAUTION, Picture, metres_and_miles
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.place.sketch.marks import located, rounded_length
from service.domain.place.writing import degrees_minutes

KIND_WORDS = {
    PointKind.ENTRY: "Entry",
    PointKind.EXIT: "Exit",
    PointKind.VEHICLE_ACCESS: "Vehicle access",
    PointKind.PARKING: "Parking",
    PointKind.MEETING: "Meeting point",
    PointKind.HAZARD: "Hazard",
    PointKind.SIGNAL: "Phone or signal",
}


def tell(
    site: SitePlan,
    last: Fix | None,
    pictures: Sequence[Picture],
    choices: Sequence[ExitChoice],
) -> tuple[str, ...]:
    """Line by line what the sketch shows: where each point lies as seen from the entry, then fix, drift and search."""
    lines = [f"Sketch of {site.name}, north up."]
    if site.entry is not None:
        lines.append(f"Distances and true bearings are from the entry at {degrees_minutes(site.entry)}.")
    by_number = {choice.number: choice for choice in choices}
    for point, position, number in located(site):
        choice = None if number is None else by_number.get(number)
        lines.append(f"{_called(point, number)}: {_where(site.entry, position)}{_of_point(point, choice)}.")
    if last is not None:
        lines.append(_last(site, last, pictures[0].at if pictures else last.at))
    lines += [f"At {say(picture.at, site.zone, pictures[0].at)}: {_search(picture)}" for picture in pictures]
    return (*lines, CAUTION) if pictures else tuple(lines)


def way(start: Position, end: Position) -> str:
    """How far and which way: "226 m, 257 degrees, WSW"."""
    metres, towards = distance_m(start, end), bearing_deg(start, end)
    return f"{rounded_length(metres)}, {round(towards) % 360:03d} degrees, {compass_point(towards)}"


def _called(point: SitePoint, number: int | None) -> str:
    return f"{KIND_WORDS[point.kind]}{'' if number is None else f' {number}'}, {point.name}"


def _where(entry: Position | None, position: Position) -> str:
    if entry is None:
        return degrees_minutes(position)
    return "at the entry" if distance_m(entry, position) < 1 else way(entry, position)


def _of_point(point: SitePoint, choice: ExitChoice | None) -> str:
    facts = []
    if choice is not None and choice.open_at_due_out is False:
        facts.append("closed by the tide at due out")
    if choice is not None and choice.chosen:
        facts.append("named in the plan")
    if point.vehicles:
        facts.append("an emergency vehicle reaches it")
    return "".join(f", {fact}" for fact in facts)


def _last(site: SitePlan, last: Fix, now: datetime) -> str:
    accuracy = "" if last.accuracy_m is None else f", good to {rounded_length(last.accuracy_m)}"
    seen = "" if site.entry is None else f", {_where(site.entry, last.position)}"
    at = say(last.at, site.zone, now)
    return f"Last known position, at {at}: {degrees_minutes(last.position)}{accuracy}{seen}."


def _search(picture: Picture) -> str:
    start = picture.track[0]
    drifted = "no drift" if picture.drift_m < 1 else f"drifted {way(start, picture.datum)}"
    return (
        f"datum {degrees_minutes(picture.datum)}, {drifted}; first search radius {metres_and_miles(picture.radius_m)}."
    )
