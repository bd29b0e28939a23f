"""The form of a site: what was typed, how each position was understood, and the site that it makes or what is wrong.

It is checked by the same code as a file of a site (service.documents.site_reading), only told field by field.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Final

from service.documents.site_checks import check_names, check_places
from service.documents.site_reading import (
    FEATURES_MAX,
    LINE_POSITIONS_MAX,
    SHORELINE,
    SITE,
    Findings,
    SiteRead,
    read_point,
    read_site,
)
from service.domain.place.club_site import ClubSite
from service.domain.place.conditions import Current
from service.domain.place.directions import read_direction
from service.domain.place.geodesy import bearing_deg, distance_m
from service.domain.place.position import PLAIN_SIGNS, Position, lettered
from service.domain.place.site import SitePoint
from service.domain.place.tide import TideWindow
from service.domain.place.writing import degrees_minutes
from service.web.typed import few_figures, position_read

PLACES: Final = 6  # a tenth of a metre, as files have it
BLANK_POINTS: Final = 1
NEW_POINTS: Final = ("entry", "exit", "vehicle_access")

_WORDS = ("code", "name", "zone", "rescue_call", "non_emergency_call", "access", "notes")
_SITE_FIELDS = (*_WORDS, "aliases", "position", "current_set", "current_drift", "shoreline")
_POINT_FIELDS = ("kind", "name", "position", "ease", "notes", "vehicles", "min", "max", "before", "after", "gone")
_WINDOW = dict(zip(("min", "max", "before", "after"), (one.name for one in fields(TideWindow)), strict=True))
_NUMBER = re.compile(r"[+-]?\d{1,4}(?:[.,]\d{1,4})?")
_FIELD_OF = {"current": "current_set", "window": "min"}
_COUNT = re.compile(r"\d{1,3}")


@dataclass(frozen=True, slots=True)
class SiteForm:
    """A form as it came, with every value as typed; `errors` and `readings` are by the name of the input.

    `points` are the rows; the input of a row's field is named by `name_of`. `read` is the site that it makes, where it
    makes one; `imagined` what can be drawn of it in any case.
    """

    values: Mapping[str, str]
    points: Sequence[Mapping[str, str]]
    errors: Mapping[str, str] = field(default_factory=dict)
    readings: Mapping[str, Sequence[str]] = field(default_factory=dict)
    read: SiteRead | None = None
    imagined: ClubSite | None = None

    def point(self, number: int, name: str) -> str:
        """What stands in a field of a point."""
        return self.points[number].get(name, "")

    def as_far_as_typed(self) -> SiteForm:
        """The form without what is said of fields that nobody has come to yet."""
        flat = {**self.values, **_flat(self.points)}
        return replace(self, errors={name: words for name, words in self.errors.items() if flat.get(name)})

    def in_order(self) -> list[tuple[str, str]]:
        """The errors in the order of the inputs."""
        names = [*_SITE_FIELDS, *(name_of(row, name) for row in range(len(self.points)) for name in _POINT_FIELDS)]
        return [(name, self.errors[name]) for name in names if name in self.errors]


def name_of(number: int, name: str) -> str:
    """The name of the input of a point's field."""
    return f"p{number}_{name}"


def form_of(site: ClubSite) -> SiteForm:
    """The form of a site as it is, with room for one point more."""
    values = {name: getattr(site, name) or "" for name in _WORDS} | {"aliases": ", ".join(site.aliases)}
    values["position"] = _typed(site.position)
    values["current_set"] = "" if site.current is None else f"{site.current.set_deg:g}"
    values["current_drift"] = "" if site.current is None else f"{site.current.drift_kn:g}"
    values["shoreline"] = "\n".join(map(_typed, site.shoreline))
    rows = [*map(_row, site.points), *({"kind": ""} for _ in range(BLANK_POINTS))]
    return read_form({**values, **_flat(rows)}, site.position)


def empty_form(zone: str, rescue_call: str) -> SiteForm:
    """A form for a new site: nothing in it but the club's own, and rows for what every site should have."""
    values = dict.fromkeys(_SITE_FIELDS, "") | {"zone": zone, "rescue_call": rescue_call}
    return SiteForm(values, [{"kind": kind} for kind in NEW_POINTS])


def _row(point: SitePoint) -> dict[str, str]:
    row = {
        "kind": str(point.kind),
        "name": point.name,
        "position": "" if point.position is None else _typed(point.position),
        "ease": "" if point.ease is None else str(point.ease),
        "notes": point.notes or "",
        "vehicles": "yes" if point.vehicles else "",
    }
    window = point.window or TideWindow()
    numbers = {name: getattr(window, attribute) for name, attribute in _WINDOW.items()}
    return row | {name: "" if number is None else f"{number:g}" for name, number in numbers.items()}


def _flat(rows: Sequence[Mapping[str, str]]) -> dict[str, str]:
    flat = {name_of(number, name): value for number, row in enumerate(rows) for name, value in row.items()}
    return flat | {"points": str(len(rows))}


def _typed(position: Position) -> str:
    return f"{round(position.lat, PLACES) + 0.0:.{PLACES}f}, {round(position.lon, PLACES) + 0.0:.{PLACES}f}"


def rows_of(given: Mapping[str, str]) -> list[dict[str, str]]:
    """The rows of the points as they were typed."""
    count = given.get("points", "")
    number = min(int(count), FEATURES_MAX + BLANK_POINTS) if count.isascii() and _COUNT.fullmatch(count) else 0
    return [{name: given.get(name_of(row, name), "") for name in _POINT_FIELDS} for row in range(number)]


def moved_up(rows: Sequence[dict[str, str]], number: int) -> list[dict[str, str]]:
    """The rows with one of them moved before the one above it."""
    order = list(rows)
    if 0 < number < len(order):
        order[number - 1 : number + 1] = [order[number], order[number - 1]]
    return order


def with_rows(given: Mapping[str, str], rows: Sequence[Mapping[str, str]]) -> dict[str, str]:
    """What was typed, with these rows in the place of its own."""
    rest = {name: value for name, value in given.items() if not re.match(r"p\d+_", name)}
    return rest | _flat(rows)


def read_form(given: Mapping[str, str], near: Position | None) -> SiteForm:
    """Read what was typed, and say all that is wrong at once. Short plus codes are looked for near `near`."""
    return _Reader(given, near).form()


def _is_blank(row: Mapping[str, str]) -> bool:
    return bool(row["gone"]) or not any(row[name].strip() for name in _POINT_FIELDS if name != "kind")


class _Reader:
    """Reads input by input and keeps what is wrong."""

    def __init__(self, given: Mapping[str, str], near: Position | None) -> None:
        self._values = {name: given.get(name, "") for name in _SITE_FIELDS}
        self._rows = rows_of(given)
        self._near = near
        self._errors: dict[str, str] = {}
        self._readings: dict[str, list[str]] = {}
        self._findings = Findings()

    def form(self) -> SiteForm:
        site = self._position("position", self._values["position"], None)
        centre = site or self._near
        points = self._points(centre, site)
        line = self._line(centre)
        check_names(points, self._findings)
        placed = [(where, point.position) for where, point in points if point.position is not None]
        placed += [(SITE, site)] if site else []
        check_places([*placed, *((SHORELINE, place) for place in line)], "Latitude comes first.", self._findings)
        read = read_site(self._raw(), [point for _, point in points], line, site, self._findings, None)
        for fault in self._findings.by_field:
            self._place(fault.where, fault.name, fault.words)
        whole = None if read is None or self._errors else SiteRead(read, self._findings.left_out)
        return SiteForm(
            self._values, self._rows, self._errors, self._readings, whole, self._imagined(site, points, line)
        )

    def _imagined(
        self, site: Position | None, points: Sequence[tuple[str, SitePoint]], line: Sequence[Position]
    ) -> ClubSite | None:
        """What a sketch can show while other fields are still wrong."""
        placed = [point.position for _, point in points if point.position is not None]
        position = site or next(iter(placed), None)
        if position is None:
            return None
        name = " ".join(self._values["name"].split()) or "the new site"
        return ClubSite("", name, position, points=tuple(point for _, point in points), shoreline=tuple(line))

    def _wrong(self, name: str, words: str) -> None:
        self._errors[name] = f"{self._errors[name]} {words}" if name in self._errors else words

    def _place(self, where: str, name: str, words: str) -> None:
        """Put a fault of the checks beside the input that it is about, in the words of the form."""
        plain = words.replace(f'"{name}"', name.replace("_", " ")) if name else words
        plain = plain[:1].upper() + plain[1:]
        if where == SITE:
            self._wrong(_FIELD_OF.get(name, name) or "name", plain)
        elif where == SHORELINE:
            self._wrong(SHORELINE, plain)
        else:
            number = int(where.split()[1]) - 1
            self._wrong(name_of(number, _FIELD_OF.get(name, name) or "name"), plain)

    def _raw(self) -> dict[str, object]:
        raw: dict[str, object] = {name: self._values[name] for name in _WORDS}
        raw["aliases"] = [one for one in re.split(r"[,;\n]", self._values["aliases"]) if one.strip()]
        raw["current"] = self._current()
        return raw

    def _current(self) -> dict[str, float] | None:
        way, speed = self._values["current_set"].strip(), self._number("current_drift", self._values["current_drift"])
        if not way and speed is None:
            return None
        towards = read_direction(way)
        if towards is None:
            self._wrong("current_set", "Give where it runs to, such as NE or 045, or empty both.")
            return None
        if speed is None:
            if "current_drift" not in self._errors:
                self._wrong("current_drift", "Give its speed in knots too, or empty both.")
            return None
        return dict(zip((one.name for one in fields(Current)), (towards, speed), strict=True))

    def _number(self, name: str, typed: str) -> float | None:
        plain = typed.translate(PLAIN_SIGNS).strip()
        if not plain:
            return None
        if not (plain.isascii() and _NUMBER.fullmatch(plain)):
            self._wrong(name, "Give a number in digits, such as 1.5, or leave it empty.")
            return None
        return float(plain.replace(",", "."))

    def _position(self, name: str, typed: str, site: Position | None) -> Position | None:
        if not typed.strip():
            return None
        try:
            reading = position_read(typed, site or self._near)
        except ValueError as error:
            self._wrong(name, str(error))
            return None
        position = Position(round(reading.position.lat, PLACES), round(reading.position.lon, PLACES))
        said = [lettered(position), degrees_minutes(position)]
        if site is not None:
            said.append(_from_site(site, position))
        if rough := few_figures(reading):
            said.append(rough)
        self._readings[name] = said
        return position

    def _points(self, centre: Position | None, site: Position | None) -> list[tuple[str, SitePoint]]:
        found = []
        filled = [number for number, row in enumerate(self._rows) if not _is_blank(row)]
        for number in filled[:FEATURES_MAX]:
            row, where = self._rows[number], f"point {number + 1}"
            position = self._position(name_of(number, "position"), row["position"], site or centre)
            raw = {name: row[name] or None for name in ("kind", "name", "notes")}
            raw_whole = {**raw, "ease": self._ease(row["ease"]), "vehicles": bool(row["vehicles"])}
            point = read_point({**raw_whole, "window": self._window(number, row)}, position, where, self._findings)
            if point is not None:
                found.append((where, point))
        if len(filled) > FEATURES_MAX:
            self._wrong("name", f"It has more than {FEATURES_MAX} points. A site needs far fewer.")
        return found

    def _ease(self, typed: str) -> object:
        return int(typed) if typed.isascii() and typed.isdecimal() and len(typed) == 1 else typed or None

    def _window(self, number: int, row: Mapping[str, str]) -> dict[str, float] | None:
        read = {name: self._number(name_of(number, name), row[name]) for name in _WINDOW}
        return {_WINDOW[name]: value for name, value in read.items() if value is not None} or None

    def _line(self, near: Position | None) -> list[Position]:
        """One position a line, in any form."""
        lines = [line.strip() for line in self._values["shoreline"].splitlines() if line.strip()]
        if len(lines) > LINE_POSITIONS_MAX or len(lines) == 1:
            self._wrong(SHORELINE, f"A shoreline has 2 to {LINE_POSITIONS_MAX} positions, each on a line of its own.")
            return []
        found = []
        for number, line in enumerate(lines, start=1):
            try:
                reading = position_read(line, near)
            except ValueError as error:
                self._wrong(SHORELINE, f"Line {number}: {error}")
                return []
            if rough := few_figures(reading):
                self._readings.setdefault(SHORELINE, []).append(f"Line {number}: {rough}")
            found.append(Position(round(reading.position.lat, PLACES), round(reading.position.lon, PLACES)))
        return found


def _from_site(site: Position, position: Position) -> str:
    away_m = distance_m(site, position)
    if away_m < 1:
        return "at the site's position"
    far = f"{away_m:.0f} m" if away_m < 1_000 else f"{away_m / 1_000:.1f} km"  # noqa: PLR2004 - metres in a kilometre
    return f"{far} from the site's position, {bearing_deg(site, position):03.0f}\N{DEGREE SIGN} true"
