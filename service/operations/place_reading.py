"""A place that the club does not know: its position, compared with where the club usually dives."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.domain.dialling import NO_NUMBER, number_to_dial
from service.domain.place.fix import FAR_M
from service.domain.place.geodesy import distance_m
from service.domain.place.position import Position, PositionError, lettered
from service.domain.place.reading import likely_swapped
from service.domain.place.site import SitePlan
from service.domain.plan import Check, Level
from service.operations.one_line import one_line
from service.operations.zones import zone_ashore
from service.store import sites
from service.store.tables.club import ClubRow

AWAY_M = 500_000
"""Farther from every site of the club than this, a position is worth a second look. Ours; no published source."""


@dataclass(frozen=True, slots=True)
class PlaceRequest:
    """A place that the club does not know."""

    name: str
    position: tuple[float, float] | None
    rescue_call: str


def read_unknown_place(session: Session, club: ClubRow, place: PlaceRequest) -> tuple[SitePlan | None, list[Check]]:
    """The place as a dive takes it along, and what is to be said about it; None with at least one refusing check.

    Its zone is that of its position, or the club's where the position is at sea.
    """
    if place.position is None:
        return None, [_refused("Give the position of a place that the club does not know, like 47.12345,-20.54321.")]
    try:
        position = Position(*place.position)
    except PositionError as error:
        return None, [_refused(str(error))]
    known = known_positions(session, club.id)
    if swapped := swapped_words(position, known):
        return None, [_refused(swapped)]
    site = SitePlan(
        name=one_line(place.name),
        zone=zone_ashore(position, club.zone),
        rescue_call=one_line(place.rescue_call) or club.rescue_call,
        position=position,
    )
    advice = [Check(Level.ADVISE, "site", far)] if (far := far_words(position, known)) else []
    if place.rescue_call.strip() and number_to_dial(site.rescue_call, club.country) is None:
        advice.append(Check(Level.ADVISE, "rescue_call", NO_NUMBER))
    return site, advice


def known_positions(session: Session, club_id: str) -> list[Position]:
    """Where a club's sites in use are."""
    return [Position(site.lat, site.lon) for site in sites.listing(session, club_id)]


def swapped_words(position: Position, known: list[Position]) -> str | None:
    """Both readings, for a position that is far from every known one and near one the other way round; else None."""
    if not any(likely_swapped(position, site) for site in known) or _nearest_m(position, known) <= FAR_M:
        return None
    turned = Position(position.lon, position.lat)
    return (
        f"{lettered(position)} is far from every site of the club, and {lettered(turned)} is not. If"
        " latitude and longitude were swapped, give them the other way round."
    )


def far_words(position: Position, known: list[Position]) -> str | None:
    """What to say of a position that is very far from every known one; None for one that is not, or without any."""
    if not known or (nearest_m := _nearest_m(position, known)) <= AWAY_M:
        return None
    return f"{lettered(position)} is {nearest_m / 1000:.0f} km from the club's nearest site. Check that it is meant."


def _nearest_m(position: Position, known: list[Position]) -> float:
    return min(distance_m(position, site) for site in known)


def _refused(words: str) -> Check:
    return Check(Level.REFUSE, "site", words)
