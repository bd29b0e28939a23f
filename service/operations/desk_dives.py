"""What an admin sees of one dive at the desk, and does to it: by the same rules as everybody, under their own name.

A page may be older than the dive. What would lower an alarm is then not done, but what has happened since is shown and
the admin asked again. What raises or adds to it is done at once. A second press of the same button is one deed, and
where the dive was over in between the admin is asked again.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive import Command
from service.domain.dive.commands import CallOff, Extend, ReportSafe
from service.domain.people import Actor, Role, Via
from service.operations.board import Line, line_of
from service.operations.old_pages import DoneBefore, Moved, Repeat, events_since, repeat_of
from service.operations.pages import TimelineEntry, timeline
from service.operations.recording import Applied, apply_to
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import board as store
from service.store import dives
from service.store.dives import UnreadableDive
from service.store.plain_columns import RowFacts, row_facts

LOWERING: Final = (Extend, CallOff, ReportSafe)
"""What makes an alarm come later or end: never done by a page that does not show how the dive stands."""


@dataclass(frozen=True, slots=True)
class DiveAtDesk:
    """One dive of the club as it is at `now`, with who can be reached, and all that happened to it."""

    line: Line
    happened: tuple[TimelineEntry, ...]
    now: datetime


def desk_actor(admin: SignedIn, words: str) -> Actor:
    """An admin at the desk; `words` is the button and what was written beside it. Their phone hears as others do."""
    return Actor(Role.ADMIN, admin.name, Via.PAGE, key=f"{Role.ADMIN}-{admin.admin_id}", words=words)


def dive_at_desk(service: Service, club_id: str, dive_id: str) -> DiveAtDesk | RowFacts | None:
    """A dive of this club; by its plain columns where its state cannot be read; None for another club's."""
    now = service.clock.now()

    def look(session: Session) -> Line | RowFacts | None:
        try:
            dive = dives.get(session, dive_id)
        except UnreadableDive:
            facts = row_facts(session, dive_id)
            return None if facts is None or facts.club_id != club_id else facts
        if dive is None or dive.club_id != club_id:
            return None
        return line_of(dive, store.sent(session, club_id, dive_id), store.opted_out(session, club_id, dive_id), now)

    found = service.read(look)
    return DiveAtDesk(found, timeline(service, dive_id), now) if isinstance(found, Line) else found


def act_at_desk(
    service: Service, admin: SignedIn, dive_id: str, command: Command, seen_version: int
) -> Applied | Moved | DoneBefore | None:
    """Do it, unless the page that shows `seen_version` is too old for it. None for another club's dive.

    Raises UnreadableDive.
    """
    now = service.clock.now()

    def work(session: Session) -> Applied | Moved | DoneBefore | None:
        dive = dives.lock(session, dive_id)
        if dive is None or dive.club_id != admin.club_id:
            return None
        if dive.version != seen_version:
            repeat = repeat_of(events_since(session, dive, seen_version) or (), command)
            if repeat is Repeat.DONE:
                return DoneBefore()
            # What was done and then was over may be meant anew, or be a press that came late: only a person knows.
            if isinstance(command, LOWERING) or repeat is Repeat.OVERTAKEN:
                return Moved(())
        return apply_to(service, session, dive, command, now)

    done = service.write(work)
    if isinstance(done, Applied) and done.events:
        service.nudge()
    if isinstance(done, Moved):
        return Moved(timeline(service, dive_id)[max(seen_version, 0) :])
    return done
