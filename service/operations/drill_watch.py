"""Looking after exercises: one ends when its dives have, when its time is over, and at once for a real alarm.

It ends as soon as who plays the diver goes in, too.

A sweep asks for this once a second while there is an exercise, after the dives that are due and in transactions of its
own: nothing here is part of raising an alarm, and whatever fails here touches no real dive.
"""

from __future__ import annotations

import logging
from functools import partial
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive.commands import EndDrill
from service.domain.people import Actor, Role, Via
from service.operations.recording import act
from service.operations.service import Service
from service.store import drills, log
from service.store.tables import DrillRow

_LOG = logging.getLogger(__name__)

STOPPED: Final = "stopped"  # by an admin
REAL_ALARM: Final = "real_alarm"
PLAYER_DIVES: Final = (
    "player_dives"  # their OUT could mean either, and a real clock would go on until they had said which
)
ANSWERED: Final = "answered"  # each of its dives was closed by those who took part
TIME: Final = "time"
TRIES_MAX: Final = 5  # looks after which a dive that cannot be ended is left to an admin
US: Final = "Linetender"
_WORDS: Final = {
    STOPPED: "End the drill",
    REAL_ALARM: "A real alarm is up",
    PLAYER_DIVES: "Who played the diver is on a real dive",
    TIME: "The time of the drill is over",
}


def look_after_drills(service: Service) -> None:
    """End every exercise that is to end. Idempotent; the fault of one keeps no other from its end."""
    for club_id, drill_id in service.read(_open):
        try:
            look_after_drill(service, club_id, drill_id)
        except Exception:  # noqa: BLE001 - logged; the next look comes in a second
            _LOG.exception("drill_not_looked_after", extra={"drill": drill_id})


def look_after_drill(service: Service, club_id: str, drill_id: str, by: Actor | None = None) -> None:
    """End one exercise if it is to end: its dives first, each by itself, and then it is over. `by` is who asked."""
    drill = service.read(lambda session: _as_it_is(service, session, club_id, drill_id))
    if drill is None:
        return
    why, open_ids, name, tries = drill
    if why is None:
        return
    if service.write(lambda session: drills.let_end(session, drill_id, why, US)):
        _LOG.warning("drill_ends", extra={"drill": drill_id, "why": why})
    actor = by or Actor(Role.STRANGER, name, Via.COMMAND, words=_WORDS.get(why, why))
    failed = [dive_id for dive_id in open_ids if not _ended(service, dive_id, why, actor)]
    service.write(partial(_finish, service, club_id, drill_id, why, len(failed), tries))


def _open(session: Session) -> list[tuple[str, str]]:
    return [(drill.club_id, drill.id) for drill in drills.open_ones(session)]


def _as_it_is(
    service: Service, session: Session, club_id: str, drill_id: str
) -> tuple[str | None, list[str], str, int] | None:
    """Why it is to end, which of its dives are open, who says so, and how often it was tried; None where it is over."""
    drill = drills.get(session, club_id, drill_id)
    if drill is None or drill.ended_at is not None:
        return None
    open_ids = drills.open_dive_ids(session, drill_id)
    why = drill.ending or _why(service, session, drill, open_ids)
    return why, open_ids, drill.ending_by or US, drill.tries


def _why(service: Service, session: Session, drill: DrillRow, open_ids: list[str]) -> str | None:
    place = None if drill.whole_club else drill.site_id
    if drills.real_alarm(session, drill.club_id, place) is not None:
        return REAL_ALARM
    if drills.real_alarm_of_people(session, drill.club_id, drills.phones_of(session, drill.id)) is not None:
        return REAL_ALARM
    if not open_ids:
        return ANSWERED
    player = drills.player_phone(session, drill.id)
    if player is not None and drills.real_dive_of(session, drill.club_id, player) is not None:
        return PLAYER_DIVES
    return TIME if service.clock.now() >= drill.ends_at else None


def _ended(service: Service, dive_id: str, why: str, by: Actor) -> bool:
    """Whether the dive is over now. Its messages that wait are withdrawn with it, as at any end."""
    try:
        act(service, dive_id, EndDrill(by, real_alarm=why == REAL_ALARM))
    except Exception:  # noqa: BLE001 - logged; the others are ended, and a real alarm has long gone out
        _LOG.exception("drill_dive_not_ended", extra={"dive": dive_id})
        return False
    return True


def _finish(service: Service, club_id: str, drill_id: str, why: str, failed: int, tries: int, session: Session) -> None:
    """It is over, also where a dive could not be ended after some tries: a broken one must not block the next."""
    now = service.clock.now()
    if failed and tries + 1 < TRIES_MAX:
        drills.note_try(session, drill_id)
        return
    if not drills.end(session, drill_id, now, failed):
        return  # somebody else was as quick
    log.append(
        session,
        chain=log.club_chain(club_id),
        at=now,
        kind="drill_ended",
        actor={"role": "clock", "name": "the service", "process": service.process},
        detail={"drill": drill_id, "why": why, "left_open": failed},
        club_id=club_id,
    )
