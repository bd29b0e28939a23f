"""What a keeper told while the database was gone, and what gateways have said of it before that is in the record."""

from __future__ import annotations

from service.operations.gateway import Blame, ReceiptState
from tests.operations.away import Keeping, armed, gone
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, Taken


def taken_for(keeping: Keeping, phone: str) -> Taken:
    """The alarm that a gateway took for somebody."""
    [taken] = [one for one in keeping.stage.journal if one.to == phone and "OVERDUE" in one.body]
    return taken


def state_of(keeping: Keeping, dive_id: str) -> list[str]:
    """How the alarms of the outage stand in the record."""
    return [one.state for one in keeping.stage.messages(dive_id) if one.step.startswith("outage-")]


def test_a_receipt_that_was_there_before_the_record_counts(keeping_on_both: Keeping) -> None:
    """It came when the database was back and nobody knew yet whose it was; the message stands as delivered."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
    stage.receipt(taken_for(keeping_on_both, CLEO), ReceiptState.DELIVERED)

    keeping_on_both.look()

    assert state_of(keeping_on_both, dive.id) == ["delivered"]
    stage.text(ANNA, "OUT")


def test_a_failure_that_was_there_before_the_record_sends_the_ladder_on(keeping_on_both: Keeping) -> None:
    """The first contact has nothing, so the second is told at once rather than in five minutes."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
    stage.receipt(taken_for(keeping_on_both, CLEO), ReceiptState.FAILED, code="30005", blame=Blame.NUMBER)

    keeping_on_both.look()
    stage.turn()
    stage.turn()

    assert "failed" in state_of(keeping_on_both, dive.id)
    assert [body for body in stage.to(DOV) if "OVERDUE" in body]
    stage.text(ANNA, "OUT")


def test_an_alarm_that_was_carried_after_the_snapshot_goes_once_more(keeping_on_both: Keeping) -> None:
    """The keeper cannot know of it: twice rather than never. The checker, asked at the end, takes it for right."""
    stage = keeping_on_both.stage
    stage.dive_in()
    stage.receive_and_answer(BRAM, "SOS lost Anna")
    keeping_on_both.look()
    stage.courier.carry()
    with gone(stage.engine):
        keeping_on_both.without(minutes=1, seconds=10)
    keeping_on_both.look()
    stage.courier.carry()

    assert len([body for body in stage.to(CLEO) if "lost Anna" in body]) == 2
    stage.text(ANNA, "OUT")
