"""The outbox: one cause, one message; strict order; leases that fence."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.store import due, leases, outbox, superseding
from service.store.engine import writing
from service.store.leases import Shut
from service.store.outbox import ClaimedMessage, LeaseLost
from tests.store.examples import ANNA, CLUB, NOW, NUMBER, add_club, add_dive, filed, found, message, minutes, queued
from tests.store.examples import claim as lease_waiting

SECOND = timedelta(seconds=1)
LEASE_S = 30
ME, OTHER = "courier-1", "courier-2"


@pytest.fixture
def dive(session: Session) -> Session:
    """A session in which dive d1 exists."""
    add_dive(session)
    return session


def claim(session: Session, owner: str = ME, **changes: object) -> list[ClaimedMessage]:
    """Lease what is there."""
    given: dict[str, object] = {"now": NOW, "limit": 50, "lease_s": LEASE_S, "kinds": "all"}
    given |= changes
    return lease_waiting(session, owner=owner, **given)  # type: ignore[arg-type]


def handed(session: Session, provider_id: str = "SM1", gateway: str = "north", **changes: object) -> str:
    """A message that a gateway took at NOW."""
    message_id = queued(session, **changes)
    claim(session)
    attempt = outbox.begin_attempt(session, message_id, gateway, ME, NOW)
    outbox.finish_attempt(session, attempt, "accepted", None, None, provider_id, NOW)
    assert outbox.mark_handed(session, message_id, ME, gateway, provider_id, NOW)
    return message_id


def test_one_cause_makes_one_message(dive: Session) -> None:
    """Dive, step, person and channel name a cause, and no path can queue it twice."""
    first = queued(dive)

    assert outbox.queue(dive, message(body="other words")) is None
    assert found(dive, first).body == "Skerry Bay Divers: overdue."
    for changes in ({"step": "distress"}, {"person": "contact-1"}, {"channel": "voice"}):
        assert outbox.queue(dive, message(**changes)) is not None
    assert len(outbox.of_dive(dive, "d1")) == 4


def test_what_belongs_to_no_dive_has_one_cause_within_its_club(dive: Session) -> None:
    """A text that is answered twice by mistake is answered once."""
    add_club(dive, "other", "+447700900501")
    answer = {"dive_id": None, "step": "answer-7", "person": f"phone:{ANNA}"}

    assert outbox.queue(dive, message(**answer)) is not None  # type: ignore[arg-type]
    assert outbox.queue(dive, message(**answer)) is None  # type: ignore[arg-type]
    assert outbox.queue(dive, message(**answer, club_id="other")) is not None  # type: ignore[arg-type]


def test_a_claim_goes_by_priority_then_first_contacts_then_the_longest_due(dive: Session) -> None:
    """An alert is never behind a reminder, nor the first contact of one dive behind the second of another."""
    add_dive(dive, filed("d2", "11", "22"))
    expected = [
        ("distress", {"priority": 0, "rank": 1, "due_at": NOW}),
        ("first-late", {"priority": 1, "rank": 0, "due_at": NOW - minutes(5)}),
        ("first", {"priority": 1, "rank": 0, "due_at": NOW - minutes(1), "dive_id": "d2"}),
        ("second", {"priority": 1, "rank": 1, "due_at": NOW - minutes(9)}),
        ("reminder", {"priority": 3, "rank": 0, "due_at": NOW - minutes(30)}),
    ]
    for step, changes in reversed(expected):
        queued(dive, step=step, **changes)

    assert [one.step for one in claim(dive, limit=2)] == ["distress", "first-late"]
    assert [one.step for one in claim(dive)] == ["first", "second", "reminder"]
    assert claim(dive) == []


def test_e_mails_go_after_the_texts_and_calls_that_are_as_urgent(dive: Session) -> None:
    """A mail server that hangs keeps no alarm by text waiting, and no reminder an alarm by e-mail."""
    expected = [
        ("alert", {"priority": 1}),
        ("stand-down", {"priority": 2}),
        ("mailed-distress", {"priority": 0, "channel": "email"}),
        ("reminder", {"priority": 3}),
        ("mailed-reminder", {"priority": 3, "channel": "email", "due_at": NOW - minutes(9)}),
    ]
    for step, changes in reversed(expected):
        queued(dive, step=step, **changes)

    assert [one.step for one in claim(dive)] == [step for step, _ in expected]


@pytest.mark.parametrize("since", ["due_at", "queued_at"])
def test_of_what_is_as_urgent_the_oldest_goes_first(dive: Session, since: str) -> None:
    """By when it was due, and of what was due at once by when it was queued."""
    for number in (3, 0, 4, 1, 2):
        queued(dive, step=f"step-{number}", **{since: NOW - minutes(9 - number)})

    assert [one.step for one in claim(dive)] == [f"step-{number}" for number in range(5)]


def test_what_a_keeper_may_have_told_waits_and_nothing_else(dive: Session) -> None:
    """Alarms of dives from before: it tells no stand-down, and of no call for help that no dive takes up."""
    queued(dive, step="alert")
    queued(dive, step="alert-since", queued_at=NOW + SECOND)
    queued(dive, step="stand-down", priority=2)
    queued(dive, step="help", dive_id=None)

    found = leases.waiting(dive, NOW + SECOND, 9, but_alarms_to=NOW)

    assert {one.step for one in found} == {"alert-since", "stand-down", "help"}


def test_a_claim_passes_over_what_only_senders_serve_that_have_to_wait(dive: Session) -> None:
    """By the channel and how the number or address begins; whom nobody serves is not hidden, so that it fails."""
    ways = {
        "slow": {"phone": "+447700900011"},
        "quick too": {"phone": "+447700900012"},
        "quick": {"phone": "+12025550101"},
        "nobody's": {"phone": "+33199000001"},
        "call": {"phone": "+447700900011", "channel": "call"},
        "slow mail": {"channel": "email", "email": "cleo_marsh@example.org"},
        "nobody's mail": {"channel": "email", "email": "cleo.marsh@example.org"},
        "quick mail": {"channel": "email", "email": "dov@example.org"},
        "no mail": {"channel": "email"},
    }
    for step, changes in ways.items():
        queued(dive, step=step, **changes)
    shut = [
        Shut(Channel.TEXT, shut=("+44",), open=("+447700900012", "+1")),
        Shut(Channel.EMAIL, shut=("cleo_",), open=("dov",)),
    ]

    def steps(**which: Any) -> set[str]:
        return {one.step for one in leases.waiting(dive, NOW, 9, **which)}

    assert steps(shut=shut) == set(ways) - {"slow", "slow mail"}
    assert steps(shut=shut, channels=["call", "email"]) == {"call", "nobody's mail", "quick mail", "no mail"}
    assert steps(channels=["call"]) == {"call"}


def test_a_claim_goes_on_behind_what_was_passed_over(dive: Session) -> None:
    """In the same order, and no further than it is asked to."""
    for number in range(4):
        queued(dive, step=f"step-{number}", rank=number)

    assert [one.step for one in leases.waiting(dive, NOW, 2)] == ["step-0", "step-1"]
    assert [one.step for one in leases.waiting(dive, NOW, 2, beyond=1)] == ["step-1", "step-2"]


def test_an_urgent_claim_leaves_what_can_wait(dive: Session) -> None:
    """Distress, alert and stand-down have a courier of their own."""
    for priority in range(7):
        queued(dive, step=f"step-{priority}", priority=priority)

    assert [one.priority for one in claim(dive, kinds="urgent")] == [0, 1, 2]
    assert [one.priority for one in claim(dive)] == [3, 4, 5, 6]


def test_a_claimed_message_carries_all_that_the_courier_needs(dive: Session) -> None:
    """Nothing else has to be read before it is sent."""
    message_id = queued(dive, rank=1, expires_at=NOW + minutes(9))

    (one,) = claim(dive)

    assert (one.id, one.phone, one.body, one.dive_id, one.person_key) == (
        message_id,
        "+447700900011",
        "Skerry Bay Divers: overdue.",
        "d1",
        "contact-0",
    )
    assert (one.state, one.lease_owner, one.lease_until_at) == ("leased", ME, NOW + timedelta(seconds=LEASE_S))
    assert (one.expires_at, one.rank, one.attempts, one.lost_attempt) == (NOW + minutes(9), 1, 0, False)


def test_a_message_is_not_claimed_before_its_time_nor_after_its_use(dive: Session) -> None:
    """A wait is kept to the microsecond, and a reminder that came too late is not sent."""
    queued(dive, step="later", not_before_at=NOW + SECOND)
    queued(dive, step="over", expires_at=NOW)
    queued(dive, step="still", expires_at=NOW + SECOND)

    assert [one.step for one in claim(dive)] == ["still"]
    assert [one.step for one in claim(dive, now=NOW + SECOND)] == ["later"]


def test_a_lease_that_ran_out_is_free_again(dive: Session) -> None:
    """Whoever died with a message in hand delays it by the lease and no more."""
    queued(dive)
    claim(dive)

    assert claim(dive, OTHER, now=NOW + timedelta(seconds=LEASE_S) - SECOND) == []
    (again,) = claim(dive, OTHER, now=NOW + timedelta(seconds=LEASE_S))

    assert (again.lease_owner, again.lost_attempt) == (OTHER, False)


def test_an_attempt_that_was_open_when_the_lease_ran_out_ends_as_unknown(dive: Session) -> None:
    """The gateway may have the text already; who takes over is told so."""
    message_id = queued(dive)
    claim(dive)
    outbox.begin_attempt(dive, message_id, "north", ME, NOW)
    later = NOW + timedelta(seconds=LEASE_S)

    (again,) = claim(dive, OTHER, now=later)

    assert again.lost_attempt
    assert again.attempts == 1
    (attempt,) = outbox.attempts_of(dive, message_id)
    assert (attempt.outcome, attempt.ended_at) == ("unknown", later)
    assert attempt.detail == "the lease ran out before an outcome was recorded"
    assert not found(dive, message_id).in_flight


def test_a_carrier_that_vanished_ends_no_attempt_but_its_own(dive: Session) -> None:
    """Neither one before it, whose outcome is known, nor that of a message which somebody else is just sending."""
    lost, flying = queued(dive, step="lost"), queued(dive, step="flying", not_before_at=NOW + SECOND)
    claim(dive)
    refused = outbox.begin_attempt(dive, lost, "north", ME, NOW)
    outbox.finish_attempt(dive, refused, "refused", "30001", "busy", None, NOW)
    outbox.begin_attempt(dive, lost, "south", ME, NOW)
    claim(dive, OTHER, now=NOW + SECOND)
    outbox.begin_attempt(dive, flying, "north", OTHER, NOW + SECOND)

    assert [one.id for one in claim(dive, OTHER, now=NOW + timedelta(seconds=LEASE_S))] == [lost]

    assert [one.outcome for one in outbox.attempts_of(dive, lost)] == ["refused", "unknown"]
    assert [one.ended_at for one in outbox.attempts_of(dive, flying)] == [None]


def test_who_slept_past_the_lease_can_say_nothing_about_the_message(dive: Session) -> None:
    """The new owner's word counts, not that of one who wakes up late."""
    message_id = queued(dive)
    claim(dive)
    attempt = outbox.begin_attempt(dive, message_id, "north", ME, NOW)
    later = NOW + timedelta(seconds=LEASE_S)
    claim(dive, OTHER, now=later)

    assert not outbox.mark_handed(dive, message_id, ME, "north", "SM1", later)
    assert not outbox.release(dive, message_id, ME, later)
    assert not outbox.mark_failed(dive, message_id, ME, "refused", later)
    with pytest.raises(LeaseLost, match=f"message {message_id} is not leased to {ME}"):
        outbox.begin_attempt(dive, message_id, "south", ME, later)

    assert found(dive, message_id).lease_owner == OTHER
    outbox.finish_attempt(dive, attempt, "accepted", None, None, "SM1", later)
    assert outbox.attempts_of(dive, message_id)[0].outcome == "accepted"


def test_no_attempt_begins_on_a_lease_that_has_run_out(dive: Session) -> None:
    """Even when nobody else has taken the message yet."""
    message_id = queued(dive)
    claim(dive)

    with pytest.raises(LeaseLost):
        outbox.begin_attempt(dive, message_id, "north", ME, NOW + timedelta(seconds=LEASE_S))


def test_a_handed_message_is_done(dive: Session) -> None:
    """It is known by the gateway's own id, and nobody claims it again."""
    message_id = handed(dive)

    one = found(dive, message_id)

    assert (one.state, one.handed_at, one.handed_gateway, one.provider_id) == ("handed", NOW, "north", "SM1")
    assert (one.lease_owner, one.lease_until_at, one.in_flight, one.attempts) == (None, None, False, 1)
    assert claim(dive, now=NOW + minutes(60)) == []
    assert not outbox.mark_handed(dive, message_id, ME, "south", "SM2", NOW)


def test_a_released_message_waits_and_is_tried_again(dive: Session) -> None:
    """The gateways already tried are known, in their order."""
    message_id = queued(dive)
    for number, gateway in enumerate(("north", "south", "north")):
        now = NOW + minutes(number)
        claim(dive, now=now)
        attempt = outbox.begin_attempt(dive, message_id, gateway, ME, now)
        outbox.finish_attempt(dive, attempt, "refused", "30001", "busy", None, now)
        assert outbox.release(dive, message_id, ME, now + minutes(1))
        assert claim(dive, now=now) == []

    assert [attempt.gateway for attempt in outbox.attempts_of(dive, message_id)] == ["north", "south", "north"]
    assert [attempt.code for attempt in outbox.attempts_of(dive, message_id)] == ["30001"] * 3
    assert found(dive, message_id).attempts == 3


def test_an_attempt_that_ended_is_not_rewritten_unless_it_was_unknown(dive: Session) -> None:
    """What a gateway answered stays; only doubt may be cleared up."""
    message_id = queued(dive)
    claim(dive)
    attempt = outbox.begin_attempt(dive, message_id, "north", ME, NOW)

    outbox.finish_attempt(dive, attempt, "refused", "21211", "invalid", None, NOW)
    outbox.finish_attempt(dive, attempt, "accepted", None, None, "SM1", NOW)

    (one,) = outbox.attempts_of(dive, message_id)
    assert (one.outcome, one.code, one.provider_id, one.carried_by) == ("refused", "21211", None, ME)


def test_a_message_is_given_up_by_its_owner_or_by_a_receipt(dive: Session) -> None:
    """The reason and the time are kept; what is over is not failed again."""
    mine, other = queued(dive), queued(dive, step="distress")
    claim(dive, limit=1, kinds="urgent")
    leased = next(one for one in outbox.of_dive(dive, "d1") if one.state == "leased").id
    rest = other if leased == mine else mine

    assert not outbox.mark_failed(dive, leased, OTHER, "not mine", NOW)
    assert outbox.mark_failed(dive, leased, ME, "refused", NOW)
    assert outbox.mark_failed(dive, rest, None, "no such number", NOW)
    assert not outbox.mark_failed(dive, rest, None, "again", NOW)

    one = found(dive, rest)
    assert (one.state, one.failed_reason, one.ended_at) == ("failed", "no such number", NOW)


def test_what_a_closed_dive_has_queued_does_not_go_out(dive: Session) -> None:
    """Waiting and leased messages expire, of these priorities and of this dive only; one on its way does not."""
    add_dive(dive, filed("d2", "11", "22"))
    flying, leased = queued(dive, step="flying"), queued(dive, step="leased")
    claim(dive)
    outbox.begin_attempt(dive, flying, "north", ME, NOW)
    waiting, over = queued(dive, step="waiting"), queued(dive, step="stand-down", priority=2)
    elsewhere = queued(dive, step="alert", dive_id="d2")

    assert superseding.expire_superseded(dive, ["d1"], {0, 1, 3}, NOW) == 2

    states = {one.step: one.state for one in outbox.of_dive(dive, "d1")}
    assert states == {
        "flying": "leased",
        "leased": "expired",
        "waiting": "expired",
        "stand-down": "queued",
    }
    assert found(dive, waiting).failed_reason == "its dive moved on first"
    assert (found(dive, leased).ended_at, found(dive, over).state) == (NOW, "queued")
    assert found(dive, elsewhere).state == "queued"
    assert not outbox.mark_handed(dive, leased, ME, "north", "SM1", NOW)


def test_what_came_too_late_expires(dive: Session) -> None:
    """A reminder of yesterday confuses; one without an end never expires."""
    over = queued(dive, step="over", expires_at=NOW)
    soon = queued(dive, step="soon", expires_at=NOW + SECOND)
    never = queued(dive, step="never")

    assert superseding.expire_overdue(dive, NOW) == 1
    assert superseding.expire_overdue(dive, NOW) == 0

    assert [found(dive, one).state for one in (over, soon, never)] == ["expired", "queued", "queued"]
    assert found(dive, over).failed_reason == "too late to be of use"


def test_a_message_is_found_by_what_any_gateway_called_it(dive: Session) -> None:
    """A receipt may speak of an earlier hand-over than the last."""
    message_id = queued(dive)
    claim(dive)
    first = outbox.begin_attempt(dive, message_id, "north", ME, NOW)
    later = NOW + timedelta(seconds=LEASE_S)
    claim(dive, OTHER, now=later)
    outbox.finish_attempt(dive, first, "accepted", None, None, "SM1", later)
    second = outbox.begin_attempt(dive, message_id, "south", OTHER, later)
    outbox.finish_attempt(dive, second, "accepted", None, None, "SM2", later)
    outbox.mark_handed(dive, message_id, OTHER, "south", "SM2", later)

    for gateway, provider_id in (("north", "SM1"), ("south", "SM2")):
        one = outbox.by_provider(dive, gateway, provider_id)
        assert one is not None
        assert one.id == message_id
    assert outbox.by_provider(dive, "north", "SM2") is None


def test_messages_without_a_receipt_are_found_until_they_were_asked_about(dive: Session) -> None:
    """A contact who cannot be reached is noticed once, those longest without news first."""
    first = handed(dive, "SM1", step="first")
    second = handed(dive, "SM2", step="second", priority=0, receipt_within_s=120)
    handed(dive, "SM3", step="calm", priority=5)
    queued(dive, step="waiting")
    later = NOW + minutes(2)

    def unconfirmed(now: datetime = later, limit: int = 10) -> list[str]:
        return [one.id for one in due.unconfirmed(dive, now, limit)]

    assert sorted(unconfirmed()) == sorted([first, second])
    assert len(unconfirmed(limit=1)) == 1
    assert unconfirmed(later - SECOND) == [first]
    assert unconfirmed(NOW + SECOND) == []
    outbox.note_receipt_checked(dive, first)
    assert unconfirmed() == [second]


def test_the_oldest_urgent_message_is_the_one_that_nobody_carries(dive: Session) -> None:
    """The keeper sees what waits for a courier, not what a courier is at work on."""
    assert outbox.oldest_urgent(dive, NOW) is None
    queued(dive, step="calm", priority=3, queued_at=NOW - minutes(9))
    queued(dive, step="pause", not_before_at=NOW + SECOND)
    queued(dive, step="over", expires_at=NOW)
    assert outbox.oldest_urgent(dive, NOW) is None

    queued(dive, step="late", priority=2, queued_at=NOW - minutes(3))
    queued(dive, step="alert", queued_at=NOW - minutes(1))
    assert outbox.oldest_urgent(dive, NOW) == NOW - minutes(3)

    claim(dive, kinds="urgent")
    assert outbox.oldest_urgent(dive, NOW) is None
    assert outbox.oldest_urgent(dive, NOW + minutes(1)) == NOW - minutes(3)


def test_answers_without_a_dive_are_counted_for_one_phone_and_club(dive: Session) -> None:
    """Two machines that answer each other come to an end."""
    for number in range(3):
        queued(dive, dive_id=None, step=f"answer-{number}", phone=ANNA, queued_at=NOW + minutes(number))
    queued(dive, phone=ANNA)

    assert outbox.count_without_dive(dive, CLUB, ANNA, NOW) == 3
    assert outbox.count_without_dive(dive, CLUB, ANNA, NOW + minutes(1)) == 2
    assert outbox.count_without_dive(dive, CLUB, NUMBER, NOW) == 0
    assert outbox.count_without_dive(dive, "other", ANNA, NOW) == 0
    assert outbox.count_without_dive(dive, CLUB, ANNA, NOW, "answer-1") == 1
    assert outbox.count_without_dive(dive, CLUB, ANNA, NOW, "answer_") == 0


def test_a_message_that_does_not_exist_is_none(session: Session) -> None:
    """A task with an id of yesterday finds nothing and does nothing."""
    assert outbox.get(session, "m9") is None
    assert outbox.attempts_of(session, "m9") == []


def test_a_queued_message_goes_back_with_its_transaction(engine: Engine) -> None:
    """No message of a decision that was not committed."""

    def half() -> None:
        with writing(engine) as session:
            add_dive(session)
            queued(session)
            raise RuntimeError("in the middle")

    with pytest.raises(RuntimeError):
        half()
    with writing(engine) as session:
        assert outbox.of_dive(session, "d1") == []


def test_what_a_gateway_turns_out_to_have_is_adopted_only_while_it_waits(dive: Session) -> None:
    """Nobody sends it again; a message that another carrier has taken up meanwhile stays theirs."""
    message_id = queued(dive)
    assert outbox.adopt(dive, message_id, "north", "SM1", NOW)
    assert not outbox.adopt(dive, message_id, "north", "SM2", NOW)

    one = found(dive, message_id)
    assert (one.state, one.handed_gateway, one.provider_id) == ("handed", "north", "SM1")


def test_fresher_news_keeps_the_place_of_what_it_replaces(dive: Session) -> None:
    """Of the same person and way only, and not what is being handed over; the place counts within one priority."""
    since = NOW - timedelta(minutes=10)
    waiting = queued(dive, step="distress-7", priority=0, rank=1, due_at=since)
    alert = queued(dive, step="alert-5", priority=1, rank=0)
    other = queued(dive, step="distress-7", priority=0, rank=0, person="contact-1")
    raised = queued(dive, step="raised-6", priority=1)
    newer = message(step="distress_again-9", priority=0, rank=3)

    [placed] = superseding.in_place_of_waiting(dive, [newer], ("alert", "distress", "distress_again"), NOW)

    assert (placed.rank, placed.due_at) == (1, since)
    states = [found(dive, one).state for one in (waiting, alert, other, raised)]
    assert states == ["expired", "expired", "queued", "queued"]
