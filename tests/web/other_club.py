"""A second club on the same installation, whose script and admin must see nothing of the first."""

from __future__ import annotations

import hashlib
from datetime import datetime

from sqlalchemy.orm import Session

from service.operations.service import Service
from service.store import admins, clubs, tokens
from tests.web.installation import CHEAPLY_HASHED

FAR_TOKEN = "far-token"
FAR_RECEIVING = "+447700900001"
FAR_ADMIN_EMAIL = "gus@far.example"


def add_far_club(service: Service, now: datetime) -> None:
    """Far Reef Club, a token of it, and an admin with the same password as ours."""

    def work(session: Session) -> None:
        clubs.add(
            session,
            club_id="far",
            name="Far Reef Club",
            country="GB",
            zone="Atlantic/Azores",
            receiving_number=FAR_RECEIVING,
            rescue_call="07700 900777",
        )
        hashed = hashlib.sha256(FAR_TOKEN.encode()).hexdigest()
        tokens.add(session, club_id="far", name="far", token_hash=hashed, now=now)
        admins.add(
            session,
            club_id="far",
            name="Gus Orr",
            email=FAR_ADMIN_EMAIL,
            phone=None,
            password_hash=CHEAPLY_HASHED,
            now=now,
        )

    service.write(work)
