"""What is different between two states of a site, in words for the log and for whoever was changing it too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from service.domain.place.club_site import ClubSite
from service.domain.place.conditions import Current
from service.domain.place.position import Position
from service.domain.place.site import SitePoint
from service.domain.place.tide import TideWindow

_WORDS = {
    "code": "code",
    "name": "name",
    "zone": "time zone",
    "rescue_call": "rescue call",
    "non_emergency_call": "non-emergency call",
    "access": "access",
    "notes": "notes",
}


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is different; `before` is None for what is new, `after` for what is gone."""

    what: str
    before: str | None
    after: str | None


def changes(before: ClubSite | None, after: ClubSite) -> tuple[Change, ...]:
    """All that is different, field by field and point by point; a site that is new is different in all that it has."""
    found = [
        Change(words, None if before is None else getattr(before, name), getattr(after, name))
        for name, words in _WORDS.items()
    ]
    found += [
        Change("other names", None if before is None else _list(before.aliases), _list(after.aliases)),
        Change("position", None if before is None else _exactly(before.position), _exactly(after.position)),
        Change("usual current", None if before is None else _current(before.current), _current(after.current)),
        *_points(before.points if before else (), after.points),
    ]
    found.append(_shoreline(before, after))
    return tuple(change for change in found if change.before != change.after)


def _list(given: Sequence[str]) -> str | None:
    return ", ".join(given) or None


def _exactly(position: Position) -> str:
    """To a tenth of a metre, as files have it: a point may be moved by a step."""
    return f"{round(position.lat, 6) + 0.0:.6f},{round(position.lon, 6) + 0.0:.6f}"


def _current(given: Current | None) -> str | None:
    return None if given is None else f"{given.drift_kn:g} kn towards {given.set_deg:g} degrees"


def _points(before: Sequence[SitePoint], after: Sequence[SitePoint]) -> list[Change]:
    """Points are the same where kind and name are, which are unique together; their order is looked at by itself."""
    old, new = ({_named(point): _point(point) for point in points} for points in (before, after))
    found = [Change(name, old.get(name), new.get(name)) for name in {**old, **new}]
    kept = [[name for name in names if name in old and name in new] for names in (old, new)]
    if kept[0] != kept[1]:
        found.append(Change("order of the points", ", ".join(kept[0]), ", ".join(kept[1])))
    return found


def _named(point: SitePoint) -> str:
    return f"{point.kind.replace('_', ' ')} {point.name}"


def _point(point: SitePoint) -> str:
    parts = [
        "no position" if point.position is None else _exactly(point.position),
        None if point.ease is None else f"ease {point.ease}",
        "vehicles reach it" if point.vehicles else None,
        None if point.window is None else _window(point.window),
        point.notes,
    ]
    return "; ".join(part for part in parts if part)


def _window(window: TideWindow) -> str:
    given = ", ".join(f"{name} {value:g}" for name, value in asdict(window).items() if value is not None)
    return f"tide window {given}"


def _shoreline(before: ClubSite | None, after: ClubSite) -> Change:
    """A line has too many positions to be told whole; where only some moved, that they did must show all the same."""
    old, new = (f"{len(site.shoreline)} positions" if site and site.shoreline else None for site in (before, after))
    if before is not None and before.shoreline != after.shoreline and old == new:
        new = f"{new}, others than before"
    return Change("shoreline", old, new)
