"""A contact opens the page of a dive that cannot be read: what is known all the same, and the club's admins hear of it.

By the plain columns. The words are those of the plainest alarm, in the language of whoever reads them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive import Phase
from service.domain.language import is_language
from service.domain.people import ENGLISH
from service.domain.wording.general import service_fault
from service.operations.contact_reading import club_language
from service.operations.links import hash_token
from service.operations.service import Service
from service.operations.telling_admins import is_news, tell_admins
from service.store import clubs, links, people
from service.store.plain_columns import RowFacts, row_facts

TOLD_AGAIN: Final = timedelta(days=1)
_MARK: Final = "told:unread_page:"


@dataclass(frozen=True, slots=True)
class UnreadPage:
    """What is left of a dive; `words` in `language`, None once it is over. `now`: the moment that it is of."""

    facts: RowFacts
    words: str | None
    language: str
    now: datetime


def unread_page(service: Service, dive_id: str, token: str) -> UnreadPage | None:
    """What is left of the dive behind that link; None for no dive."""
    now = service.clock.now()

    def work(session: Session) -> UnreadPage | None:
        facts = row_facts(session, dive_id)
        if facts is None:
            return None
        language = _language(session, facts, token, now)
        return UnreadPage(facts, None if facts.phase == Phase.CLOSED else _words(facts, language), language, now)

    return service.read(work)


def tell_of_unread(service: Service, facts: RowFacts) -> None:
    """Tell the club's admins, once a day for each dive, that somebody wanted to see it and could not."""
    now = service.clock.now()

    def work(session: Session) -> bool:
        if not is_news(service, session, f"{_MARK}{facts.dive_id}", now, TOLD_AGAIN):
            return False
        words = f"Linetender fault: the page of dive {facts.reference} cannot be shown. Phone its contacts and divers."
        tell_admins(session, f"unread-{facts.dive_id}-{now:%Y%m%d}", words, now, club_id=facts.club_id)
        return True

    if service.write(work):
        service.nudge()


def _words(facts: RowFacts, language: str) -> str:
    lead = next((one.phone for one in facts.phones if one.key == "diver-0"), None)
    return service_fault(
        facts.club_name,
        facts.site_name,
        facts.rescue_call,
        facts.lead_name,
        lead,
        drill=facts.drill,
        language=language,
    )


def _language(session: Session, facts: RowFacts, token: str, now: datetime) -> str:
    """The reader's own, as the club's people or the lead's usual contacts have it; else the club's."""
    link = links.find(session, hash_token(token), now)
    phones = {one.key: one.phone for one in facts.phones}
    reader = phones.get(link.person_key) if link is not None else None
    if reader is not None:
        known = people.by_phone(session, facts.club_id, reader)
        lead = people.by_phone(session, facts.club_id, phones.get("diver-0", ""))
        kept = [one.get("language") for one in (lead.usual_contacts if lead else ()) if one["phone"] == reader]
        for found in (*kept, known.language if known else None):
            if found and is_language(found):
                return str(found)
    club = clubs.get(session, facts.club_id)
    return ENGLISH if club is None else club_language(club)
