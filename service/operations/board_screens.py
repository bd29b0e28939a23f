"""Screens in a clubhouse that show the water board and can do nothing else.

An officer makes one and gets a link, once. The browser that opens it and presses the button becomes the screen; then
the link is used up. What that browser holds does not end by itself, neither by idle time nor by age: a board that signs
itself out in the middle of an alarm would look like a calm one. It ends when it is taken off, at once and also during
an alarm, since a lost screen must be stopped; the board then says so loudly.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.operations.desk_log import note
from service.operations.links import TOKEN_BYTES, hash_token
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import board_screens, clubs, log
from service.store.tables import BoardScreenRow

LINK_LASTS: Final = timedelta(days=7)
SEEN_NOTED_EVERY: Final = timedelta(minutes=5)
NAME_MAX: Final = 60
SCREENS_MAX: Final = 50


@dataclass(frozen=True, slots=True)
class BoardScreen:
    """A screen and the club whose board it shows. `revoked`: it was taken off and may show nothing."""

    screen_id: str
    name: str
    club_id: str
    club_name: str
    zone: str
    revoked: bool = False


@dataclass(frozen=True, slots=True)
class Listed:
    """A screen in the list of a club. Not opened yet where `opened_at` is None; then its link ends."""

    screen_id: str
    name: str
    made_by: str
    created_at: datetime
    link_ends_at: datetime
    opened_at: datetime | None
    seen_at: datetime | None
    link_over: bool


def make_screen(service: Service, admin: SignedIn, name: str) -> str | None:
    """A new screen; gives the token of its link, which is kept as a hash. None where there are fifty already."""
    token, now = secrets.token_urlsafe(TOKEN_BYTES), service.clock.now()

    def work(session: Session) -> bool:
        log.hold(session, log.club_chain(admin.club_id))
        if len(board_screens.listing(session, admin.club_id)) >= SCREENS_MAX:
            return False
        board_screens.add(
            session,
            club_id=admin.club_id,
            name=name,
            link_hash=hash_token(token),
            made_by=admin.name,
            now=now,
            link_ends_at=now + LINK_LASTS,
        )
        note(service, session, admin, "board_screen_made", {"screen": name})
        return True

    return token if service.write(work) else None


def offered(service: Service, token: str) -> BoardScreen | None:
    """The screen that a browser with this link may become; None where the link is used up, over, or was never one."""
    now = service.clock.now()

    def look(session: Session) -> BoardScreen | None:
        row = board_screens.by_link(session, hash_token(token), now)
        return None if row is None else _screen(session, row)

    return service.read(look)


def open_screen(service: Service, token: str) -> str | None:
    """Make the browser that asks the screen of this link; gives what it holds from now on, None as `offered` does."""
    cookie, now = secrets.token_urlsafe(TOKEN_BYTES), service.clock.now()

    def work(session: Session) -> str | None:
        row = board_screens.by_link(session, hash_token(token), now)
        if row is None or not board_screens.open_on(session, row.id, hash_token(cookie), now):
            return None
        actor = {"role": "screen", "name": row.name, "key": f"screen-{row.id}", "process": service.process}
        chain = log.club_chain(row.club_id)
        kind, detail = "board_screen_opened", {"screen": row.name}
        log.append(session, chain=chain, at=now, kind=kind, actor=actor, detail=detail, club_id=row.club_id)
        return cookie

    return service.write(work)


def screen_of(service: Service, cookie: str) -> BoardScreen | None:
    """The screen that holds this cookie, also where it was taken off; None where no screen ever held it."""
    now = service.clock.now()

    def look(session: Session) -> tuple[BoardScreen, datetime | None] | None:
        row = board_screens.by_cookie(session, hash_token(cookie))
        return None if row is None else (_screen(session, row), row.seen_at)

    found = service.read(look)
    if found is None:
        return None
    screen, seen_at = found
    if not screen.revoked and (seen_at is None or now - seen_at >= SEEN_NOTED_EVERY):
        service.write(lambda session: board_screens.see(session, screen.screen_id, now))
    return screen


def revoke_screen(service: Service, admin: SignedIn, screen_id: str) -> str | None:
    """Take a screen off, at once; gives its name, None where the club has no such one."""

    def work(session: Session) -> str | None:
        row = board_screens.revoke(session, admin.club_id, screen_id, service.clock.now())
        if row is None:
            return None
        note(service, session, admin, "board_screen_revoked", {"screen": row.name})
        return row.name

    return service.write(work)


def screens(service: Service, club_id: str) -> list[Listed]:
    """The screens of a club in the order in which they were made."""
    now = service.clock.now()
    rows = service.read(lambda session: board_screens.listing(session, club_id))
    return [
        Listed(
            screen_id=row.id,
            name=row.name,
            made_by=row.made_by,
            created_at=row.created_at,
            link_ends_at=row.link_ends_at,
            opened_at=row.opened_at,
            seen_at=row.seen_at,
            link_over=row.opened_at is None and row.link_ends_at <= now,
        )
        for row in rows
    ]


def _screen(session: Session, row: BoardScreenRow) -> BoardScreen:
    club = clubs.get(session, row.club_id)
    if club is None:
        raise LookupError(f"no club {row.club_id}")
    return BoardScreen(row.id, row.name, club.id, club.name, club.zone, revoked=row.revoked_at is not None)
