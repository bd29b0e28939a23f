"""A site as a club keeps it: what its files hold, and what a dive takes along of it."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.place.conditions import Current
from service.domain.place.position import Position
from service.domain.place.site import SitePoint


@dataclass(frozen=True, slots=True)
class ClubSite:
    """A site with all its details. `code` is in capitals; what a file left open is None or empty.

    `zone` is an IANA name and `rescue_call` whom to call there; None means that the site is new and the club's own, or
    what the position gives, is to be taken. `shoreline` is a line along the shore.
    """

    code: str
    name: str
    position: Position
    zone: str | None = None
    rescue_call: str | None = None
    non_emergency_call: str | None = None
    aliases: tuple[str, ...] = ()
    access: str | None = None
    notes: str | None = None
    current: Current | None = None
    points: tuple[SitePoint, ...] = ()
    shoreline: tuple[Position, ...] = ()
