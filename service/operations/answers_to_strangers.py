"""How many answers a phone gets that has no dive: two machines that answer each other must come to an end.

Whoever is in trouble must still hear whom to call, also from a borrowed phone that has used up its answers by wrong
codes. So an answer to a call for help has a few of its own beside those that all share.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.domain.texts import Intent, Kind
from service.store import outbox

ANSWERS_WITHOUT_DIVE_MAX: Final = 5  # an hour, to one phone
HELP_MAX: Final = 3  # an hour, whatever else was answered
WITHIN: Final = timedelta(hours=1)
HELP_STEP: Final = "answer-help-"


def calls_for_help(intent: Intent) -> bool:
    """Whether somebody says that they are in trouble. HELP alone is the carriers' word, and asks what we are."""
    return intent.kind in (Kind.RAISE_NOW, Kind.WORRY) and not intent.reserved


def enough_answered(session: Session, club_id: str, phone: str, now: datetime, *, for_help: bool) -> bool:
    """Whether a phone without a dive has had its answers of this hour."""
    since = now - WITHIN
    if outbox.count_without_dive(session, club_id, phone, since) < ANSWERS_WITHOUT_DIVE_MAX:
        return False
    return not for_help or outbox.count_without_dive(session, club_id, phone, since, HELP_STEP) >= HELP_MAX


def answer_step(inbound_id: int, *, for_help: bool) -> str:
    """The step of the answer to a text; those to calls for help are counted by it."""
    return f"{HELP_STEP if for_help else 'answer-'}{inbound_id}"
