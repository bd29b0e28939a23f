"""Screens in clubhouses that show the water board; only hashes of their links and cookies are kept."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.store.ids import new_id
from service.store.tables import BoardScreenRow
from service.store.upsert import touched


def add(
    session: Session,
    *,
    club_id: str,
    name: str,
    link_hash: str,
    made_by: str,
    now: datetime,
    link_ends_at: datetime,
) -> BoardScreenRow:
    """A new screen that no browser shows yet."""
    screen = BoardScreenRow(
        id=new_id(),
        club_id=club_id,
        name=name,
        link_hash=link_hash,
        link_ends_at=link_ends_at,
        made_by=made_by,
        created_at=now,
    )
    session.add(screen)
    session.flush()
    return screen


def by_link(session: Session, link_hash: str, now: datetime) -> BoardScreenRow | None:
    """The screen of a link that no browser has used yet."""
    row = BoardScreenRow
    found = select(row).where(row.link_hash == link_hash, row.link_ends_at > now)
    return session.execute(found.where(row.opened_at.is_(None), row.revoked_at.is_(None))).scalar_one_or_none()


def open_on(session: Session, screen_id: str, cookie_hash: str, now: datetime) -> bool:
    """The browser with that cookie is the screen from now on; False where another was quicker."""
    row = BoardScreenRow
    free = update(row).where(row.id == screen_id, row.opened_at.is_(None), row.revoked_at.is_(None))
    return touched(session, free.values(cookie_hash=cookie_hash, opened_at=now, seen_at=now)) == 1


def by_cookie(session: Session, cookie_hash: str) -> BoardScreenRow | None:
    """The screen that a browser is, revoked or not."""
    found = select(BoardScreenRow).where(BoardScreenRow.cookie_hash == cookie_hash)
    return session.execute(found.execution_options(populate_existing=True)).scalar_one_or_none()


def see(session: Session, screen_id: str, now: datetime) -> None:
    """The screen asked just now."""
    touched(session, update(BoardScreenRow).where(BoardScreenRow.id == screen_id).values(seen_at=now))


def revoke(session: Session, club_id: str, screen_id: str, now: datetime) -> BoardScreenRow | None:
    """It shows nothing from now on; gives the screen, None where the club has no such one."""
    row = BoardScreenRow
    found = session.execute(select(row).where(row.club_id == club_id, row.id == screen_id, row.revoked_at.is_(None)))
    screen = found.scalar_one_or_none()
    if screen is not None:
        screen.revoked_at = now
        session.flush()
    return screen


def listing(session: Session, club_id: str) -> list[BoardScreenRow]:
    """The screens of a club that were not revoked, in the order in which they were made."""
    row = BoardScreenRow
    found = select(row).where(row.club_id == club_id, row.revoked_at.is_(None)).order_by(row.created_at, row.id)
    return list(session.execute(found).scalars())
