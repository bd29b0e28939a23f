"""Joining a club by oneself: a form, and a proof that the phone is one's own.

The proof is a text: the page shows a code, and whichever phone texts it to the club's number is proved. That costs
nothing and cannot be used to bother anybody. Whose phone cannot text is sent a code to type on the page; that is
bounded. Codes are single use and last ten minutes, five wrong ones end the page, they are drawn by `secrets` from a
million, and only their hashes are kept (OWASP ASVS 5.0, 6.5.1 to 6.5.5 and 6.6.3).

A code to join is never one of a dive: it begins with 0, which no code of a dive does, and has the same check digit, so
that neither a wrong digit nor two swapped make it one. Wrong codes to join are counted apart from a diver's.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy.orm import Session

from service.domain import codes
from service.domain.dive.commands import NoteReachable
from service.domain.encoding import segments
from service.domain.people import Actor, Role, Via
from service.domain.phone import PhoneError, is_of_country, mask
from service.domain.sending import Sort
from service.domain.wording import MessageKind, general
from service.operations.addressing import Answer, Text
from service.operations.contact_reading import club_language, read_persons_phone
from service.operations.links import TOKEN_BYTES, hash_token
from service.operations.own_numbers import texted_to
from service.operations.people import PEOPLE_MAX, PersonRead, PersonTyped, read_person
from service.operations.recording import apply
from service.operations.sending_bounds import held
from service.operations.service import Service
from service.operations.telling import actor_of
from service.store import club_messages, clubs, dives, joins, log, opt_outs, outbox, people, sites
from service.store.dives import PhoneMatch
from service.store.outbox import NewMessage
from service.store.tables import ClubRow, JoinRow

LASTS = timedelta(minutes=10)
KEPT = timedelta(days=1)  # a form that nobody proved
TRIES_MAX: Final = 5
FORMS_MAX: Final = 60  # of one club within an hour
SENT_TO_PHONE_MAX, SENT_BY_CLUB_MAX = 3, 20  # codes by text: to one number in a day, by one club in an hour
WRONG_MAX, WRONG_WITHIN = 5, timedelta(hours=1)
STEP: Final = "join-"
WRONG: Final = "wrong code to join"

_LENGTH: Final = 8
_DRAWS: Final = 1_000_000
_ANY_SITE: Final = "COVE"  # in the example for a club that has no sites yet

NOT_NOW = "Many people joined this club within the last hour. Try again in an hour, or ask the club to add you."
OVER = "This code is over. Nothing was kept. Fill in the form once more."


@dataclass(frozen=True, slots=True)
class JoinState:
    """How far a form is. `number` is where to text the code; `sent_to` the last digits of a phone that was sent one."""

    code: str
    club_name: str
    number: str
    country: str
    name: str
    until_at: datetime
    over: bool
    proved_phone: str | None
    sent_to: str | None
    tries_left: int


@dataclass(frozen=True, slots=True)
class JoinRefused:
    """Why not, in a sentence with what to do."""

    words: str


def is_join_code(code: str) -> bool:
    """Whether these digits are shaped as a code to join: no code of a dive ever is."""
    return len(code) == _LENGTH and code.startswith("0")


def begin(service: Service, club_id: str, typed: PersonTyped) -> str | PersonRead | JoinRefused:
    """Keep what was typed until the phone is proved; the token of the page that shows the code.

    Raises LookupError for no such club.

    The phone is not asked for: the proof tells it. `typed.phone` is empty.
    """
    now = service.clock.now()

    def work(session: Session) -> str | PersonRead | JoinRefused:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        read = read_person(club, typed, texted_to(session, service.own_numbers))
        read.wrong.pop("phone", None)
        if not read.values["usual_contacts"]:
            read.wrong.setdefault("contact_1", "Name at least one person ashore who will raise the alarm.")
        if read.wrong:
            return read
        joins.forget_before(session, now - KEPT)
        full = len(people.listing(session, club.id)) >= PEOPLE_MAX
        if full or joins.count_since(session, club.id, now - timedelta(hours=1)) >= FORMS_MAX:
            return JoinRefused(NOT_NOW)
        token, code = _draw(session, club)
        joins.add(
            session,
            {
                "token_hash": hash_token(token),
                "club_id": club.id,
                "code_hash": _hash(club.id, code),
                "created_at": now,
                "name": read.values["name"],
                "language": read.values["language"] or club_language(club),
                "usual_contacts": read.values["usual_contacts"],
            },
        )
        return token

    return service.write(work)


def _draw(session: Session, club: ClubRow) -> tuple[str, str]:
    """A token and its code, which would be no dive's even if its 0 were dropped on the way.

    At most one number in a thousand is a dive's, so the second draw is rare.
    """
    while True:
        token = secrets.token_urlsafe(TOKEN_BYTES)
        code = code_of(token)
        if not dives.code_taken(session, club.receiving_number, code[1:]):
            return token, code


def code_of(token: str) -> str:
    """The code that belongs to a token, so that the page can show it and only hashes are kept."""
    drawn = int.from_bytes(hashlib.sha256(f"code to join:{token}".encode()).digest()) % _DRAWS
    return (payload := f"0{drawn:06}") + codes.check_digit(payload)


def _hash(club_id: str, code: str) -> str:
    return hashlib.sha256(f"{club_id}:{code}".encode()).hexdigest()


def state(service: Service, club_id: str, token: str) -> JoinState | None:
    """How far the form of that page is; None for no such page."""
    now = service.clock.now()

    def work(session: Session) -> JoinState | None:
        club, row = clubs.get(session, club_id), joins.get(session, club_id, hash_token(token))
        return None if club is None or row is None else _state(club, row, token, now)

    return service.read(work)


def _state(club: ClubRow, row: JoinRow, token: str, now: datetime) -> JoinState:
    return JoinState(
        code_of(token),
        club.name,
        club.receiving_number,
        club.country,
        row.name,
        row.created_at + LASTS,
        _is_over(row, now),
        row.proved_phone,
        None if row.sent_to is None else mask(row.sent_to),
        TRIES_MAX - row.tries,
    )


def _is_over(row: JoinRow, now: datetime) -> bool:
    return row.proved_at is None and (now >= row.created_at + LASTS or row.tries >= TRIES_MAX)


def send_code(service: Service, club_id: str, token: str, typed: str) -> JoinRefused | None:
    """Text a code to a phone whose owner cannot text us; None once it is on its way. Raises LookupError for no page."""
    now = service.clock.now()

    def work(session: Session) -> JoinRefused | None:
        club, row = _found(session, club_id, token)
        if _is_over(row, now) or row.proved_at is not None:
            return JoinRefused(OVER)
        try:
            phone = read_persons_phone(typed, club, texted_to(session, service.own_numbers))
        except PhoneError as error:
            return JoinRefused(str(error))
        refused = _why_not(session, club, row, phone, now)
        if refused is not None:
            return JoinRefused(refused)
        bounded = held(service, session, club, Sort.JOINING, [phone], 1, now)
        if bounded is not None:
            return JoinRefused(f"No code was sent: {bounded.words}. Text the code to us instead.")
        _, code = _draw(session, club)
        values = {"sent_hash": _hash(club.id, code), "sent_to": phone, "sent_at": now}
        joins.change(session, row.token_hash, values)
        _queue(session, club, row, phone, code, now)
        return None

    refused = service.write(work)
    service.nudge()
    return refused


def _why_not(session: Session, club: ClubRow, row: JoinRow, phone: str, now: datetime) -> str | None:
    """Texts to other countries are what fraud with such forms lives on, and cost the club most."""
    if not is_of_country(phone, club.country):
        return "A code is sent only to numbers of the club's own country. Text the code to us instead, or ask the club."
    if opt_outs.is_opted_out(session, club.receiving_number, phone):
        return "That phone has opted out of our texts. Text START to the club's number first, or text the code to us."
    sent = club_messages.queued_at(session, club.id, phone, STEP)
    if len([at for at in sent if at > now - timedelta(days=1)]) >= SENT_TO_PHONE_MAX:
        return "That phone was sent enough codes for a day. Text the code to us instead."
    if club_messages.count_since(session, club.id, STEP, now - timedelta(hours=1)) >= SENT_BY_CLUB_MAX:
        return "Enough codes were sent for this hour. Text the code to us instead."
    if row.sent_at is not None and now - row.sent_at < timedelta(minutes=1):
        return "A code was sent less than a minute ago. Wait for it."
    return None


def _queue(session: Session, club: ClubRow, row: JoinRow, phone: str, code: str, now: datetime) -> None:
    body = general.join_code(club.name, f"{code[:4]} {code[4:]}", _lasts_min(), row.language)
    outbox.queue(
        session,
        NewMessage(
            club_id=club.id,
            dive_id=None,
            person_key=f"phone:{phone}",
            name=row.name,
            phone=phone,
            kind="other",
            priority=int(MessageKind.OTHER),
            step=f"{STEP}{row.token_hash[:8]}-{now:%Y%m%dT%H%M%S}",
            body=body,
            segments=len(segments(body).parts),
            queued_at=now,
            due_at=now,
            expires_at=row.created_at + LASTS,
            language=row.language,
        ),
    )


def _lasts_min() -> int:
    return int(LASTS.total_seconds() // 60)


def type_code(service: Service, club_id: str, token: str, typed: str) -> JoinRefused | None:
    """The code that was sent to a phone, typed on the page; None once it is proved. Raises LookupError for no page."""
    now = service.clock.now()
    code = "".join(sign for sign in typed if sign.isdigit())[:20]

    def work(session: Session) -> JoinRefused | None:
        club, row = _found(session, club_id, token)
        if row.proved_at is not None:
            return None
        if _is_over(row, now) or row.sent_to is None or row.sent_hash is None:
            return JoinRefused(OVER)
        if not secrets.compare_digest(_hash(club.id, code), row.sent_hash):
            joins.change(session, row.token_hash, {"tries": row.tries + 1})
            left = TRIES_MAX - row.tries - 1
            return JoinRefused(f"That is not the code. {left} tries are left." if left else OVER)
        by = Actor(Role.DIVER, row.name, Via.PAGE, phone=row.sent_to, words="typed the code")
        _prove(service, session, club, row, by, row.sent_to, now)
        return None

    return service.write(work)


def _found(session: Session, club_id: str, token: str) -> tuple[ClubRow, JoinRow]:
    club, row = clubs.get(session, club_id), joins.hold(session, club_id, hash_token(token))
    if club is None or row is None:
        raise LookupError("no such page")
    return club, row


def join_by_text(text: Text) -> Answer:
    """A code to join that somebody texted: it proves the phone that it came from."""
    session, club, now, code = text.session, text.club, text.now, text.intent.code or ""
    if joins.wrong_since(session, text.inbound_id, WRONG, now - WRONG_WITHIN) >= WRONG_MAX:
        return Answer(general.codes_locked(club.name, text.language), note="codes to join locked")
    row = joins.by_code(session, club.id, _hash(club.id, code), now - LASTS)
    if row is None or _is_over(row, now):
        return Answer(general.no_such_join(club.name, _lasts_min(), text.language), note=WRONG)
    by = Actor(Role.DIVER, row.name, Via.TEXT, phone=text.phone)
    _prove(text.service, session, club, row, by, text.phone, now)
    site = next((site.code for site in sites.listing(session, club.id)), _ANY_SITE)
    return Answer(general.joined(club.name, row.name, site, row.language), note="joined")


def _prove(
    service: Service, session: Session, club: ClubRow, row: JoinRow, by: Actor, phone: str, now: datetime
) -> None:
    """Whoever is known already keeps name and notes; language and contacts are those of today."""
    if opt_outs.opt_in(session, club.receiving_number, phone, now):
        _hears_again(service, session, club, phone, now)
    clubs.hold(session, club.id)  # whoever is merged away or erased at the same instant is here, or is gone before
    known = people.by_phone(session, club.id, phone)
    given: dict[str, Any] = {"language": row.language, "usual_contacts": _without(row.usual_contacts, phone)}
    given |= {"verified_at": now, "consent_at": now}
    if known is None:
        person = people.keep(session, club.id, phone, given | {"name": row.name, "joined": "self", "added_at": now})
    else:
        person = known
        people.change(session, club.id, known.id, given)
    joins.change(session, row.token_hash, {"proved_phone": phone, "proved_at": now, "tries": 0})
    log.append(
        session,
        chain=log.club_chain(club.id),
        at=now,
        kind="person_joined",
        actor=actor_of(service, by),
        detail={"person": person.id, "new": known is None},
        club_id=club.id,
    )


def _hears_again(service: Service, session: Session, club: ClubRow, phone: str, now: datetime) -> None:
    """The open dives of a phone that had opted out learn that it can be reached, as START would have them."""
    found = dives.for_phone(session, club.receiving_number, phone, now)
    for match in [one for one in found if isinstance(one, PhoneMatch)]:
        for key in match.keys:
            apply(service, session, match.dive.id, NoteReachable(key), now)


def _without(contacts: list[dict[str, Any]], phone: str) -> list[dict[str, Any]]:
    """A diver is no contact of their own, whatever the form said before the phone was known."""
    return [one for one in contacts if one["phone"] != phone]
