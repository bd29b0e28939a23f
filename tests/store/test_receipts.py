"""Delivery receipts: twice, late, out of order, before our own commit; the furthest state wins."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.domain.delivery import MessageState, ReceiptState, Whose, after_receipt
from service.store import outbox, receipts
from service.store.outbox import Message
from service.store.receipts import Overtaking
from service.store.tables import MessageRow, ReceiptRow
from tests.store.examples import NOW, add_dive, claim, message, minutes


@pytest.fixture
def handed(session: Session) -> str:
    """A message that gateway north took as SM1."""
    add_dive(session)
    message_id = outbox.queue(session, message())
    assert message_id is not None
    claim(session, NOW, 1, "courier", 30)
    attempt = outbox.begin_attempt(session, message_id, "north", "courier", NOW)
    outbox.finish_attempt(session, attempt, "accepted", None, None, "SM1", NOW)
    outbox.mark_handed(session, message_id, "courier", "north", "SM1", NOW)
    return message_id


def say(session: Session, message_id: str, state: str, provider_id: str = "SM1", gateway: str = "north") -> bool:
    """A receipt says this of the message."""
    return receipts.apply_state(
        session,
        message_id,
        state,
        gateway=gateway,
        provider_id=provider_id,
        reason="30003",
        at=NOW + minutes(1),
    )


def found(session: Session, message_id: str) -> Message:
    """The message as it stands."""
    one = outbox.get(session, message_id)
    assert one is not None
    return one


@pytest.mark.parametrize("order", list(permutations(("sent", "delivered", "failed"))), ids="-".join)
def test_delivered_wins_in_whatever_order_receipts_come(session: Session, handed: str, order: tuple[str, ...]) -> None:
    """A text that reached the phone has reached it, whatever else was said before or after."""
    for state in order:
        say(session, handed, state)

    one = found(session, handed)
    assert (one.state, one.delivered_at, one.failed_reason, one.ended_at) == (
        "delivered",
        NOW + minutes(1),
        None,
        None,
    )


def test_a_failed_receipt_fails_the_message_once(session: Session, handed: str) -> None:
    """The second copy of a receipt changes nothing, and says so."""
    assert say(session, handed, "failed")
    assert not say(session, handed, "failed")

    one = found(session, handed)
    assert (one.state, one.failed_reason, one.ended_at) == ("failed", "30003", NOW + minutes(1))


def test_a_delivered_receipt_counts_once(session: Session, handed: str) -> None:
    """Twice is no more than once."""
    assert say(session, handed, "delivered")
    assert not say(session, handed, "delivered")


@pytest.mark.parametrize("state", ["sent", "unknown", "a-word-of-tomorrow"])
def test_what_is_neither_delivered_nor_failed_moves_nothing(session: Session, handed: str, state: str) -> None:
    """On its way is no news; a word that nobody knows is not delivered."""
    assert not say(session, handed, state)

    assert found(session, handed).state == "handed"


@pytest.mark.parametrize(("gateway", "provider_id"), [("north", "SM0"), ("south", "SM1")])
def test_the_failure_of_an_earlier_hand_over_does_not_fail_the_later_one(
    session: Session, handed: str, gateway: str, provider_id: str
) -> None:
    """The text went out again since, and that one may yet arrive."""
    assert not say(session, handed, "failed", provider_id, gateway)
    assert say(session, handed, "delivered", provider_id, gateway)


def test_a_text_that_is_delivered_while_it_is_being_sent_again_is_done(session: Session) -> None:
    """Nobody claims it again, and who has it in hand learns that it is theirs no more."""
    add_dive(session)
    message_id = outbox.queue(session, message())
    assert message_id is not None
    claim(session, NOW, 1, "courier", 30)

    assert say(session, message_id, "delivered")

    assert not outbox.mark_handed(session, message_id, "courier", "south", "SM2", NOW)
    assert claim(session, NOW + minutes(9), 1, "courier", 30) == []


def test_a_queued_message_is_not_failed_by_a_receipt(session: Session) -> None:
    """What waits for another try keeps its chance."""
    add_dive(session)
    message_id = outbox.queue(session, message())
    assert message_id is not None

    assert not say(session, message_id, "failed")
    assert found(session, message_id).state == "queued"


def test_receipts_that_came_before_our_own_commit_are_found_in_order(session: Session, handed: str) -> None:
    """A gateway may be quicker than our own database."""
    for state in ("sent", "delivered"):
        receipts.store(
            session,
            gateway="north",
            provider_id="SM1",
            state=state,
            code=None,
            blame=None,
            raw={"MessageStatus": state},
            received_at=NOW,
        )
    other = {"gateway": "south", "provider_id": "SM1", "state": "failed", "code": "21610", "blame": "opted_out"}
    receipts.store(session, **other, raw={}, received_at=NOW)  # type: ignore[arg-type]

    waiting = receipts.waiting_for(session, "north", "SM1", NOW)
    assert [(one.state, one.blame) for one in waiting] == [("sent", None), ("delivered", None)]
    assert [one.blame for one in receipts.waiting_for(session, "south", "SM1", NOW)] == ["opted_out"]

    for one in waiting:
        receipts.belongs_to(session, one.id, handed)
    assert receipts.waiting_for(session, "north", "SM1", NOW) == []


def keep(session: Session, **changes: Any) -> int:
    """A receipt for what north took as SM1, a minute after NOW, of which nobody knows yet whose it is."""
    one = {"gateway": "north", "provider_id": "SM1", "state": "delivered", "code": None, "blame": None, "raw": {}}
    return receipts.store(session, **{**one, "received_at": NOW + minutes(1), "message_id": None, **changes})


@pytest.mark.parametrize(
    ("changes", "is_found"),
    [
        pytest.param({}, True, id="of an attempt of ours"),
        pytest.param({"gateway": "south"}, False, id="another gateway gave the same id"),
        pytest.param({"provider_id": "SM2"}, False, id="another id"),
        pytest.param({"received_at": NOW}, False, id="of before"),
    ],
)
def test_a_receipt_finds_its_message_by_gateway_and_id(
    session: Session, handed: str, changes: dict[str, Any], *, is_found: bool
) -> None:
    """What another gateway says under the same id is of another text: no alarm may count as delivered by it."""
    receipt_id = keep(session, **changes)

    found_now = receipts.overtaking(session, NOW + minutes(1), 10)

    assert found_now == [Overtaking(handed, "north", "SM1")] * is_found
    receipts.belongs_to(session, receipt_id, handed)
    assert receipts.overtaking(session, NOW + minutes(1), 10) == []


def test_a_message_has_its_own_receipts_back_and_no_others(session: Session, handed: str) -> None:
    """A gateway that was set up anew may have given an id of it before."""
    other = outbox.queue(session, message("distress"))
    keep(session, message_id=other, state="delivered")
    keep(session, message_id=handed, state="failed")
    keep(session, message_id=handed, provider_id="SM2")
    keep(session, message_id=handed, gateway="south")

    assert [one.state for one in receipts.kept_for(session, handed, "north", "SM1")] == ["failed"]


def test_a_receipt_is_kept_as_it_came(session: Session, handed: str) -> None:
    """Whatever we make of it, the provider's own words stay."""
    receipt_id = receipts.store(
        session,
        gateway="north",
        provider_id="SM1",
        state="failed",
        code="30003",
        blame="transient",
        raw={"ErrorCode": "30003", "odd": "\x00\ud83d"},
        received_at=NOW,
        message_id=handed,
    )

    row = session.execute(select(ReceiptRow).where(ReceiptRow.id == receipt_id)).scalar_one()

    assert (row.code, row.message_id, row.received_at) == ("30003", handed, NOW)
    assert row.raw == {"ErrorCode": "30003", "odd": "\x00\ud83d"}
    assert receipts.waiting_for(session, "north", "SM1", NOW) == []


@pytest.mark.parametrize("state", list(MessageState))
@pytest.mark.parametrize("receipt", list(ReceiptState))
@pytest.mark.parametrize("whose", list(Whose))
def test_the_database_does_what_the_table_says(
    session: Session, handed: str, state: MessageState, receipt: ReceiptState, whose: Whose
) -> None:
    """For every state, word and handing over, in one guarded UPDATE."""
    session.execute(update(MessageRow).where(MessageRow.id == handed).values(state=state))
    then = after_receipt(state, receipt, whose)

    moved = say(session, handed, receipt, "SM1" if whose is Whose.THIS else "SM0")

    assert found(session, handed).state == then
    assert moved == (then is not state)
