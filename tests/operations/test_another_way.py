"""An alarm that was taken and did not arrive goes once more by another gateway; its ladder does not wait for it."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.operations.gateway import Blame, ReceiptState
from service.operations.sweeping import sweep
from tests.operations.stage import ANNA, CLEO, DOV, Stage, Taken, refuse, time_out

WITHIN = timedelta(minutes=2)


def alerted(stage: Stage) -> str:
    """A dive whose first contact has been alerted by a gateway that says it sends receipts; gives its id."""
    stage.first.sends_receipts = stage.second.sends_receipts = True
    dive = stage.dive_in()
    stage.sleep(65)
    stage.turn()
    return dive.id


def alerts(stage: Stage, phone: str = CLEO) -> list[Taken]:
    """The alerts that were taken for a phone."""
    return [taken for taken in stage.journal if taken.to == phone and "OVERDUE" in taken.body]


def state(stage: Stage, dive_id: str) -> str:
    """What became of the first contact's alert."""
    return stage.message(dive_id, "contact-0", "alert").state


def test_without_a_receipt_an_alert_goes_by_the_other_gateway_too(stage: Stage) -> None:
    """Once by each, the next contact at the same moment, and never a third time."""
    dive_id = alerted(stage)
    stage.clock.at += WITHIN
    stage.turn()

    assert [taken.gateway for taken in alerts(stage)] == ["first", "second"]
    assert len(alerts(stage, DOV)) == 1
    stage.clock.at += WITHIN
    stage.turn()

    assert len(alerts(stage)) == 2
    assert state(stage, dive_id) == "handed"
    why = [entry.detail["why"] for entry in stage.entries(stage.dive(dive_id)) if entry.kind == "another_way"]  # type: ignore[index]
    assert why[0] == "no_receipt"
    stage.text(ANNA, "out 2")


@pytest.mark.parametrize(
    ("code", "blame"),
    [
        ("30003", Blame.TRANSIENT),
        ("30007", Blame.FILTERED),
        ("30034", Blame.NO_ROUTE),
        ("30002", Blame.GATEWAY),
        ("30022", Blame.THROTTLED),
        ("39999", None),
    ],
)
def test_an_alert_that_failed_on_its_way_goes_once_more(stage: Stage, code: str, blame: Blame | None) -> None:
    """By the other gateway; when that one fails too, it has failed."""
    dive_id = alerted(stage)

    stage.receipt(alerts(stage)[0], ReceiptState.FAILED, code=code, blame=blame)
    assert state(stage, dive_id) == "queued"
    assert "contact-0" in stage.dive(dive_id).unreachable
    stage.courier.carry()
    assert [taken.gateway for taken in alerts(stage)] == ["first", "second"]
    stage.receipt(alerts(stage)[1], ReceiptState.FAILED, code=code, blame=blame)
    stage.courier.carry()

    assert state(stage, dive_id) == "failed"
    assert len(alerts(stage)) == 2
    stage.text(ANNA, "out 2")


@pytest.mark.parametrize(("code", "blame"), [("30005", Blame.NUMBER), ("21610", Blame.OPTED_OUT)])
def test_what_is_about_the_number_is_not_sent_again(stage: Stage, code: str, blame: Blame) -> None:
    """No gateway can mend that; the next contact is told at once."""
    dive_id = alerted(stage)

    stage.receipt(alerts(stage)[0], ReceiptState.FAILED, code=code, blame=blame)
    stage.courier.carry()

    assert state(stage, dive_id) == "failed"
    assert (len(alerts(stage)), len(alerts(stage, DOV))) == (1, 1)
    stage.text(ANNA, "out 2")


def test_who_has_answered_is_not_alerted_again_for_want_of_a_receipt(stage: Stage) -> None:
    """Their answer is worth more than any receipt: they are not held for unreachable either."""
    dive_id = alerted(stage)
    stage.text(CLEO, "ok")

    stage.clock.at += WITHIN
    stage.turn()

    assert len(alerts(stage)) == 1
    assert stage.dive(dive_id).unreachable == ()
    stage.text(ANNA, "out 2")


def test_who_answered_the_alert_still_gets_the_distress_that_did_not_arrive(stage: Stage) -> None:
    """They do not know yet that it is time to call rescue."""
    dive_id = alerted(stage)
    stage.text(CLEO, "ok")
    stage.wait(minutes=15)
    assert "CALL RESCUE NOW" in stage.last_to(CLEO)

    stage.clock.at += WITHIN
    stage.turn()

    distress = [taken.gateway for taken in alerts(stage) if "CALL RESCUE NOW" in taken.body]
    assert sorted(distress) == ["first", "second"]
    assert "contact-0" in stage.dive(dive_id).unreachable
    stage.text(ANNA, "out 2")


def test_a_second_copy_that_arrives_is_a_delivery(stage: Stage) -> None:
    """The contact counts as reachable again."""
    dive_id = alerted(stage)
    stage.receipt(alerts(stage)[0], ReceiptState.FAILED, code="30007", blame=Blame.FILTERED)
    stage.courier.carry()

    stage.receipt(alerts(stage)[1], ReceiptState.DELIVERED)

    assert state(stage, dive_id) == "delivered"
    assert "contact-0" not in stage.dive(dive_id).unreachable
    stage.text(ANNA, "out 2")


def test_a_first_copy_that_arrives_after_all_keeps_the_second_from_going(stage: Stage) -> None:
    """While it waits for the other gateway."""
    dive_id = alerted(stage)
    stage.receipt(alerts(stage)[0], ReceiptState.FAILED, code="30008", blame=Blame.TRANSIENT)

    stage.receipt(alerts(stage)[0], ReceiptState.DELIVERED)
    stage.courier.carry()

    assert (state(stage, dive_id), len(alerts(stage))) == ("delivered", 1)
    stage.text(ANNA, "out 2")


@pytest.mark.parametrize("behaviour", [time_out, refuse(Blame.TRANSIENT)], ids=["times out", "refuses"])
def test_where_the_other_gateway_fails_too_the_alert_stays_with_the_first(stage: Stage, behaviour: object) -> None:
    """It may yet arrive, and a receipt for it still counts."""
    dive_id = alerted(stage)
    stage.second.usually = behaviour  # type: ignore[assignment]
    stage.clock.at += WITHIN
    stage.turn()
    stage.wait(timedelta(seconds=30), step=timedelta(seconds=5))

    stage.receipt(alerts(stage)[0], ReceiptState.DELIVERED)

    assert state(stage, dive_id) == "delivered"
    stage.text(ANNA, "out 2")


def test_an_alert_is_not_left_with_a_gateway_that_says_late_that_it_failed(stage: Stage) -> None:
    """Its receipt comes while the alert waits for the other gateway, which is busy: it is tried until one takes it."""
    alerted(stage)
    stage.second.numbers[CLEO] = refuse(Blame.TRANSIENT)
    stage.clock.at += WITHIN
    sweep(stage.service)
    stage.receipt(alerts(stage)[0], ReceiptState.FAILED, code="30003", blame=Blame.TRANSIENT)
    stage.first.numbers[CLEO] = refuse(Blame.TRANSIENT)
    stage.wait(timedelta(seconds=10), step=timedelta(seconds=5))

    stage.second.numbers.clear()
    stage.wait(timedelta(seconds=30), step=timedelta(seconds=5))

    assert [taken.gateway for taken in alerts(stage)] == ["first", "second"]
    stage.first.numbers.clear()
    stage.text(ANNA, "out 2")


def test_nothing_goes_another_way_once_the_dive_is_over(stage: Stage) -> None:
    """An alarm after the stand-down would call people out for nothing."""
    dive_id = alerted(stage)
    first = alerts(stage)[0]
    stage.text(ANNA, "out 2")

    stage.receipt(first, ReceiptState.FAILED, code="30008", blame=Blame.TRANSIENT)
    stage.clock.at += WITHIN
    stage.turn()

    assert (state(stage, dive_id), len(alerts(stage))) == ("failed", 1)


def test_a_reminder_that_failed_is_not_sent_again(stage: Stage) -> None:
    """What is calm has its next step."""
    stage.first.sends_receipts = True
    stage.dive_in()
    stage.wait(minutes=50)
    reminder = [taken for taken in stage.journal if taken.to == ANNA][-1]
    before = len(stage.to(ANNA))

    stage.receipt(reminder, ReceiptState.FAILED, code="30008", blame=Blame.TRANSIENT)
    stage.courier.carry()

    assert len(stage.to(ANNA)) == before
    stage.text(ANNA, "out 2")
