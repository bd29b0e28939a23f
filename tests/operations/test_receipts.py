"""Delivery receipts and their dull edges: twice, late, out of order, too early, contradictory, for nobody."""

from __future__ import annotations

from datetime import timedelta

from service.operations.gateway import Accepted, Blame, DeliveryReceipt, Outcome, Outgoing, ReceiptState
from service.operations.receipts import receive_receipt
from service.store import receipts
from tests.operations.stage import ANNA, CLEO, DOV, ScriptedGateway, Stage, Taken


def start_notice(stage: Stage) -> tuple[str, Taken]:
    """A dive that has begun, and its first contact's notice as the gateway took it."""
    stage.first.sends_receipts = True
    dive = stage.dive_in()
    return dive.id, next(taken for taken in stage.journal if taken.to == CLEO)


def state(stage: Stage, dive_id: str) -> str:
    """What the notice of the first contact has come to."""
    [found] = [m for m in stage.messages(dive_id) if m.step == "start_notice" and m.person_key == "contact-0"]
    return found.state


def test_a_receipt_moves_a_message_once(stage: Stage) -> None:
    """The second copy of a receipt is kept and changes nothing."""
    dive_id, taken = start_notice(stage)

    for _ in range(2):
        stage.receipt(taken, ReceiptState.DELIVERED)

    assert state(stage, dive_id) == "delivered"
    assert stage.kinds(stage.dive(dive_id)).count("receipt:delivered") == 1
    stage.text(ANNA, "out 2")


def test_the_furthest_state_wins_in_whatever_order(stage: Stage) -> None:
    """Sent after delivered, and failed after delivered, change nothing."""
    dive_id, taken = start_notice(stage)

    for late in (ReceiptState.DELIVERED, ReceiptState.SENT, ReceiptState.FAILED, ReceiptState.UNKNOWN):
        stage.receipt(taken, late)

    assert state(stage, dive_id) == "delivered"
    assert stage.dive(dive_id).unreachable == ()
    stage.text(ANNA, "out 2")


def test_a_receipt_that_missed_the_record_of_its_handing_over_is_found_by_the_next_sweep(stage: Stage) -> None:
    """It looked for its message before the courier's commit, and the courier for it before its own."""
    dive_id, taken = start_notice(stage)
    values = {"gateway": taken.gateway, "provider_id": taken.provider_id, "state": "failed", "code": "30005"}
    values |= {"blame": "number", "raw": {}, "received_at": stage.clock.at, "message_id": None}
    stage.service.write(lambda session: receipts.store(session, **values))  # type: ignore[arg-type]
    assert stage.dive(dive_id).unreachable == ()

    for _ in range(2):
        stage.turn()

    assert stage.dive(dive_id).unreachable == ("contact-0",)
    assert state(stage, dive_id) == "failed"
    assert stage.kinds(stage.dive(dive_id)).count("receipt:failed") == 1
    stage.text(ANNA, "out 2")


def test_a_receipt_of_before_is_none_of_a_message_that_gets_its_id(stage: Stage) -> None:
    """A home gateway that was set up anew counts from one again, and by those ids its daily tests were delivered."""
    stage.first.sends_receipts = True
    for number in range(1, 20):
        values = {"gateway": "first", "provider_id": f"first-{number}", "state": "delivered", "code": None}
        values |= {"blame": None, "raw": {}, "received_at": stage.clock.at - timedelta(days=1), "message_id": None}
        stage.service.write(lambda session, values=values: receipts.store(session, **values))  # type: ignore[misc]

    dive_id, _ = start_notice(stage)

    assert state(stage, dive_id) == "handed"
    stage.text(ANNA, "out 2")


def test_delivered_after_failed_counts(stage: Stage) -> None:
    """It reached the phone after all, and the contact counts as reachable again."""
    dive_id, taken = start_notice(stage)

    stage.receipt(taken, ReceiptState.FAILED, code="30003", blame=Blame.TRANSIENT)
    assert stage.dive(dive_id).unreachable == ("contact-0",)
    stage.receipt(taken, ReceiptState.DELIVERED)

    assert state(stage, dive_id) == "delivered"
    assert stage.dive(dive_id).unreachable == ()
    stage.text(ANNA, "out 2")


def test_a_delivery_that_missed_the_record_of_its_handing_over_is_no_missing_one(stage: Stage) -> None:
    """No sweep ran for minutes: before the next contact is told, what came meanwhile is looked for."""
    stage.first.sends_receipts = True
    dive = stage.dive_in()
    stage.sleep(65)
    stage.turn()
    alert = [taken for taken in stage.journal if taken.to == CLEO][-1]
    values = {"gateway": alert.gateway, "provider_id": alert.provider_id, "state": "delivered", "code": None}
    values |= {"blame": None, "raw": {}, "received_at": stage.clock.at, "message_id": None}
    stage.service.write(lambda session: receipts.store(session, **values))  # type: ignore[arg-type]

    stage.sleep(3)
    stage.turn()

    assert stage.dive(dive.id).unreachable == ()
    assert [one for one in stage.to(DOV) if "OVERDUE" in one] == []
    stage.text(ANNA, "out 2")


def test_a_receipt_that_overtakes_our_own_commit_is_kept_for_it(stage: Stage) -> None:
    """The gateway may tell before we have written down that it took the text."""
    stage.first.sends_receipts = True

    def tell_at_once(text: Outgoing) -> None:
        if text.to == CLEO:
            number = max((taken.number for taken in stage.journal), default=0) + 1
            receipt = DeliveryReceipt(
                gateway="first",
                provider_id=f"first-{number}",
                state=ReceiptState.DELIVERED,
                code=None,
                blame=None,
                raw={},
                received_at=stage.clock.at,
            )
            receive_receipt(stage.service, receipt)

    dive = stage.file(None)
    stage.first.numbers[DOV] = stage.first.usually
    stage.first.on_ask = tell_at_once
    stage.text(ANNA, f"in {dive.start_code}")
    stage.first.on_ask = None

    told = {one.id: one.state for one in stage.messages(dive.id) if one.step == "start_notice"}
    assert "delivered" in told.values()
    stage.text(ANNA, "out 2")


def test_an_opt_out_that_overtakes_our_own_commit_is_one_all_the_same(stage: Stage) -> None:
    """What a failure is blamed on is kept with it, and the dive learns the same as from one that came in order."""
    stage.first.sends_receipts = True
    dive = stage.file(None)

    def tell_at_once(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        taken = gateway.take(text)
        stage.receipt(taken, ReceiptState.FAILED, code="21610", blame=Blame.OPTED_OUT)
        return Accepted(taken.provider_id)

    stage.first.numbers[CLEO] = tell_at_once
    stage.text(ANNA, f"in {dive.start_code}")

    reasons = [e.detail["reason"] for e in stage.entries(dive) if e.kind == "event:person_unreachable" and e.detail]
    assert reasons == ["opted_out"]
    assert state(stage, dive.id) == "failed"
    del stage.first.numbers[CLEO]
    stage.text(ANNA, "out 2")


def test_a_receipt_for_nobody_is_kept_and_harms_nothing(stage: Stage) -> None:
    """An id that we do not know may yet be one that we are about to learn."""
    dive_id, taken = start_notice(stage)
    receipt = DeliveryReceipt(
        gateway="first",
        provider_id="never heard of",
        state=ReceiptState.FAILED,
        code="30005",
        blame=Blame.NUMBER,
        raw={"MessageSid": "never heard of"},
        received_at=stage.clock.at,
    )

    receive_receipt(stage.service, receipt)

    assert state(stage, dive_id) == "handed"
    assert taken.provider_id != receipt.provider_id
    stage.text(ANNA, "out 2")


def test_an_alert_that_failed_brings_the_next_contact_at_once(stage: Stage) -> None:
    """A receipt may hurry an escalation; it never slows one down."""
    stage.first.sends_receipts = True
    dive = stage.dive_in()
    stage.sleep(65)
    stage.turn()
    alert = [taken for taken in stage.journal if taken.to == CLEO][-1]

    stage.receipt(alert, ReceiptState.FAILED, code="21610", blame=Blame.OPTED_OUT)
    stage.courier.carry()

    assert "OVERDUE" in stage.last_to(DOV)
    unreachable = [e for e in stage.entries(dive) if e.kind == "event:person_unreachable"]
    assert unreachable[-1].detail is not None
    assert unreachable[-1].detail["reason"] == "opted_out"
    stage.text(ANNA, "out 2")


def test_delivered_is_not_read(stage: Stage) -> None:
    """Only a person's answer stops the search for the next contact."""
    stage.first.sends_receipts = True
    stage.dive_in()
    stage.sleep(65)
    stage.turn()
    stage.receipt([taken for taken in stage.journal if taken.to == CLEO][-1], ReceiptState.DELIVERED)

    stage.wait(minutes=5, step=timedelta(minutes=1))

    assert "OVERDUE" in stage.last_to(DOV)
    stage.text(ANNA, "out 2")
