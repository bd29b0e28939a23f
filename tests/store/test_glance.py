"""A glance: what a sweep goes by, so whatever it does not see is not done."""

from __future__ import annotations

from dataclasses import fields
from datetime import timedelta

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.store import drills, due, health, inbound, inbound_parts, outbox, sites
from service.store.due import Glance
from service.store.engine import writing
from service.store.inbound import NewText
from service.store.inbound_parts import Key
from tests.store.examples import ANNA, CLUB, NOW, NUMBER, add_club, add_dive, claim, filed, minutes, queued

OTHER = "other-club"


def handed(session: Session, step: str, after: timedelta, **changes: object) -> str:
    """A message that a gateway took so long after NOW."""
    message_id = queued(session, step, **changes)
    claim(session, NOW, 10, "courier", 3600)
    assert outbox.mark_handed(session, message_id, "courier", "north", step, NOW + after)
    return message_id


def text(session: Session, number: int, came: timedelta) -> int:
    """A text that came then."""
    came_at = NOW + came
    new = NewText(
        gateway="north",
        provider_id=f"SM{number}",
        sender=ANNA,
        receiver=NUMBER,
        body="OUT",
        raw={},
        received_at=came_at,
        authentic=True,
    )
    text_id = inbound.store(session, new)
    assert text_id is not None
    return text_id


def drill(session: Session, club_id: str, began: timedelta) -> str:
    """An exercise of a club that began then."""
    place = {"code": f"COVE{began}", "name": "Lantern Cove", "zone": "Europe/London", "lat": 47.12345, "lon": -20.54321}
    site = sites.add(session, club_id=club_id, rescue_call="07700 900999", **place)  # type: ignore[arg-type] - the columns are its own
    given = {"site_id": site.id, "site_name": "Lantern Cove", "whole_club": False, "started_by": "Finn"}
    at = NOW + began
    return drills.add(session, club_id=club_id, now=at, ends_at=at + minutes(60), **given).id  # type: ignore[arg-type] - the columns are its own


def put_in(session: Session) -> None:
    """Of each kind two, the later one first, and beside them what comes before both and is not to be done any more."""
    for number, due_at in enumerate((NOW + minutes(2), NOW + minutes(1), None)):
        add_dive(session, filed(f"d{number + 1}", f"10000{number}", f"20000{number}"), due_at=due_at)
    handed(session, "waited for longer", minutes(0), receipt_within_s=300)
    handed(session, "handed later", minutes(1), receipt_within_s=120, priority=0)
    outbox.note_receipt_checked(session, handed(session, "asked about", minutes(-9)))
    handed(session, "calm", minutes(-9), priority=2, expires_at=NOW + minutes(1))
    queued(session, "use later", expires_at=NOW + minutes(6))
    queued(session, "use", expires_at=NOW + minutes(5))
    parts = {came: part(session, came) for came in (2, 1, 0)}
    texts = {came: text(session, came, minutes(came)) for came in (4, 3, -1)}
    inbound_parts.tie(session, [parts[0]], texts[4])
    inbound.quarantine(session, texts[-1], note="", now=NOW)
    health.beat(session, "keeper", NOW + minutes(9))
    health.beat(session, "sweep", NOW + minutes(7))
    health.beat(session, "another", NOW)
    drills.end(session, drill(session, CLUB, minutes(-5)), NOW, 0)
    drill(session, CLUB, minutes(4))
    add_club(session, OTHER, "+447700900501")
    drill(session, OTHER, minutes(3))


def part(session: Session, came: int) -> int:
    """A part of a long text that came so many minutes after NOW."""
    key = Key("north", ANNA, NUMBER, "AB", 9)
    part_id = inbound_parts.add(
        session, key, provider_id=f"P{came}", number=came + 1, body="...", received_at=NOW + minutes(came)
    )
    assert part_id is not None
    return part_id


def test_a_glance_sees_the_first_of_each_kind_and_nothing_that_is_done(engine: Engine) -> None:
    """What is earliest decides, and of a receipt until when it is waited for, not when its alarm was handed over."""
    assert due.glance(engine) == Glance(*[None] * len(fields(Glance)))

    with writing(engine) as session:
        put_in(session)

    assert due.glance(engine) == Glance(
        dive_at=NOW + minutes(1),
        receipt_at=NOW + minutes(3),
        part_at=NOW + minutes(1),
        text_at=NOW + minutes(3),
        expires_at=NOW + minutes(5),
        swept_at=NOW + minutes(7),
        drill_at=NOW + minutes(3),
    )
