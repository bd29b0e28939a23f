"""Somebody says, by text or on their page, whether they will be a shore contact: of a club, whichever dive asked.

The later word holds. Who declines gets no plans and no alarms, and the lead of every open dive that counts on them
hears it; they may agree again at any time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Phase
from service.domain.dive.commands import Command, NoteReachable, NoteUnreachable
from service.domain.dive.ways import DECLINED
from service.domain.people import ENGLISH, Actor, Recipient, Role, Via
from service.domain.phone import mask
from service.domain.texts import Kind
from service.domain.wording import introducing
from service.operations.addressing import Answer, Text
from service.operations.pages import LinkView, link_actor
from service.operations.recording import apply
from service.operations.service import Service
from service.operations.telling import actor_of
from service.store import clubs, dives, log, opt_outs, reaches
from service.store.dives import PhoneMatch
from service.store.tables.club import ClubRow


@dataclass(frozen=True, slots=True)
class _Word:
    """Who says it, of which club, whether they agree, and the dives that they belong to."""

    club: ClubRow
    by: Actor
    phone: str
    agrees: bool
    matches: Sequence[PhoneMatch]
    now: datetime


def say_by_text(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    """AGREE or DECLINE. From a phone that no plan of the club has named it decides nothing."""
    agrees = text.intent.kind is Kind.AGREE
    named = [match for match in matches if _contact_keys(match)]
    known = reaches.find(text.session, text.club.id, [text.phone])
    if not named and not known:
        return Answer(introducing.never_named(text.club.name), note="no plan names this phone")
    who = _person(named)
    name = f"a phone ending {mask(text.phone)[-3:]}" if who is None else who.name
    by = Actor(Role.CONTACT, name, Via.TEXT, phone=text.phone, words=text.words)
    word = _Word(text.club, by, text.phone, agrees, matches, text.now)
    _decide(text.service, text.session, word)
    about = [match.dive for match in named if match.dive.phase is not Phase.CLOSED]
    words = introducing.answer(
        text.club.name,
        agrees=agrees,
        alarmed=[dive.reference for dive in about if dive.alarmed],
        lead_told=bool(about),
        language=ENGLISH if who is None else who.language,
    )
    chosen = next((dive for dive in about if dive.reference == text.intent.ref), about[0] if about else None)
    return Answer(words, None if chosen is None else chosen.id, note=str(text.intent.kind))


def say_on_page(service: Service, view: LinkView, *, agrees: bool) -> None:
    """One of the two buttons of a contact's page. Raises LookupError where the dive's club is gone."""

    def work(session: Session) -> None:
        club = clubs.get(session, view.dive.club_id)
        if club is None:
            raise LookupError(f"no club {view.dive.club_id}")
        phone = view.person.phone or ""
        found = dives.for_phone(session, club.receiving_number, phone, view.now)
        matches = [match for match in found if isinstance(match, PhoneMatch)]
        by = link_actor(view, "I agree" if agrees else "I decline")
        _decide(service, session, _Word(club, by, phone, agrees, matches, view.now))

    service.write(work)
    service.nudge()


def _decide(service: Service, session: Session, word: _Word) -> None:
    """First the dives, then what the club keeps, then its log: one order for everybody who locks them."""
    if word.agrees:
        opt_outs.opt_in(session, word.club.receiving_number, word.phone, word.now)
    touched = [
        match.dive.id
        for match in word.matches
        for key in (match.keys if word.agrees else _contact_keys(match))
        if apply(service, session, match.dive.id, _command(key, agrees=word.agrees), word.now)
    ]
    reaches.decide(session, word.club.id, word.phone, "agreed" if word.agrees else "declined", word.now)
    log.append(
        session,
        chain=log.club_chain(word.club.id),
        at=word.now,
        kind="contact_agreed" if word.agrees else "contact_declined",
        actor=actor_of(service, word.by),
        detail={"phone": word.phone, "dives": list(dict.fromkeys(touched))},
        club_id=word.club.id,
    )


def _command(key: str, *, agrees: bool) -> Command:
    if agrees:
        return NoteReachable(person=key, agreed=True)
    return NoteUnreachable(person=key, reason=DECLINED, said=True)


def _contact_keys(match: PhoneMatch) -> list[str]:
    return [key for key in match.keys if key.startswith(Role.CONTACT)]


def _person(named: Sequence[PhoneMatch]) -> Recipient | None:
    """The contact as the newest of these plans names them."""
    return next((match.dive.person(_contact_keys(match)[0]) for match in named), None)
