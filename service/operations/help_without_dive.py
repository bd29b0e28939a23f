"""Who calls for help, and no dive takes it up: their club's admins hear of it, as from a keeper in an outage.

The sender may be in a dive that nobody filed, or whose IN was lost, or be ill after one that has long been over. No
contact is theirs to tell then; somebody has to phone them all the same. Bounded, so that neither a thumb nor a machine
keeps the admins from what is theirs to read: three times an hour of one phone, the same words once in two minutes, and
of phones that the club does not know a few in all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from service.domain.dive import Dive, Phase
from service.domain.dive.refusals import closed
from service.domain.encoding import segments
from service.domain.place.link import bare_of_links, without_link
from service.domain.texts import Kind
from service.domain.texts.trouble import was_only_worried
from service.domain.texts.typed import typed
from service.domain.wording import MessageKind
from service.domain.wording.general import refused
from service.domain.wording.unraised import help_for_admins, help_told
from service.operations.addressing import Answer, Text, language_of_sender
from service.operations.answers_to_strangers import HELP_MAX, WITHIN
from service.operations.choosing import but_exercises
from service.operations.contact_reading import club_language
from service.operations.help_meanwhile import ADMINS_TOLD, admins_know, mark_of
from service.operations.outage_help import BEHIND_CONTACTS, SAME_WITHIN
from service.operations.sending_bounds import is_kept
from service.store import admins, dives, inbound, outbox, people, reaches
from service.store import help_told as told_before
from service.store.dives import Match, PhoneMatch
from service.store.outbox import NewMessage
from service.store.tables import AdminRow

STRANGERS_MAX: Final = 6  # an hour, of all phones that a club does not know: anybody can send it anything
LOOKED_BACK: Final = timedelta(days=1)  # who is ill of a dive mostly is so within a day
LASTS: Final = timedelta(hours=2)  # as long as an SOS would open a dive again
_STRANGER: Final = f"{ADMINS_TOLD}stranger-"


@dataclass(frozen=True, slots=True)
class _Sender:
    """Who calls, as far as their club knows them. `near`: the dive of theirs that it may be about."""

    phone: str
    name: str | None
    known: bool
    near: Dive | None


def told_to_admins(text: Text, answered: Answer) -> Answer:
    """The answer to a call for help that no dive took up, once the admins of its club were told of it."""
    matches = dives.for_phone(text.session, text.club.receiving_number, text.phone, text.now - LOOKED_BACK)
    sender = _sender(text, matches, _acted_on(text, answered))
    language = language_of_sender(text, matches)
    if sender.near is not None and sender.near.phase is Phase.CLOSED and was_only_worried(typed(text.words)):
        over = refused(sender.near, closed(sender.near, text.now), language)
        return replace(answered, words=over, note="worried while it was not over")
    told, note = _tell(text, sender)
    words = help_told(
        text.club.name,
        text.club.rescue_call,
        sender.near,
        text.now,
        told=told,
        opens=text.intent.kind is Kind.WORRY and sender.near is not None and _would_open(text, sender.near),
        language=language,
    )
    noted = f"{answered.note}; {note}" if answered.note else note
    return replace(answered, words=words, note=noted)


def _acted_on(text: Text, answered: Answer) -> Dive | None:
    """The dive that they named, as by its code from a borrowed phone."""
    dive = None if answered.dive_id is None else dives.get(text.session, answered.dive_id)
    return None if dive is None or dive.drill else dive


def _sender(text: Text, matches: Sequence[Match], named: Dive | None) -> _Sender:
    session, club, phone = text.session, text.club, text.phone
    real = [match for match in but_exercises(matches) if isinstance(match, PhoneMatch)]
    person, admin = people.by_phone(session, club.id, phone), _admin(text)
    names = [one.name for match in real for key in match.keys if (one := match.dive.person(key)) is not None]
    name = person.name if person else next(iter(names), admin.name if admin else None)
    known = bool(matches or named) or is_kept(session, club, phone) or bool(reaches.find(session, club.id, [phone]))
    return _Sender(phone, name, known, named or _near([match.dive for match in real], text.meant_at))


def _admin(text: Text) -> AdminRow | None:
    return next((one for one in admins.admins_to_tell(text.session, text.club.id) if one.phone == text.phone), None)


def _near(theirs: Sequence[Dive], at: datetime) -> Dive | None:
    """The dive whose end or time in is nearest; one without a time in may begin at any moment."""

    def away(dive: Dive) -> timedelta:
        when = dive.closed_at if dive.phase is Phase.CLOSED else dive.plan.time_in_at
        return timedelta() if when is None else abs(when - at)

    return min((one for one in theirs if not one.live), key=away, default=None)


def _would_open(text: Text, dive: Dive) -> bool:
    return dive.phase is not Phase.CLOSED or dive.can_reopen(text.meant_at)


def _tell(text: Text, sender: _Sender) -> tuple[bool, str]:
    """Tell every admin, unless that is too much; whether they know of it, and what the log says."""
    session, club, now = text.session, text.club, text.now
    if admins_know(session, club.id, sender.phone, inbound.came_at(session, text.inbound_id)):
        return True, "the admins were told in the outage"
    deaf = admins.deaf(session, club.id)
    wanted = [
        one for one in admins.admins_to_tell(session, club.id) if one.phone not in deaf and one.phone != sender.phone
    ]
    if not wanted:
        return False, "no admin can be told"
    who, words = mark_of(sender.phone), mark_of(text.words)
    begins = f"{ADMINS_TOLD if sender.known else _STRANGER}{who}-"
    before = told_before.told_since(session, club.id, ADMINS_TOLD, now - WITHIN)
    of_phone = [(step, at) for step, at in before if step.startswith(begins)]
    same = any(step.startswith(f"{begins}{words}-") and now - at < SAME_WITHIN for step, at in of_phone)
    if same or len(of_phone) >= HELP_MAX:
        return True, "the admins were told within the hour"
    if not sender.known and sum(step.startswith(_STRANGER) for step, _ in before) >= STRANGERS_MAX:
        return False, "the admins were told enough of strangers this hour"
    _queue(text, sender, wanted, f"{begins}{words}-{text.inbound_id}")
    return True, f"told {len(wanted)} of the admins"


def _queue(text: Text, sender: _Sender, wanted: Sequence[AdminRow], step: str) -> None:
    club, now = text.club, text.now
    # From somebody whom nobody knows no link is passed on under the club's name, but for the place that it shows.
    said = text.words if sender.known else bare_of_links(without_link(text.words))
    body = help_for_admins(
        club.name, club.rescue_call, sender.phone, sender.name, said.strip(), sender.near, now, club_language(club)
    )
    parts = len(segments(body).parts)
    queued = [
        NewMessage(
            club_id=club.id,
            dive_id=None,
            person_key=f"admin-{one.id}",
            name=one.name,
            phone=one.phone or "",
            kind="alert",
            priority=int(MessageKind.ALERT),
            step=step,
            body=body,
            segments=parts,
            queued_at=now,
            due_at=now,
            expires_at=now + LASTS,
            rank=BEHIND_CONTACTS,
        )
        for one in wanted
    ]
    outbox.queue_all(text.session, queued)
