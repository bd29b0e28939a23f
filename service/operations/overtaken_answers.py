"""Answers that wait while their dive moves on: what is no longer so is not sent, and whoever asked hears what is.

A text is answered after all that is urgent, so its answer may leave behind the stand-down, or the alarm. Once a dive is
over, or opened again, no answer of before holds. Once it gets graver none does that says how it stands. Whoever waited
for one and is told nothing of what happened gets how the dive stands now: no answer at all would be worse.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.encoding import segments
from service.domain.people import ADMINS, CLOCK, Actor, Channel, Role, Via
from service.domain.wording import MessageKind
from service.domain.wording.drafts import REPLY_LASTS
from service.domain.wording.general import status
from service.operations.service import Service
from service.operations.telling import Page, actor_of
from service.store import dives, log, opt_outs, outbox
from service.store.outbox import Message, NewMessage
from service.store.superseding import Overtaken, expire_answers

STANDING: Final = "standing-"
"""How the step of an answer begins that says how a dive stands, and that there is no alarm for instance."""
_TIMES: Final = ("armed-", "extension_in_force-")
"""The same of those that name the time of an alarm which is up by then."""
ANSWERED_ANEW: Final = "answered_anew"


def put_aside_answers(session: Session, pages: Sequence[Page], now: datetime) -> list[Overtaken]:
    """Keep those from going out that no longer hold once these pages are written; before anything of them is queued."""
    every = [page.before.id for page in pages if _is_over_or_again(page)]
    standing = [page.before.id for page in pages if page.before.id not in every and _is_graver(page)]
    alarmed = [page.before.id for page in pages if page.before.id not in every and _is_alarmed_now(page)]
    return expire_answers(session, {"": every, STANDING: standing, **dict.fromkeys(_TIMES, alarmed)}, now)


def answer_anew(
    service: Service, session: Session, pages: Sequence[Page], gone: Sequence[Overtaken], now: datetime
) -> None:
    """Say how their dive stands to whoever waited for these and is told nothing of what happened."""
    by_id = {page.before.id: page for page in pages}
    for dive_id, phone in dict.fromkeys((one.dive_id, one.phone) for one in gone):
        page, whose = by_id[dive_id], [one for one in gone if (one.dive_id, one.phone) == (dive_id, phone)]
        keys = {one.person_key for one in whose}
        if phone in _phones_told(page) or not keys.isdisjoint(_keys_told(page)):
            continue
        if not opt_outs.is_opted_out(session, dives.receiving_number_of(session, dive_id), phone):
            _say_how_it_stands(service, session, page.after, whose, now)


def is_of_before(dive: Dive | None, message: Message) -> bool:
    """Whether this is an answer, to be tried again, from before its dive ended or got graver."""
    if dive is None or MessageKind(message.priority) is not MessageKind.REPLY:
        return False
    changed = [dive.closed_at]
    if message.step.startswith(STANDING):
        changed += [dive.alarm_at, dive.called_at]
    if message.step.startswith(_TIMES):
        changed.append(dive.alarm_at)
    return any(at is not None and message.queued_at < at for at in changed)


def _is_over_or_again(page: Page) -> bool:
    return (page.before.phase is Phase.CLOSED) != (page.after.phase is Phase.CLOSED)


def _is_alarmed_now(page: Page) -> bool:
    return page.after.alarmed and not page.before.alarmed


def _is_graver(page: Page) -> bool:
    before, after = page.before, page.after
    return before.phase is not after.phase or (before.called_at is None) != (after.called_at is None)


def _phones_told(page: Page) -> set[str | None]:
    texts = (draft for line in page.lines for draft in line.drafts if draft.channel is Channel.TEXT)
    return {draft.to.phone for draft in texts} - {None}


def _keys_told(page: Page) -> Iterator[str]:
    """Admins, whose phones the drafts leave open."""
    return (draft.to.key for line in page.lines for draft in line.drafts if draft.to.key != ADMINS)


def _say_how_it_stands(
    service: Service, session: Session, dive: Dive, whose: Sequence[Overtaken], now: datetime
) -> None:
    first = whose[0]
    body = status(dive, _who(dive, first), now)
    message = outbox.queue(
        session,
        NewMessage(
            club_id=dive.club_id,
            dive_id=dive.id,
            person_key=f"phone:{first.phone}",
            name="",
            phone=first.phone,
            kind=MessageKind.REPLY.name.lower(),
            priority=int(MessageKind.REPLY),
            step=f"{STANDING}anew-{dive.version}",
            body=body,
            segments=len(segments(body).parts),
            queued_at=now,
            due_at=now,
            expires_at=now + REPLY_LASTS,
        ),
    )
    log.append(
        session,
        chain=log.dive_chain(dive.id),
        at=now,
        kind=ANSWERED_ANEW,
        actor=actor_of(service, CLOCK),
        detail={"message": message, "person": first.person_key, "for": [one.message_id for one in whose]},
        dive_id=dive.id,
        club_id=dive.club_id,
    )


def _who(dive: Dive, asked: Overtaken) -> Actor:
    """Whoever has that phone in the plan; of one who dives and is a contact the diver, whose word ends it."""
    person = next((one for one in dive.divers + dive.contacts if one.phone == asked.phone), None)
    if person is None:
        return Actor(Role.STRANGER, "", Via.TEXT, phone=asked.phone)
    role = Role.DIVER if person in dive.divers else Role.CONTACT
    return Actor(role, person.name, Via.TEXT, key=person.key, phone=person.phone)
