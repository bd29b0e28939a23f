"""Heartbeats and canaries, links, opt-outs and practice phones."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy.orm import Session

from service.domain.dive.events import Closed, Outcome
from service.store import health, links, opt_outs, practice
from service.store.health import Heartbeat
from service.store.links import Link
from tests.store.examples import (
    ANNA,
    BRAM,
    BY_ANNA,
    CLEO,
    CLUB,
    NOW,
    NUMBER,
    add_dive,
    apply,
    minutes,
)

DAY = timedelta(days=1)
TICK = timedelta(microseconds=1)


def test_a_heartbeat_is_the_latest_and_never_goes_back(session: Session) -> None:
    """A process that slept for an hour cannot make the sweep look an hour old."""
    assert health.heartbeat(session, "sweep") is None

    health.beat(session, "sweep", NOW, "worker-1")
    health.beat(session, "sweep", NOW - minutes(60), "worker-2")
    assert health.heartbeat(session, "sweep") == Heartbeat("sweep", NOW, "worker-1")

    health.beat(session, "sweep", NOW + minutes(1), None)
    health.beat(session, "keeper", NOW)
    assert health.heartbeats(session) == {
        "keeper": Heartbeat("keeper", NOW, None),
        "sweep": Heartbeat("sweep", NOW + minutes(1), None),
    }


def test_a_canary_comes_home_once(session: Session) -> None:
    """Its way through broker and worker is proven by coming back, and a second copy proves nothing more."""
    assert health.last_canary_home(session) is None
    first = health.send_canary(session, NOW)
    second = health.send_canary(session, NOW + minutes(1))

    assert health.last_canary_home(session) == NOW, "none came home: since the first set out"
    assert health.return_canary(session, first, NOW + minutes(2))
    assert not health.return_canary(session, first, NOW + minutes(3))
    assert not health.return_canary(session, 999, NOW)

    assert health.last_canary_home(session) == NOW
    assert health.return_canary(session, second, NOW + minutes(4))
    assert health.last_canary_home(session) == NOW + minutes(1)


def test_old_canaries_are_forgotten(session: Session) -> None:
    """One comes every quarter of a minute; nobody needs last week's."""
    old = health.send_canary(session, NOW)
    young = health.send_canary(session, NOW + minutes(1))

    assert health.drop_canaries(session, NOW + minutes(1)) == 1
    assert not health.return_canary(session, old, NOW + minutes(2))
    assert health.return_canary(session, young, NOW + minutes(2))


def test_a_link_opens_one_page_until_a_day_after_the_close(session: Session) -> None:
    """Who keeps an old text cannot look at the dive for ever."""
    dive = add_dive(session)
    links.add(session, token_hash="h1", dive_id="d1", club_id=CLUB, person_key="contact-0", kind="alarm", now=NOW)

    expected = Link("d1", CLUB, "contact-0", "alarm", NOW)
    assert links.find(session, "h1", NOW + 365 * DAY) == expected
    assert links.find(session, "h2", NOW) is None

    over = Closed(at=NOW, by=BY_ANNA, outcome=Outcome.SURFACED, count=3)
    apply(session, dive, over, due_at=None)
    assert links.find(session, "h1", NOW + DAY - TICK) == expected
    assert links.find(session, "h1", NOW + DAY) is None


def test_an_opt_out_holds_until_it_is_taken_back(session: Session) -> None:
    """For one phone and one number."""
    assert not opt_outs.is_opted_out(session, NUMBER, ANNA)
    assert opt_outs.opt_out(session, NUMBER, ANNA, NOW)
    assert not opt_outs.opt_out(session, NUMBER, ANNA, NOW + minutes(1))

    assert opt_outs.is_opted_out(session, NUMBER, ANNA)
    assert not opt_outs.is_opted_out(session, NUMBER, BRAM)
    assert not opt_outs.is_opted_out(session, "+447700900501", ANNA)

    assert opt_outs.opt_in(session, NUMBER, ANNA, NOW + minutes(2))
    assert not opt_outs.opt_in(session, NUMBER, ANNA, NOW + minutes(2))
    assert not opt_outs.is_opted_out(session, NUMBER, ANNA)
    assert opt_outs.opt_out(session, NUMBER, ANNA, NOW + minutes(3))


def text(session: Session, sid: str, to: str = ANNA, sender: str = NUMBER, **changes: object) -> bool:
    """A text on a practice phone."""
    fields: dict[str, object] = {"direction": practice.TO_PHONE, "at": NOW, "delivered": True}
    given = fields | changes
    return practice.add(session, to_phone=to, from_phone=sender, body=f"text {sid}", sid=sid, **given)  # type: ignore[arg-type]


def test_a_practice_phone_shows_what_it_sent_and_got(session: Session) -> None:
    """Each phone its own, in order; a text that comes twice is there once."""
    assert text(session, "1")
    assert text(session, "2", to=NUMBER, sender=ANNA, direction=practice.FROM_PHONE)
    assert text(session, "3", to=CLEO)
    assert not text(session, "3", to=CLEO)

    assert [one.body for one in practice.of_phone(session, ANNA)] == ["text 1", "text 2"]
    assert [one.direction for one in practice.of_phone(session, ANNA)] == ["to_phone", "from_phone"]
    assert [one.sid for one in practice.all_messages(session)] == ["1", "2", "3"]


def test_a_practice_phone_that_is_off_has_texts_waiting(session: Session) -> None:
    """They arrive when it is switched on, first to last."""
    assert practice.is_on(session, ANNA)
    practice.switch(session, ANNA, on=False)
    assert not practice.is_on(session, ANNA)
    assert practice.is_on(session, BRAM)
    text(session, "1", delivered=False)
    text(session, "2", delivered=False)
    text(session, "3", to=BRAM, delivered=False)

    waiting = practice.undelivered(session, ANNA)
    assert [one.sid for one in waiting] == ["1", "2"]

    practice.switch(session, ANNA, on=True)
    practice.mark_delivered(session, waiting[0].id)
    assert practice.is_on(session, ANNA)
    assert [one.sid for one in practice.undelivered(session, ANNA)] == ["2"]
