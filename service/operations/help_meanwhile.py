"""What a keeper told of calls for help that no dive took up, as the record has it: nobody is told the same again.

When the database is back the texts are read in full. Where a dive is found after all, its alarm goes out as ever.
"""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.operations.plainest import OUTAGE_STEP
from service.store import meanwhile

ANSWERED: Final = "answer-help-"
ADMINS_TOLD: Final = "admins-help-"
REST_WITHIN: Final = timedelta(minutes=1)  # within which the other parts of a long text come, or the same once more


def mark_of(words: str) -> str:
    """What stands in a step for a phone, or for what it says."""
    return hashlib.sha256(words.encode()).hexdigest()[:12]


def is_answered(session: Session, club_id: str, phone: str, came_at: datetime) -> bool:
    """Whether a gateway took a keeper's answer to a call for help that came from that phone then."""
    return _is_told(session, club_id, ANSWERED, phone, came_at)


def admins_know(session: Session, club_id: str, sender: str, came_at: datetime) -> bool:
    """Whether a gateway took what a keeper told an admin of it."""
    return _is_told(session, club_id, ADMINS_TOLD, sender, came_at)


def _is_told(session: Session, club_id: str, begins: str, sender: str, came_at: datetime) -> bool:
    step = f"-{begins}{mark_of(sender)}-"
    return meanwhile.was_handed(session, club_id, OUTAGE_STEP, step, came_at - REST_WITHIN)
