"""Asking somebody, from the club's desk, whether they will be a shore contact: before there is any dive.

What they answer is AGREE or DECLINE as to any introduction (`service.operations.consenting`). Nobody can be pestered:
one phone is asked once in a month and three times in all, and one club asks so many in an hour. The figures are ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from service.domain.encoding import segments
from service.domain.people import Channel
from service.domain.plan import Contact
from service.domain.sending import Sort
from service.domain.standing import Standing
from service.domain.wording import MessageKind, introducing
from service.operations import desk_log
from service.operations.contact_reading import club_language, usual_contact
from service.operations.proof_of_reach import contacts_held
from service.operations.sending_bounds import held
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import club_messages, clubs, outbox, people, reaches
from service.store.outbox import NewMessage
from service.store.tables import ClubRow, PersonRow

STEP = "ask-"
AGAIN_AFTER = timedelta(days=30)
TIMES_MAX = 3
IN_AN_HOUR_MAX = 40
ASK_PARTS = 2
LASTS = timedelta(days=1)  # a question that could not be sent for a day is not worth it; the desk shows that it failed


@dataclass(frozen=True, slots=True)
class AskOutcome:
    """Whether they were asked, and in a sentence why not."""

    asked: bool
    words: str


def ask_contact(service: Service, admin: SignedIn, person_id: str, phone: str) -> AskOutcome | None:
    """Ask a usual contact of somebody, by text. None where the club has no such person or they no such contact."""
    now = service.clock.now()

    def work(session: Session) -> AskOutcome | None:
        club, row = clubs.get(session, admin.club_id), people.get(session, admin.club_id, person_id)
        if club is None or row is None:
            return None
        kept = next((one for one in row.usual_contacts if one["phone"] == phone), None)
        if kept is None:
            return None
        why_not = _why_not(session, club, kept, now)
        if why_not is not None:
            return AskOutcome(asked=False, words=why_not)
        bounded = held(service, session, club, Sort.INTRODUCTION, [phone], ASK_PARTS, now)
        if bounded is not None:
            return AskOutcome(asked=False, words=f"Nothing was sent: {bounded.words}. Phone {kept['name']} and ask.")
        _ask(session, club, row, kept, now)
        desk_log.note(service, session, admin, "contact_asked", {"person": person_id})
        return AskOutcome(asked=True, words=f"{kept['name']} is asked by text and answers AGREE or DECLINE.")

    outcome = service.write(work)
    service.nudge()
    return outcome


def _why_not(session: Session, club: ClubRow, kept: Mapping[str, Any], now: datetime) -> str | None:
    name, phone = kept["name"], kept["phone"]
    ways = usual_contact(kept).ways
    if ways and Channel.TEXT not in ways:
        return f"{name} takes no texts. Phone them and ask."
    # From here until the end nobody else asks this phone.
    [known] = contacts_held(session, club, [Contact(name, phone)], now)
    if known.standing is Standing.OPTED_OUT:
        return f"{name} opted out of our texts. Phone them; they can text START to the club's number."
    if known.standing is Standing.DECLINED:
        return f"{name} declined. If they think otherwise now, they can text AGREE to the club's number."
    if known.reach.agreed_at is not None:
        return f"{name} has agreed already."
    return _too_often(session, club, name, phone, now)


def _too_often(session: Session, club: ClubRow, name: str, phone: str, now: datetime) -> str | None:
    earlier = club_messages.queued_at(session, club.id, phone, STEP)
    if len(earlier) >= TIMES_MAX:
        return f"{name} was asked {TIMES_MAX} times. Phone them."
    if earlier and now - earlier[-1] < AGAIN_AFTER:
        return f"{name} was asked less than {AGAIN_AFTER.days} days ago. Phone them, or wait."
    if club_messages.count_since(session, club.id, STEP, now - timedelta(hours=1)) >= IN_AN_HOUR_MAX:
        return f"The club has asked {IN_AN_HOUR_MAX} people within an hour. Go on later."
    return None


def _ask(session: Session, club: ClubRow, row: PersonRow, kept: Mapping[str, Any], now: datetime) -> None:
    language = str(kept.get("language") or club_language(club))
    body = introducing.asked(club.name, row.name, language)
    outbox.queue(
        session,
        NewMessage(
            club_id=club.id,
            dive_id=None,
            person_key=f"phone:{kept['phone']}",
            name=kept["name"],
            phone=kept["phone"],
            kind="other",
            priority=int(MessageKind.OTHER),
            step=f"{STEP}{now:%Y%m%dT%H%M%S}",
            body=body,
            segments=len(segments(body).parts),
            queued_at=now,
            due_at=now,
            expires_at=now + LASTS,
            language=language,
        ),
    )
    reaches.note_asked(session, club.id, [kept["phone"]], now)
