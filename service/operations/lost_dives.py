"""Open dives of which the keeper's snapshot knows more than the database: it was set back, by a restore for instance.

No clock runs for what was filed or begun since the copy that was put in place, and nobody else knows of it: the
snapshot is of the last seconds before. So the admins hear of each such dive before the snapshot is brought up to date.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.operations import service_log
from service.operations.service import Service
from service.operations.telling_admins import tell_admins
from service.store.codec import UnreadableError, load_dive
from service.store.snapshots import OpenDive

_LOG = logging.getLogger(__name__)

LOST: Final = "dives_lost"
NEVER: Final = datetime.max.replace(tzinfo=UTC)
TOLD_MAX: Final = 10  # of each club, those that are due first: a flood of texts would be read by nobody


def tell_of_lost(service: Service, lost: Sequence[OpenDive]) -> None:
    """Tell the admins of these dives, each once, and log which they are. Raises what the database raises."""
    _LOG.error(LOST, extra={"dives": [one.id for one in lost]})
    service.write(partial(_tell, service, sorted(lost, key=_due_at)))


def _tell(service: Service, lost: Sequence[OpenDive], session: Session) -> None:
    now = service.clock.now()
    service_log.note(service, session, LOST, {"dives": [one.id for one in lost]}, now, name="the keeper")
    for club_id in dict.fromkeys(one.club_id for one in lost):
        of_club = [one for one in lost if one.club_id == club_id]
        for one in of_club[:TOLD_MAX]:
            tell_admins(session, f"lost-{one.id}-{one.version}", _words(one), now, club_id=club_id)
        left = len(of_club) - TOLD_MAX
        if left > 0:
            words = f"The database was set back: {left} more open dives are lost or out of date. Ask at the sites."
            tell_admins(session, f"lost-{of_club[0].id}-more", words, now, club_id=club_id)


def _due_at(one: OpenDive) -> tuple[bool, datetime, str]:
    """By when somebody acts; those without such a time last."""
    dive = _read(one)
    at = dive.raise_by_at if dive is not None else one.due_at
    return at is None, at or NEVER, one.id


def _words(one: OpenDive) -> str:
    dive, facts = _read(one), one.facts
    if dive is not None:
        who, phone, site = f"{dive.reference}, {dive.lead.name}", dive.lead.phone, dive.plan.site.name
        at = dive.raise_by_at
    elif facts is not None:
        who, site, at = f"{facts.reference}, {facts.lead_name}", facts.site_name, facts.raise_by_at
        phone = next((one.phone for one in facts.phones if one.role == "diver"), None)
    else:
        return f"The database was set back: an open dive is lost or out of date, {one.id}. Ask at the sites."
    alarm = "not yet started" if at is None else f"alarm {at:%d.%m. %H:%M} UTC"
    return (
        f"The database was set back: dive {who}, {site}, {alarm}, is lost or out of date. Its clock may not run."
        f" Phone {phone or 'them'} and the contacts."
    )


def _read(one: OpenDive) -> Dive | None:
    try:
        return load_dive(one.state)
    except UnreadableError:
        return None
