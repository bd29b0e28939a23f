"""How many plans strangers may file by form, so that it cannot be used to pester people.

Filing tells the lead, by one text, and introduces contacts who are new to the club. The bounds below look at plans
filed by this form in the last day, and at nothing else: a dive that is filed is never touched by them, and neither is a
plan by text from a phone that the club knows, or one from a script of the club. The figures are ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.domain.people import Role
from service.store import dives
from service.store.tables import DivePhoneRow, DiveRow
from service.store.tables.club import ClubRow

REQUEST_KEY_PREFIX = "form:"
WITHIN = timedelta(hours=24)
AS_LEAD_MAX = 8  # a busy day has four dives
AS_CONTACT_MAX = 40  # one shore cover may stand by for a whole club

LEAD_WORDS = (
    "This lead number has filed many plans since yesterday, so this one was not filed. Text your plan to us from that"
    " phone, or phone somebody ashore and tell them the plan."
)
CONTACT_WORDS = (
    "One of these contacts is on many plans since yesterday, so this one was not filed. Name another contact, or phone"
    " that person and tell them the plan."
)


def too_many_plans(session: Session, club: ClubRow, imagined: Dive, request_key: str, now: datetime) -> str | None:
    """Why this plan is one too many, in words; None when it is not, or was filed by the same form already."""
    if dives.by_request_key(session, club.id, request_key) is not None:
        return None
    since = now - WITHIN
    leads = [imagined.lead.phone] if imagined.lead.phone else []
    if _most(session, club, Role.DIVER, leads, since) >= AS_LEAD_MAX:
        return LEAD_WORDS
    contacts = [contact.phone for contact in imagined.contacts if contact.phone]
    if _most(session, club, Role.CONTACT, contacts, since) >= AS_CONTACT_MAX:
        return CONTACT_WORDS
    return None


def _most(session: Session, club: ClubRow, role: Role, phones: Sequence[str], since: datetime) -> int:
    """On how many plans the most named of these phones is."""
    counted = (
        select(func.count(DiveRow.id.distinct()))
        .join(DivePhoneRow, DivePhoneRow.dive_id == DiveRow.id)
        .where(
            DivePhoneRow.receiving_number == club.receiving_number,
            DivePhoneRow.phone.in_(phones),
            DivePhoneRow.role == role.value,
            DiveRow.filed_at > since,
            DiveRow.request_key.startswith(REQUEST_KEY_PREFIX, autoescape=True),
        )
        .group_by(DivePhoneRow.phone)
    )
    return max(session.execute(counted).scalars(), default=0)
