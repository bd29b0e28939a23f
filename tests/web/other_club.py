"""A second club on the same installation, whose script must see nothing of the first."""

from __future__ import annotations

import hashlib
from datetime import datetime

from sqlalchemy.orm import Session

from service.operations.service import Service
from service.store import clubs, tokens

FAR_TOKEN = "far-token"


def add_far_club(service: Service, now: datetime) -> None:
    """Far Reef Club and a token of it."""

    def work(session: Session) -> None:
        clubs.add(
            session,
            club_id="far",
            name="Far Reef Club",
            country="GB",
            zone="Atlantic/Azores",
            receiving_number="+447700900001",
            rescue_call="07700 900777",
        )
        hashed = hashlib.sha256(FAR_TOKEN.encode()).hexdigest()
        tokens.add(session, club_id="far", name="far", token_hash=hashed, now=now)

    service.write(work)
