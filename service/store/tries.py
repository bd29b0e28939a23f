"""How often something secret was tried, counted in its row, so that it holds over all processes and restarts.

A window begins with the first try and ends a quarter of an hour later in any case: nobody waits longer than that. A try
is counted before it is looked at, so that many at once are no more than one after another.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import ColumnElement, or_, update
from sqlalchemy.orm import Session

from service.store.tables import KnownBrowserRow, SecondFactorRow
from service.store.upsert import touched

WINDOW: Final = timedelta(minutes=15)


def taken(
    session: Session,
    row: type[KnownBrowserRow | SecondFactorRow],
    which: ColumnElement[bool],
    now: datetime,
    most: int,
) -> bool:
    """Count one more in that row; False, and not counted, when there have been `most` in this window."""
    over = or_(row.tries_since_at.is_(None), row.tries_since_at <= now - WINDOW)
    if touched(session, update(row).where(which, over).values(tries=1, tries_since_at=now)) == 1:
        return True
    return touched(session, update(row).where(which, row.tries < most).values(tries=row.tries + 1)) == 1
