"""Those who have filled in the joining form and not yet proved their phone."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Select, delete, func, or_, select, update
from sqlalchemy.orm import Session, aliased

from service.store.tables import InboundTextRow, JoinRow
from service.store.upsert import insert_rows, touched


def add(session: Session, values: dict[str, Any]) -> None:
    """A form that somebody filled in."""
    insert_rows(session, JoinRow, {"tries": 0, **values})


def get(session: Session, club_id: str, token_hash: str) -> JoinRow | None:
    """The form of that page."""
    return session.scalars(_of_page(club_id, token_hash)).one_or_none()


def hold(session: Session, club_id: str, token_hash: str) -> JoinRow | None:
    """The form of that page, kept from others until this transaction ends."""
    return session.scalars(_of_page(club_id, token_hash).with_for_update()).one_or_none()


def _of_page(club_id: str, token_hash: str) -> Select[JoinRow]:
    found = select(JoinRow).where(JoinRow.club_id == club_id, JoinRow.token_hash == token_hash)
    return found.execution_options(populate_existing=True)


def by_code(session: Session, club_id: str, code_hash: str, since: datetime) -> JoinRow | None:
    """The form whose code, on its page or texted, this is: made since that instant and not proved; kept from others."""
    row = JoinRow
    found = select(row).where(
        row.club_id == club_id,
        row.created_at > since,
        row.proved_at.is_(None),
        or_(row.code_hash == code_hash, row.sent_hash == code_hash),
    )
    held = found.order_by(row.created_at).limit(1).with_for_update()
    return session.execute(held.execution_options(populate_existing=True)).scalar_one_or_none()


def change(session: Session, token_hash: str, values: dict[str, Any]) -> None:
    """Write these of its columns."""
    touched(session, update(JoinRow).where(JoinRow.token_hash == token_hash).values(**values))


def count_since(session: Session, club_id: str, since: datetime) -> int:
    """How many forms of a club were filled in since that instant."""
    found = select(func.count()).where(JoinRow.club_id == club_id, JoinRow.created_at > since)
    return session.execute(found).scalar_one()


def forget_before(session: Session, before: datetime) -> int:
    """Forget forms that are older: proved ones are people by now, others were given up. How many there were."""
    return touched(session, delete(JoinRow).where(JoinRow.created_at <= before))


def wrong_since(session: Session, inbound_id: int, note: str, since: datetime) -> int:
    """How many texts by the sender of that one, to the same number, were read with that note since then."""
    row, this = InboundTextRow, aliased(InboundTextRow)
    found = select(func.count()).where(
        this.id == inbound_id,
        row.receiver == this.receiver,
        row.sender == this.sender,
        row.note == note,
        row.received_at > since,
    )
    return session.execute(found).scalar_one()
