"""The practice phones of the demo: type as any phone of the club, take its calls, watch what arrives."""

from __future__ import annotations

import re

from flask import Blueprint, Response, abort, jsonify, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.domain.people import Channel
from service.store import clubs
from service.store.practice import PracticeMessage
from service.web.access import Who, open_to
from service.web.context import web
from service.web.practice_cards import Card, read_cards
from service.web.practice_line import PracticeLine

phones = Blueprint("practice", __name__, url_prefix="/practice")

BODY_MAX = 1600
FAILED_WORDS = "The service did not take this text. Look at its log, then send it again."
OFF_WORDS = "This phone is switched off. Switch it on to send."
SILENT_WORDS = "This phone does not ring any more."
KEY_FAILED_WORDS = "The service did not take the key. Look at its log, then press it again."
UNKNOWN_WORDS = "Say what to do: key (with one of 0-9 * #), ring or machine."

_KEY = re.compile(r"[0-9*#]")


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
    card, body = _card(), request.form.get("body", "")
    if not card.on:
        return _done(card, OFF_WORDS, 409, body)
    if not body.strip() or len(body) > BODY_MAX:
        return _done(card, f"Type a text of 1 to {BODY_MAX} characters.", 422, body)
    if not _line().send(card.phone, card.receiver, body):
        return _done(card, FAILED_WORDS, 502, body)
    return _done(card)


@phones.post("/call")
@open_to(Who.PRACTICE)
def take_call() -> ResponseReturnValue:
    """Do something about a phone that rings: press a key, let it ring, or have a machine answer."""
    card, calls = _card(), web().practice_calls or abort(404)
    do, key = request.form.get("do"), request.form.get("key", "1")
    if card.ringing is None:
        return _done(card, SILENT_WORDS, 409)
    if do == "ring":
        calls.let_ring(card.ringing)
    elif do == "machine":
        calls.answer_by_machine(card.ringing)
    elif do != "key" or not _KEY.fullmatch(key):
        return _done(card, UNKNOWN_WORDS, 422)
    elif not calls.press(card.ringing, key):
        return _done(card, KEY_FAILED_WORDS, 502)
    return _done(card)


@phones.post("/switch")
@open_to(Who.PRACTICE)
def switch() -> ResponseReturnValue:
    """Switch a phone on or off; one that is switched off stops ringing."""
    card, calls, on = _card(), web().practice_calls, request.form.get("on") == "yes"
    _line().switch(card.phone, on=on)
    if not on and card.ringing is not None and calls is not None:
        calls.let_ring(card.ringing)
    return _done(card)


def _card() -> Card:
    """The card of the phone that a form names, if it is one that can do something."""
    phone = request.form.get("phone", "")
    return next((card for card in _cards() if card.phone == phone and not card.is_mailbox), None) or abort(404)


def _done(card: Card, wrong: str | None = None, status: int = 200, typed: str = "") -> ResponseReturnValue:
    if request.accept_mimetypes.best_match(["text/html", "application/json"]) == "application/json":
        return jsonify({"ok": wrong is None, "words": wrong}), status
    if wrong is None:
        return redirect(f"/practice#phone-{card.phone.lstrip('+')}", code=303)
    return _page(wrong={card.phone: wrong}, typed={card.phone: typed}), status


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
    return web().service.read(read_cards)


def _plain(card: Card) -> dict[str, object]:
    calls = card.of(Channel.CALL) + ([] if card.ringing is None else [card.ringing])
    mails = card.of(Channel.EMAIL)
    return {
        "phone": card.phone,
        "name": card.name,
        "role": card.role,
        "receiver": card.receiver,
        "on": card.on,
        "waiting": card.waiting,
        "messages": [_plain_message(text) for text in card.of(Channel.TEXT)],
        "calls": [_plain_message(call) | {"ringing": call.ended is None, "ended": call.ended} for call in calls],
        "mails": [_plain_message(mail) | {"to": mail.to_phone, "subject": mail.subject} for mail in mails],
    }


def _plain_message(message: PracticeMessage) -> dict[str, object]:
    return {
        "sid": message.sid,
        "direction": message.direction,
        "body": message.body,
        "at": message.at.isoformat(),
        "delivered": message.delivered,
    }
