"""Texts to the admins of every club, or of one, about the service itself."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain.wording.general import plain
from service.operations.service import Service
from service.store import admins, clubs, health, outbox
from service.store.outbox import NewMessage


def tell_admins(session: Session, step: str, words: str, now: datetime, *, club_id: str | None = None) -> None:
    """Queue one text of `words` to every admin with a phone, or to those of one club; a `step` is told once."""
    for club in [one for one in clubs.listing(session) if club_id in (None, one.id)]:
        for admin in admins.admins_to_tell(session, club.id):
            if admin.phone:
                outbox.queue(
                    session, _to(club.id, admin.id, admin.name, admin.phone, step, plain(club.name, words), now)
                )


def is_news(service: Service, session: Session, mark: str, now: datetime, again_after: timedelta) -> bool:
    """Whether nobody was told of this for so long; from now on it counts as told, under that mark."""
    name = mark[:200]
    last = health.heartbeat(session, name)
    if last is not None and now - last.at < again_after:
        return False
    health.beat(session, name, now, service.process)
    return True


def _to(club_id: str, admin_id: str, name: str, phone: str, step: str, body: str, now: datetime) -> NewMessage:
    return NewMessage(
        club_id=club_id,
        dive_id=None,
        person_key=f"admin-{admin_id}",
        name=name,
        phone=phone,
        kind="other",
        priority=6,
        step=step,
        body=body,
        segments=1,
        queued_at=now,
        due_at=now,
    )
