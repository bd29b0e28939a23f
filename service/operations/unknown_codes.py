"""A code or word of a gateway that is in no table: loud, and treated as the alarming case.

In an answer it is a passing refusal unless the HTTP status says more, so that the message is tried again and elsewhere.
In a receipt a failure stays one, so that the search for the next contact goes on; a word is no delivery.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Literal

from sqlalchemy.orm import Session

from service.operations import service_log
from service.operations.service import Service
from service.operations.telling_admins import is_news, tell_admins

TOLD_AGAIN_AFTER = timedelta(days=1)
UNKNOWN_CODE = "unknown_code"
CODE_MARK = "told:code:"
"""How the names begin under which is kept when a code was last noted."""

Where = Literal["answer", "receipt"]


def note_unrecognised(service: Service, session: Session, gateway: str, code: str, where: Where, now: datetime) -> None:
    """Log it once a day, and tell the admins once a day for each gateway, whatever its codes."""
    if not is_news(service, session, f"{CODE_MARK}{gateway}:{code}", now, TOLD_AGAIN_AFTER):
        return
    detail = {"gateway": gateway, "code": code, "in": where}
    service_log.note(service, session, UNKNOWN_CODE, detail, now, role="gateway", name=gateway)
    if is_news(service, session, f"told:codes:{gateway}", now, TOLD_AGAIN_AFTER):
        words = (
            f"gateway {gateway} says {code[:20]}, which is in no table here. It is taken for a failure. Please look."
        )
        tell_admins(session, f"{UNKNOWN_CODE}-{gateway}-{now:%Y%m%dT%H%M%S}", words, now)
