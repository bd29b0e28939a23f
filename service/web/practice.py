"""The practice phones of the demo: see every phone of the club, type as any of them, watch texts arrive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flask import Blueprint, Response, abort, jsonify, redirect, render_template, request
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from service.gateways.practice import PracticeAnswer, answer_accepted, check_request
from service.store import admins, clubs, people, practice
from service.store.practice import FROM_PHONE, TO_PHONE, PracticeMessage
from service.store.tables.club import ClubRow
from service.web.access import Who, open_to
from service.web.context import web
from service.web.practice_line import PracticeLine

phones = Blueprint("practice", __name__, url_prefix="/practice")

BODY_MAX = 1600
FAILED_WORDS = "The service did not take this text. Look at its log, then send it again."
OFF_WORDS = "This phone is switched off. Switch it on to send."


@dataclass(frozen=True, slots=True)
class Card:
    """One practice phone with its conversation. `waiting`: texts that will come when it is switched on."""

    phone: str
    name: str
    role: str
    receiver: str
    on: bool
    texts: Sequence[PracticeMessage]
    waiting: int


@dataclass(frozen=True, slots=True)
class _Owner:
    name: str
    role: str
    club: ClubRow


def _line() -> PracticeLine:
    return web().practice or abort(404)


@phones.get("")
@open_to(Who.PRACTICE)
def show() -> str:
    """All practice phones."""
    return _page()


@phones.get("/conversations")
@open_to(Who.PRACTICE)
def conversations() -> str:
    """The conversations alone, for the page's own refreshing."""
    return render_template("practice_conversations.html", **_facts())


@phones.get("/state.json")
@open_to(Who.PRACTICE)
def state() -> Response:
    """The same for a script."""
    now = web().service.clock.now()
    return jsonify({"now": now.isoformat(), "phones": [_plain(card) for card in _cards()]})


@phones.post("/text")
@open_to(Who.PRACTICE)
def send() -> ResponseReturnValue:
    """Type a text as one of the phones."""
    phone, body = request.form.get("phone", ""), request.form.get("body", "")
    card = next((card for card in _cards() if card.phone == phone), None)
    if card is None:
        abort(404)
    if not card.on:
        return _sent(phone, OFF_WORDS, 409, body)
    if not body.strip() or len(body) > BODY_MAX:
        return _sent(phone, f"Type a text of 1 to {BODY_MAX} characters.", 422, body)
    if not _line().send(phone, card.receiver, body):
        return _sent(phone, FAILED_WORDS, 502, body)
    return _sent(phone, None, 200, "")


@phones.post("/switch")
@open_to(Who.PRACTICE)
def switch() -> ResponseReturnValue:
    """Switch a phone on or off."""
    phone = request.form.get("phone", "")
    if all(card.phone != phone for card in _cards()):
        abort(404)
    _line().switch(phone, on=request.form.get("on") == "yes")
    if _wants_json():
        return jsonify({"ok": True})
    return redirect(f"/practice#phone-{phone.lstrip('+')}", code=303)


@phones.post("/gateway/2010-04-01/Accounts/<account>/Messages.json")
@open_to(Who.GATEWAY)
def take(account: str) -> Response:
    """The practice gateway's own end: it takes a text for a phone, as a real one would."""
    line = _line()
    if account != line.config.account:
        abort(404)
    asked = check_request(request.headers.get("Authorization"), account, line.config.token, request.form)
    answer = asked if isinstance(asked, PracticeAnswer) else answer_accepted(line.take(asked))
    return Response(answer.body(), status=answer.status, content_type="application/json")


def _sent(phone: str, wrong: str | None, status: int, body: str) -> ResponseReturnValue:
    if _wants_json():
        return jsonify({"ok": wrong is None, "words": wrong}), status
    if wrong is None:
        return redirect(f"/practice#phone-{phone.lstrip('+')}", code=303)
    return _page(wrong={phone: wrong}, typed={phone: body}), status


def _wants_json() -> bool:
    return request.accept_mimetypes.best_match(["text/html", "application/json"]) == "application/json"


def _page(wrong: dict[str, str] | None = None, typed: dict[str, str] | None = None) -> str:
    return render_template("practice.html", wrong=wrong or {}, typed=typed or {}, **_facts())


def _facts() -> dict[str, object]:
    service, settings = web().service, web().settings
    known = service.read(clubs.listing)
    return {
        "clubs": known,
        "zone": known[0].zone if known else "UTC",
        "cards": _cards(),
        "now": service.clock.now(),
        "pace": settings.pace,
        "public_url": settings.public_url,
    }


def _cards() -> list[Card]:
    return web().service.read(_read_cards)


def _read_cards(session: Session) -> list[Card]:
    owners = _owners(session)
    texts = practice.all_messages(session)
    by_phone: dict[str, list[PracticeMessage]] = {phone: [] for phone in owners}
    for text in texts:
        by_phone.setdefault(text.to_phone if text.direction == TO_PHONE else text.from_phone, []).append(text)
    known = clubs.listing(session)
    return [
        _card(session, phone, owners.get(phone), known, by_phone[phone])
        for phone in by_phone
        if phone in owners or known
    ]


def _owners(session: Session) -> dict[str, _Owner]:
    """Who has which phone: the people of every club, divers first, and its admins."""
    found: dict[str, _Owner] = {}
    for club in clubs.listing(session):
        known = people.listing(session, club.id)
        ashore = {contact["phone"] for person in known for contact in person.usual_contacts}
        for person in sorted(known, key=lambda one: not one.usual_contacts):
            roles = ["diver"] if person.usual_contacts else []
            roles += ["shore contact"] if person.phone in ashore else []
            found[person.phone] = _Owner(person.name, " and ".join(roles) or "member", club)
        for person in known:
            for contact in person.usual_contacts:
                found.setdefault(contact["phone"], _Owner(contact["name"], "shore contact", club))
        for admin in admins.admins_to_tell(session, club.id):
            found.setdefault(admin.phone or "", _Owner(admin.name, "club admin", club))
    return found


def _card(
    session: Session, phone: str, owner: _Owner | None, known: Sequence[ClubRow], texts: Sequence[PracticeMessage]
) -> Card:
    shown = [text for text in texts if text.delivered or text.direction == FROM_PHONE]
    club = owner.club if owner else known[0]
    return Card(
        phone=phone,
        name=owner.name if owner else "Another phone",
        role=owner.role if owner else "from a plan",
        receiver=club.receiving_number,
        on=practice.is_on(session, phone),
        texts=shown,
        waiting=len(texts) - len(shown),
    )


def _plain(card: Card) -> dict[str, object]:
    return {
        "phone": card.phone,
        "name": card.name,
        "role": card.role,
        "receiver": card.receiver,
        "on": card.on,
        "waiting": card.waiting,
        "messages": [
            {
                "sid": text.sid,
                "direction": text.direction,
                "body": text.body,
                "at": text.at.isoformat(),
                "delivered": text.delivered,
            }
            for text in card.texts
        ],
    }
