"""Dives whose contacts have every mix of ways, with calls that ring out and mails that bounce: what must hold."""

from __future__ import annotations

import random
from datetime import timedelta

import pytest

from service.domain.people import Channel
from service.operations.calling import press
from service.operations.gateway import Blame, ReceiptState
from service.operations.plan_reading import NamedPhone
from tests.operations.stage import ANNA, CLEO, DOV, Stage, Taken, plan, refuse

HARBOUR, MAIL = "+441632960123", "cleo@example.org"
WAYS = ((), ("text",), ("call",), ("call", "text"), ("text", "call", "email"), ("email", "call"))


@pytest.mark.parametrize("seed", range(6))
def test_whatever_becomes_of_texts_calls_and_mails_everything_holds(stage: Stage, seed: int) -> None:
    """While faults rain no rule is broken; once they stop, the alarm and its end reach everybody by every way."""
    chance = random.Random(seed)
    stage.opens_every_way()
    stage.first.sends_receipts = stage.second.sends_receipts = True
    people = ((CLEO, "Cleo Marsh"), (DOV, "Dov Lind"), (HARBOUR, "Harbour office"))
    contacts = tuple(NamedPhone(name, phone, MAIL, None, chance.choice(WAYS)) for phone, name in people)
    dive = stage.dive_in(plan(contacts=contacts))
    faulty = [to for to in (CLEO, DOV, HARBOUR, MAIL) if chance.random() < 0.3]
    for to in faulty:
        stage.first.numbers[to] = stage.second.numbers[to] = refuse(chance.choice((Blame.NUMBER, Blame.TRANSIENT)))

    seen = 0
    for _ in range(30):
        stage.wait(timedelta(seconds=chance.choice((30, 150, 300))))
        for taken in stage.journal[seen:]:
            _something_becomes_of(stage, taken, chance)
        seen = len(stage.journal)
        if chance.random() < 0.1:
            stage.text(chance.choice((CLEO, DOV)), chance.choice(("OK", "what is this", "ON SCENE")))
    for to in faulty:
        del stage.first.numbers[to], stage.second.numbers[to]
    stage.wait(minutes=30)

    assert stage.dive(dive.id).phase in ("alert", "distress")
    stage.text(ANNA, f"OUT {dive.finish_code} 2")
    stage.wait(minutes=5)
    assert stage.dive(dive.id).phase == "closed"


def _something_becomes_of(stage: Stage, taken: Taken, chance: random.Random) -> None:
    """A receipt of either kind or none, and for some calls a key."""
    if taken.channel is Channel.CALL and chance.random() < 0.3:
        press(stage.service, taken.reference, chance.choice("1117"), taken.gateway, taken.provider_id, {})
    fate = chance.choice((ReceiptState.DELIVERED, ReceiptState.FAILED, ReceiptState.SENT, None))
    if fate is not None and not (taken.channel is Channel.CALL and fate is ReceiptState.DELIVERED):
        stage.receipt(taken, fate, code="simulated")
