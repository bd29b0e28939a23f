"""Many messages at once: attempts begun, taken back, and recorded, by one statement for all of them."""

from __future__ import annotations

import pytest
from sqlalchemy.orm import Session

from service.store import handing, leases, outbox, receipts
from service.store.handing import Begun
from service.store.outbox import Message
from tests.store.examples import NOW, add_dive, filed, message, minutes

ME, OTHER = "courier-1", "courier-2"
AWKWARD = "SM'1\"\\%s:x"


@pytest.fixture
def dive(session: Session) -> Session:
    """A session in which dive d1 exists."""
    add_dive(session)
    return session


def begun(session: Session, count: int = 3, owner: str = ME) -> dict[str, int]:
    """So many messages, leased, and an attempt at each; their ids and those of the attempts."""
    for number in range(count):
        outbox.queue(session, message(step=f"alert-{number}"))
    found = leases.waiting(session, NOW, count)
    ids = [one.id for one in found]
    leases.lease(session, found, owner, NOW, 30.0, ids)
    return handing.begin_attempts(session, dict.fromkeys(ids, "north"), owner, NOW)


def as_it_stands(session: Session, message_id: str) -> Message:
    """The message."""
    one = outbox.get(session, message_id)
    assert one is not None
    return one


def test_an_attempt_begins_at_each_message(dive: Session) -> None:
    """As one by one: in flight, counted, and open."""
    attempts = begun(dive)

    assert len(attempts) == 3
    for message_id, attempt_id in attempts.items():
        one = as_it_stands(dive, message_id)
        assert (one.state, one.lease_owner, one.in_flight, one.attempts) == ("leased", ME, True, 1)
        [attempt] = outbox.attempts_of(dive, message_id)
        assert (attempt.id, attempt.gateway, attempt.carried_by) == (attempt_id, "north", ME)
        assert (attempt.started_at, attempt.ended_at) == (NOW, None)


def test_what_is_leased_without_an_attempt_is_not_in_flight(dive: Session) -> None:
    """Of what was found together some may only be asked about, or given up."""
    for number in range(3):
        outbox.queue(dive, message(step=f"alert-{number}"))
    found = leases.waiting(dive, NOW, 3)
    going = found[1].id

    leased = leases.lease(dive, found, ME, NOW, 30.0, [going])

    assert [one.id for one in leased] == [one.id for one in found]
    assert [(one.in_flight, one.attempts) for one in leased] == [(False, 0), (True, 1), (False, 0)]


def test_an_attempt_that_was_never_made_leaves_nothing(dive: Session) -> None:
    """The message waits as it did before, and others may have it at once."""
    attempts = begun(dive)
    gone = dict(list(attempts.items())[1:])

    assert handing.take_back(dive, {attempt: key for key, attempt in gone.items()}, ME) == 2

    for message_id in gone:
        one = as_it_stands(dive, message_id)
        assert (one.state, one.lease_owner, one.lease_until_at) == ("queued", None, None)
        assert (one.in_flight, one.attempts) == (False, 0)
        assert outbox.attempts_of(dive, message_id) == []
    assert {one.id for one in leases.waiting(dive, NOW, 9)} == set(gone)


def test_only_who_holds_the_lease_takes_back(dive: Session) -> None:
    """The attempt of somebody else may be under way."""
    [(message_id, attempt_id)] = begun(dive, 1).items()

    assert handing.take_back(dive, {attempt_id: message_id}, OTHER) == 0

    assert as_it_stands(dive, message_id).in_flight
    assert len(outbox.attempts_of(dive, message_id)) == 1


def test_an_attempt_that_was_given_up_for_lost_takes_nothing_back(dive: Session) -> None:
    """Whoever stood still and claimed anew may be sending by the second attempt what he had in hand by the first."""
    [(message_id, first)] = begun(dive, 1).items()
    later = NOW + minutes(1)
    found = leases.waiting(dive, later, 9)
    leases.lease(dive, found, ME, later, 30.0, [message_id])
    handing.begin_attempts(dive, {message_id: "north"}, ME, later)

    assert handing.take_back(dive, {first: message_id}, ME) == 0

    one = as_it_stands(dive, message_id)
    assert (one.state, one.in_flight, one.attempts) == ("leased", True, 2)
    assert [attempt.ended_at is None for attempt in outbox.attempts_of(dive, message_id)] == [False, True]


def test_each_attempt_takes_back_its_own_message(dive: Session) -> None:
    """One of two has ended: its message goes its own way, whatever the other one does."""
    attempts = begun(dive, 2)
    ended, open_ = attempts
    outbox.finish_attempt(dive, attempts[ended], "unknown", None, None, None, NOW)

    assert handing.take_back(dive, {attempt: key for key, attempt in attempts.items()}, ME) == 1

    assert as_it_stands(dive, ended).state == "leased"
    assert as_it_stands(dive, open_).state == "queued"
    assert len(outbox.attempts_of(dive, ended)) == 1


def test_whoever_is_run_again_goes_on_with_its_own_open_attempt(dive: Session) -> None:
    """Of that message, and not once the attempt has ended, nor once the lease has run out."""
    for message_id, attempt_id in begun(dive, 2).items():
        assert handing.begun(dive, message_id, ME, NOW) == Begun(attempt_id, "north")
        assert handing.begun(dive, message_id, OTHER, NOW) is None
        assert handing.begun(dive, message_id, ME, NOW + minutes(0.5)) is None

        outbox.finish_attempt(dive, attempt_id, "refused", "30001", "busy", None, NOW)
        assert handing.begun(dive, message_id, ME, NOW) is None


def test_nobody_goes_on_with_an_attempt_of_somebody_else(dive: Session) -> None:
    """Given up in mid-attempt and taken up again: neither does whoever has it now, nor whoever began that one."""
    [message_id] = begun(dive, 1)
    outbox.mark_failed(dive, message_id, None, "no such number", NOW)
    outbox.take_up(dive, message_id, NOW)
    leases.lease(dive, leases.waiting(dive, NOW, 1), OTHER, NOW, 30.0)

    assert handing.begun(dive, message_id, OTHER, NOW) is None
    assert handing.begun(dive, message_id, ME, NOW) is None


def test_each_message_is_handed_under_its_own_name(dive: Session) -> None:
    """Whatever characters a gateway makes its names of."""
    attempts = begun(dive)
    names = {message_id: f"{AWKWARD}{number}" for number, message_id in enumerate(attempts)}

    handing.finish_accepted(dive, {attempts[key]: name for key, name in names.items()}, NOW + minutes(1))
    ours = handing.mark_handed(dive, names, ME, "north", NOW + minutes(1), receipt_checked=False)

    assert ours == set(names)
    for message_id, name in names.items():
        one = as_it_stands(dive, message_id)
        assert (one.state, one.handed_at, one.handed_gateway, one.provider_id) == (
            "handed",
            NOW + minutes(1),
            "north",
            name,
        )
        assert (one.lease_owner, one.in_flight, one.receipt_checked) == (None, False, False)
        [attempt] = outbox.attempts_of(dive, message_id)
        assert (attempt.outcome, attempt.ended_at, attempt.provider_id) == ("accepted", NOW + minutes(1), name)


def test_who_slept_past_the_lease_marks_nothing(dive: Session) -> None:
    """The message is somebody else's by now; what the gateway said of the attempt is kept all the same."""
    attempts = begun(dive, 2)
    late, in_time = attempts
    leases.lease(dive, [one for one in leases.waiting(dive, NOW + minutes(1), 9) if one.id == late], OTHER, NOW, 30.0)
    names = dict.fromkeys(attempts, "SM1")

    handing.finish_accepted(dive, dict.fromkeys(attempts.values(), "SM1"), NOW)
    ours = handing.mark_handed(dive, names, ME, "north", NOW, receipt_checked=True)

    assert ours == {in_time}
    assert as_it_stands(dive, late).lease_owner == OTHER
    assert outbox.attempts_of(dive, late)[0].outcome == "accepted"
    assert as_it_stands(dive, in_time).receipt_checked


def test_an_outcome_that_is_known_is_not_rewritten(dive: Session) -> None:
    """What a gateway answered stays; only doubt may be cleared up."""
    refused, unknown = begun(dive, 2).values()
    outbox.finish_attempt(dive, refused, "refused", "21211", "invalid", None, NOW)
    outbox.finish_attempt(dive, unknown, "unknown", "500", "no answer", None, NOW)

    handing.finish_accepted(dive, {refused: "SM1", unknown: "SM2"}, NOW + minutes(1))

    both = {one.id: one for message in outbox.of_dive(dive, "d1") for one in outbox.attempts_of(dive, message.id)}
    assert (both[refused].outcome, both[refused].detail) == ("refused", "invalid")
    assert (both[unknown].outcome, both[unknown].detail) == ("accepted", "nobody knew at first")
    assert both[unknown].code is None
    assert both[unknown].ended_at == NOW


def test_the_gateways_that_were_tried_are_known_in_their_order(dive: Session) -> None:
    """For each of the messages that are asked about, the others too."""
    first, second = begun(dive, 2)
    outbox.release(dive, first, ME, NOW)
    leases.lease(dive, leases.waiting(dive, NOW, 1), ME, NOW, 30.0, [first])
    handing.begin_attempts(dive, {first: "south"}, ME, NOW)

    assert handing.tried(dive, [first, second]) == {first: ["north", "south"], second: ["north"]}
    assert handing.tried(dive, []) == {}


def test_no_other_dive_is_held_than_those_that_are_asked_for(dive: Session) -> None:
    """Whoever writes down what gateways took keeps nobody else from deciding."""
    add_dive(dive, filed("d2", "11", "22"))

    assert handing.hold_free(dive, ["d2", "d9"]) == {"d2": "filed"}


def test_a_receipt_that_came_first_is_found(dive: Session) -> None:
    """By its gateway and its name, and once: what is known to be of a message waits for none."""
    values = {"state": "delivered", "code": None, "blame": None, "raw": {}, "received_at": NOW}
    first = receipts.store(dive, gateway="north", provider_id="SM1", **values)  # type: ignore[arg-type]
    receipts.store(dive, gateway="south", provider_id="SM2", **values)  # type: ignore[arg-type]

    assert handing.receipts_wait(dive, "north", ["SM1", "SM2"]) == {"SM1"}
    assert handing.receipts_wait(dive, "north", ["SM2"]) == set()

    [message_id] = begun(dive, 1)
    receipts.belongs_to(dive, first, message_id)
    assert handing.receipts_wait(dive, "north", ["SM1"]) == set()


def test_an_alarm_that_was_just_taken_in_hand_is_known(dive: Session) -> None:
    """What is calm lets it go first: while it has just been leased for an attempt, and not for a question about one."""
    outbox.queue(dive, message(step="reminder-1", kind="reminder", priority=3))
    begun(dive, 1)

    assert leases.urgent_goes(dive, NOW, NOW + minutes(0.4))
    assert not leases.urgent_goes(dive, NOW, NOW + minutes(0.5))

    later = NOW + minutes(1)
    [lost] = leases.waiting(dive, later, 9, kinds="urgent")
    leases.lease(dive, [lost], ME, later, 30.0)
    assert not leases.urgent_goes(dive, later, later)


@pytest.mark.parametrize(
    ("changes", "goes"),
    [
        ({"priority": 2}, True),
        ({"priority": 3}, False),
        ({"expires_at": NOW}, False),
        ({"not_before_at": NOW + minutes(1)}, False),
    ],
    ids=["stand-down", "reminder", "too late", "not yet"],
)
def test_what_is_urgent_and_waits_goes_before_what_is_calm(
    dive: Session, changes: dict[str, object], *, goes: bool
) -> None:
    """Not what would come too late, or whose next try is later."""
    outbox.queue(dive, message(**changes))  # type: ignore[arg-type]

    assert leases.urgent_goes(dive, NOW, NOW) is goes
