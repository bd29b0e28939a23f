"""The answer to a text, and how many of them a phone gets that has no dive: two machines must come to an end.

Whoever is in trouble must still hear whom to call, also from a borrowed phone that has used up its answers by wrong
codes. So an answer to a call for help has a few of its own beside those that all share.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.domain.encoding import segments
from service.domain.texts import Intent, Kind
from service.domain.wording import MessageKind
from service.domain.wording.drafts import REPLY_LASTS
from service.operations.overtaken_answers import STANDING
from service.store import outbox, people
from service.store.outbox import NewMessage

ANSWERS_WITHOUT_DIVE_MAX: Final = 5  # an hour, to one phone
# Gloves, cold hands and a plan by text: whoever mistypes it must not take silence for the sixth answer.
ANSWERS_TO_OUR_OWN_MAX: Final = 20
HELP_MAX: Final = 3  # an hour, whatever else was answered
WITHIN: Final = timedelta(hours=1)
HELP_STEP: Final = "answer-help-"


def calls_for_help(intent: Intent) -> bool:
    """Whether somebody says that they are in trouble. HELP alone is the carriers' word, and asks what we are."""
    return intent.kind in (Kind.RAISE_NOW, Kind.WORRY) and not intent.reserved


def enough_answered(session: Session, club_id: str, phone: str, now: datetime, *, for_help: bool) -> bool:
    """Whether a phone without a dive has had its answers of this hour."""
    since = now - WITHIN
    known = people.by_phone(session, club_id, phone) is not None
    most = ANSWERS_TO_OUR_OWN_MAX if known else ANSWERS_WITHOUT_DIVE_MAX
    if outbox.count_without_dive(session, club_id, phone, since) < most:
        return False
    return not for_help or outbox.count_without_dive(session, club_id, phone, since, HELP_STEP) >= HELP_MAX


def queue_answer(
    session: Session,
    club_id: str,
    phone: str,
    inbound_id: int,
    body: str,
    now: datetime,
    *,
    for_help: bool,
    dive_id: str | None = None,
    standing: bool = False,
) -> None:
    """Queue the answer to one text. By its step those to calls for help are counted, and put aside what is overtaken.

    `standing`: it says how the dive stands.
    """
    begins = STANDING if standing else HELP_STEP if for_help else "answer-"
    outbox.queue(
        session,
        NewMessage(
            club_id=club_id,
            dive_id=dive_id,
            person_key=f"phone:{phone}",
            name="",
            phone=phone,
            kind="reply",
            priority=int(MessageKind.REPLY),
            step=f"{begins}{inbound_id}",
            body=body,
            segments=len(segments(body).parts),
            queued_at=now,
            due_at=now,
            expires_at=now + REPLY_LASTS,
        ),
    )
