"""What is printed of a club: the sign of a site, cards to fill in, and the card of a plan that is filed."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.documents.fridge_card import FridgeCard
from service.documents.plan_card import PlanCard, card_of
from service.documents.site_sign import Sign
from service.domain.place.position import Position
from service.operations.service import Service
from service.store import clubs, dives, sites
from service.store.dives import UnreadableDive
from service.store.tables import ClubRow, SiteRow


def site_sign(service: Service, club_id: str, code: str) -> Sign | None:
    """The sign of a site of the club; None where it has none of that code in use."""

    def work(session: Session) -> Sign | None:
        club, site = _found(session, club_id, code)
        if site is None:
            return None
        return Sign(
            club=club.name,
            site=site.name,
            code=site.code,
            number=club.receiving_number,
            rescue_call=site.rescue_call,
            position=Position(site.lat, site.lon),
        )

    return service.read(work)


def blank_plan_card(service: Service, club_id: str, code: str | None) -> PlanCard | None:
    """A plan card to fill in by hand, for one site or any; None where the club has no such site in use."""

    def work(session: Session) -> PlanCard | None:
        club, site = _found(session, club_id, code)
        if site is None:
            return None if code else PlanCard(club=club.name)
        return PlanCard(club=club.name, rescue_call=site.rescue_call, site=site.name)

    return service.read(work)


def contact_card(service: Service, club_id: str, code: str | None) -> FridgeCard | None:
    """A contact's card, for one site or any; None where the club has no such site in use."""

    def work(session: Session) -> FridgeCard | None:
        club, site = _found(session, club_id, code)
        if site is None:
            return None if code else FridgeCard(club.name, club.receiving_number)
        return FridgeCard(club.name, club.receiving_number, site.rescue_call)

    return service.read(work)


def plan_card_of(service: Service, club_id: str, dive_id: str) -> PlanCard | None:
    """The card of a plan of the club; None where it has none of that id, or none that can be read."""

    def work(session: Session) -> PlanCard | None:
        try:
            dive = dives.get(session, dive_id)
        except UnreadableDive:
            return None
        return None if dive is None or dive.club_id != club_id else card_of(dive)

    return service.read(work)


def _found(session: Session, club_id: str, code: str | None) -> tuple[ClubRow, SiteRow | None]:
    club = clubs.get(session, club_id)
    if club is None:
        raise LookupError(f"no club {club_id}")
    site = sites.by_code(session, club_id, code) if code else None
    return club, site if site is not None and site.retired_at is None else None
