"""What was sent while the database was gone, put in afterwards: once, and never over what a courier is at work on."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.store import handing, leases, meanwhile, outbox
from tests.store.examples import CLUB, NOW, add_club, add_dive, found, message, minutes, queued

ME = "courier-1"
SECOND = timedelta(seconds=1)
LEASE_OVER = NOW + timedelta(seconds=30)


@pytest.fixture
def dive(session: Session) -> Session:
    """A session in which dive d1 exists."""
    add_dive(session)
    return session


def lease(session: Session, *, begun: bool) -> None:
    """Lease what waits, for 30 s, without an attempt or with one."""
    waiting = leases.waiting(session, NOW, 9)
    leases.lease(session, waiting, ME, NOW, 30.0, [one.id for one in waiting] if begun else ())


@pytest.mark.parametrize(
    ("leased", "at", "handed"),
    [
        (None, NOW, True),
        ("held", NOW, True),
        ("begun", LEASE_OVER - SECOND, False),
        ("begun", LEASE_OVER, True),
    ],
    ids=["waits", "no attempt", "in mid-attempt", "its carrier vanished"],
)
def test_what_a_keeper_handed_over_is_handed_unless_a_courier_is_at_it(
    dive: Session, leased: str | None, at: Any, *, handed: bool
) -> None:
    """No receipt is waited for: it may have come while nobody could take it."""
    message_id = queued(dive)
    if leased is not None:
        lease(dive, begun=leased == "begun")

    meanwhile.mark_handed(dive, message_id, "north", "SM1", NOW - minutes(2), at)

    one = found(dive, message_id)
    assert (one.state == "handed") is handed
    if handed:
        assert (one.handed_at, one.handed_gateway, one.provider_id) == (NOW - minutes(2), "north", "SM1")
        assert (one.lease_owner, one.lease_until_at, one.in_flight, one.receipt_checked) == (None, None, False, True)


@pytest.mark.parametrize(("at", "ended"), [(LEASE_OVER - SECOND, False), (LEASE_OVER, True)])
def test_the_attempt_of_a_courier_that_vanished_ends_where_a_keeper_handed_it_over(
    dive: Session, at: datetime, *, ended: bool
) -> None:
    """Nobody claims the message any more; of one that is at work nothing is touched."""
    message_id = queued(dive)
    lease(dive, begun=True)
    handing.begin_attempts(dive, {message_id: "north"}, ME, NOW)

    meanwhile.mark_handed(dive, message_id, "south", "SM1", NOW, at)

    [attempt] = outbox.attempts_of(dive, message_id)
    known = ("unknown", leases.LOST, at) if ended else (None, None, None)
    assert (attempt.outcome, attempt.detail, attempt.ended_at) == known


def test_what_is_done_with_stays_as_it_is_and_so_does_every_other_message(dive: Session) -> None:
    """A receipt that said more, or a reason why it was given up."""
    over, other = queued(dive, step="over"), queued(dive, step="other")
    outbox.mark_failed(dive, over, None, "no such number", NOW)

    meanwhile.mark_handed(dive, over, "north", "SM1", NOW, NOW)

    assert (found(dive, over).state, found(dive, other).state) == ("failed", "queued")


def test_an_attempt_is_put_in_once_and_counted_at_its_message(dive: Session) -> None:
    """Another one is by another gateway, at another time or of another message."""
    message_id, other = queued(dive), queued(dive, step="other")
    end = (NOW + SECOND, "refused", "30001", "busy", None)

    def put_in(of: str = message_id, gateway: str = "north", at: Any = NOW) -> bool:
        return meanwhile.add_attempt(dive, of, gateway, "keeper:k", at, *end)  # type: ignore[arg-type]

    assert put_in()
    assert not put_in()
    assert put_in(gateway="south")
    assert put_in(at=NOW + SECOND)
    assert put_in(other)

    assert (found(dive, message_id).attempts, found(dive, other).attempts) == (3, 1)
    first = outbox.attempts_of(dive, message_id)[0]
    assert (first.gateway, first.carried_by, first.started_at, first.ended_at) == (
        "north",
        "keeper:k",
        NOW,
        NOW + SECOND,
    )
    assert (first.outcome, first.code, first.detail, first.provider_id) == ("refused", "30001", "busy", None)


def told(session: Session, step: str, *, state: str = "handed", **changes: Any) -> None:
    """Something that was told while the database was gone."""
    values = asdict(message(step=step, **changes)) | {"id": f"m-{step}", "state": state, "in_flight": False}
    values |= {"attempts": 0, "receipt_checked": True, "not_before_at": NOW}
    assert meanwhile.add_message(session, values)


def test_a_message_is_put_in_once_by_its_id(dive: Session) -> None:
    """A keeper that forgot what its disk did not take has told the same again: both are in the record."""
    told(dive, "alert")
    same = asdict(message(step="alert")) | {"id": "m-alert", "state": "handed", "in_flight": False}
    same |= {"attempts": 0, "receipt_checked": True, "not_before_at": NOW}

    assert not meanwhile.add_message(dive, same)
    assert meanwhile.add_message(dive, same | {"id": "0123456789"})

    assert sorted(one.step for one in outbox.of_dive(dive, "d1")) == ["alert", "alert-01234567"]


@pytest.mark.parametrize(
    ("changes", "handed"),
    [
        ({}, True),
        ({"state": "delivered"}, True),
        ({"state": "failed"}, False),
        ({"state": "queued"}, False),
        ({"dive_id": "d1"}, False),
        ({"club_id": "other"}, False),
        ({"queued_at": NOW - SECOND}, False),
        ({"step": "outagex-help-7"}, False),
        ({"step": "outage_help_7"}, False),
        ({"step": "news-outage_help-7"}, False),
    ],
    ids=["handed", "delivered", "failed", "waits", "dive", "club", "before", "not so called", "other", "not begun so"],
)
def test_a_call_for_help_that_a_keeper_answered_is_known_by_its_step(
    dive: Session, changes: dict[str, Any], *, handed: bool
) -> None:
    """Of that club, of no dive, since then, and only what a gateway took."""
    add_club(dive, "other", "+447700900501")
    told(dive, **{"step": "outage_help-7", "dive_id": None} | changes)

    assert meanwhile.was_handed(dive, CLUB, "outage_", "help-7", NOW) is handed
