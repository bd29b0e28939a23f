"""An OK that its sender signed: an answer to the alarm where the name is that of the contact whose phone it is."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive.state import REOPEN_WITHIN
from service.domain.people import Role
from service.domain.texts import Intent, Kind, is_name
from service.store import dives
from service.store.dives import PhoneMatch
from service.store.tables.club import ClubRow


def by_own_name(session: Session, club: ClubRow, phone: str, intent: Intent, now: datetime) -> Intent:
    """The intent, or the OK that it is where the words behind it are the sender's name as a contact of that dive.

    Any other words may say the opposite. So may the name of a diver, of whom the sender may be speaking. What then
    looks like a reference is taken for none ("ok 5m deep"), so that whichever dive is theirs hears the words.
    """
    if intent.signed is None:
        return intent
    found = dives.for_phone(session, club.receiving_number, phone, now - REOPEN_WITHIN)
    meant = [one for one in found if isinstance(one, PhoneMatch) and intent.ref in (None, one.reference)]
    if not any(_is_contact_of_that_name(match, intent.signed) for match in meant):
        return Intent(kind=Kind.UNCLEAR, near=intent.near)
    return Intent(kind=Kind.OK, ref=intent.ref)


def _is_contact_of_that_name(match: PhoneMatch, signed: str) -> bool:
    contacts = [match.dive.person(key) for key in match.keys if key.startswith(Role.CONTACT)]
    own = any(person is not None and is_name(signed, person.name) for person in contacts)
    return own and not any(is_name(signed, diver.name) for diver in match.dive.divers)
