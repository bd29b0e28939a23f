"""Clubs: every row belongs to one."""

from __future__ import annotations

from typing import Any, NamedTuple

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from service.store.tables import ClubRow
from service.store.upsert import table


def add(
    session: Session,
    *,
    club_id: str,
    name: str,
    country: str,
    zone: str,
    receiving_number: str,
    rescue_call: str,
    grace: dict[str, Any] | None = None,
    settings: dict[str, Any] | None = None,
) -> ClubRow:
    """A new club. `grace` holds only what differs from the defaults.

    Raises IntegrityError when the id or the receiving number is taken.
    """
    club = ClubRow(
        id=club_id,
        name=name,
        country=country,
        zone=zone,
        receiving_number=receiving_number,
        rescue_call=rescue_call,
        grace=grace,
        settings=settings or {},
    )
    session.add(club)
    session.flush()
    return club


def get(session: Session, club_id: str) -> ClubRow | None:
    """The club of that id."""
    return session.get(ClubRow, club_id)


def hold(session: Session, club_id: str) -> ClubRow:
    """The club, which nobody else changes until this transaction ends. Raises NoResultFound for no such club."""
    # As for a dive: what refers to the row does not wait for this.
    return session.get_one(ClubRow, club_id, populate_existing=True, with_for_update={"key_share": True})


def set_canary_number(session: Session, club_id: str, number: str | None) -> None:
    """The phone to which the daily canary dive of a club goes; None for none. Raises LookupError for no such club."""
    club = get(session, club_id)
    if club is None:
        raise LookupError(f"no club {club_id}")
    club.canary_number = number


def set_grace(session: Session, club_id: str, grace: dict[str, Any] | None) -> None:
    """The grace periods of a club, as far as they differ from the defaults. Raises LookupError for no such club."""
    club = get(session, club_id)
    if club is None:
        raise LookupError(f"no club {club_id}")
    club.grace = grace


_BY_RECEIVING_NUMBER = select(ClubRow).where(ClubRow.receiving_number == bindparam("number"))


def by_receiving_number(session: Session, receiving_number: str) -> ClubRow | None:
    """The club whose texts come in on that number."""
    return session.execute(_BY_RECEIVING_NUMBER, {"number": receiving_number}).scalar_one_or_none()


_RECEIVING = select(ClubRow.receiving_number)


def receiving_numbers(session: Session) -> frozenset[str]:
    """The numbers on which texts to any club come in (E.164)."""
    return frozenset(session.execute(_RECEIVING).scalars())


_ALL = select(ClubRow).order_by(ClubRow.name, ClubRow.id)


def listing(session: Session) -> list[ClubRow]:
    """All clubs by name."""
    return list(session.execute(_ALL).scalars())


class CanaryClub(NamedTuple):
    """What is asked of each club every few seconds: its canary number, if it has one, and its zone."""

    id: str
    zone: str
    canary_number: str | None


_ROW = table(ClubRow).c
_CANARIES = select(*(_ROW[name] for name in CanaryClub._fields)).order_by(_ROW.name, _ROW.id)


def canaries(session: Session) -> list[CanaryClub]:
    """All clubs by name."""
    return [CanaryClub(*values) for values in session.execute(_CANARIES)]
