"""What a courier left half done: the answer to its commit lost, or gone before it wrote down what was to follow."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from service.operations.carrying import Courier
from service.operations.claiming import Claims
from service.operations.gateway import Accepted, Blame, Found, Outcome, Outgoing, ReceiptState, Route
from service.operations.parcels import Claimed, Parcel
from service.operations.settling import Heard, Settling
from service.store import outbox
from service.store.outbox import ClaimedMessage
from tests.operations.stage import ANNA, CLEO, ScriptedGateway, Stage, Taken, accept, refuse
from tests.operations.test_storm import Ticking

LEASE_OVER = timedelta(seconds=31)
NO_RECEIPT = timedelta(minutes=2)


def alerted(stage: Stage) -> str:
    """A dive whose alert is about to be queued; gives its id."""
    new_courier(stage, stage.first, stage.second)
    dive = stage.dive_in()
    stage.sleep(65)
    return dive.id


def new_courier(stage: Stage, *gateways: ScriptedGateway) -> None:
    """From now on another courier carries by these, whose pauses move the hand-moved clock."""

    def pause(length_s: float) -> None:
        stage.clock.at += timedelta(seconds=length_s)

    stage.courier.close()
    stage.courier = Courier(stage.service, gateways, monotonic=Ticking(stage), pause=pause)


def alerts(stage: Stage) -> list[Taken]:
    """The alerts that gateways took for the first contact."""
    return [taken for taken in stage.journal if taken.to == CLEO and "OVERDUE:" in taken.body]


@contextmanager
def dying_at(owner: type, name: str) -> Iterator[None]:
    """Whoever comes to this function vanishes there."""

    def die(*_: Any) -> None:
        raise MemoryError("killed")

    with pytest.MonkeyPatch.context() as broken:
        broken.setattr(owner, name, die)
        yield


@contextmanager
def record_lost(phone: str) -> Iterator[None]:
    """Whoever has sent something to this phone vanishes before it is written down."""
    whole = Courier._record

    def record(self: Courier, parcel: Parcel, heard: Heard) -> None:
        if parcel.message.phone == phone:
            raise MemoryError("killed between call and record")
        whole(self, parcel, heard)

    with pytest.MonkeyPatch.context() as broken:
        broken.setattr(Courier, "_record", record)
        yield


@contextmanager
def answer_lost_once(stage: Stage) -> Iterator[list[str]]:
    """The next attempt that begins after a doubt is committed, and the connection is lost before we know."""
    begin, commit = Claims._begin, stage.engine.dialect.do_commit
    lost: list[str] = []

    def begin_and_lose(self: Claims, session: Session, message: ClaimedMessage) -> Claimed:
        claimed = begin(self, session, message)
        lost.append("now" if not lost else "before")
        return claimed

    def commit_and_lose(connection: Any) -> None:
        commit(connection)
        if lost and lost[-1] == "now":
            lost.append("done")
            raise OperationalError("lost", None, Exception("connection lost"), connection_invalidated=True)

    with pytest.MonkeyPatch.context() as broken:
        broken.setattr(Claims, "_begin", begin_and_lose)
        broken.setattr(stage.engine.dialect, "do_commit", commit_and_lose)
        yield lost


@pytest.mark.parametrize("route", [Route(), Route(segments_per_s=0.1)], ids=["at any rate", "at a rate"])
def test_an_attempt_that_was_begun_without_our_knowing_is_the_one_that_is_made(stage: Stage, route: Route) -> None:
    """One call and one attempt, though the work was done twice; nor does it wait for a second slot."""
    dive_id = alerted(stage)
    with record_lost(CLEO):
        stage.turn()
    stage.clock.at += LEASE_OVER
    stage.first.route = stage.second.route = route
    new_courier(stage, stage.first)

    with answer_lost_once(stage) as lost:
        stage.courier.carry()

    message = stage.message(dive_id, "contact-0", "alert")
    attempts = stage.service.read(lambda session: outbox.attempts_of(session, message.id))
    assert lost == ["now", "done", "before"]
    assert [attempt.outcome for attempt in attempts] == ["unknown", "accepted"]
    assert (message.state, message.attempts, len(alerts(stage))) == ("handed", 2, 2)
    stage.first.route = stage.second.route = Route()
    new_courier(stage, stage.first, stage.second)
    stage.text(ANNA, "out 2")


def test_a_reply_in_doubt_is_not_sent_again_though_whoever_was_to_give_it_up_vanished_too(stage: Stage) -> None:
    """Two carriers in a row: it may have got through with the first, and is given up by the third."""
    dive = stage.dive_in()
    with record_lost(ANNA):
        assert len(stage.text(ANNA, "status")) == 1
    before = len(stage.to(ANNA))
    stage.clock.at += LEASE_OVER
    with dying_at(Settling, "keep"):
        stage.turn()

    stage.wait(timedelta(minutes=2), step=LEASE_OVER)

    assert len(stage.to(ANNA)) == before
    assert {one.state for one in stage.messages(dive.id) if one.kind == "reply" and one.attempts} >= {"failed"}
    assert "given_up" in stage.kinds(stage.dive(dive.id))
    stage.text(ANNA, "out 2")


def test_an_alarm_in_doubt_is_asked_about_though_whoever_was_to_ask_vanished_too(stage: Stage) -> None:
    """The gateway has it: the contact is not alarmed a second time."""
    dive_id = alerted(stage)
    with record_lost(CLEO):
        stage.turn()
    [taken] = alerts(stage)
    stage.clock.at += LEASE_OVER
    with dying_at(Courier, "_resolve"):
        stage.turn()
    stage.first.lookup = Found(taken.provider_id)

    stage.clock.at += LEASE_OVER
    stage.turn()

    assert len(alerts(stage)) == 1
    assert stage.message(dive_id, "contact-0", "alert").state == "handed"
    stage.text(ANNA, "out 2")


def failed_meanwhile(stage: Stage, then: Callable[[ScriptedGateway, Outgoing], Outcome]) -> None:
    """No receipt came, the alert goes by the second gateway, and meanwhile the first one says that it failed."""
    stage.first.sends_receipts = stage.second.sends_receipts = True
    stage.turn()
    [taken] = alerts(stage)

    def fail_meanwhile(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        stage.receipt(taken, ReceiptState.FAILED, code="30003", blame=Blame.TRANSIENT)
        gateway.numbers.clear()
        return then(gateway, text)

    stage.second.numbers[CLEO] = fail_meanwhile
    stage.clock.at += NO_RECEIPT
    stage.turn()


@pytest.mark.parametrize("blame", [Blame.TRANSIENT, Blame.NUMBER], ids=["busy", "cannot be reached by it"])
def test_an_alert_is_not_left_with_a_gateway_that_said_meanwhile_that_it_failed(stage: Stage, blame: Blame) -> None:
    """The other one does not take it, so the receipt that nobody could heed then counts now, and it goes once more."""
    dive_id = alerted(stage)

    failed_meanwhile(stage, refuse(blame))
    stage.wait(timedelta(seconds=30), step=timedelta(seconds=5))

    assert len(alerts(stage)) == 2
    kinds = stage.kinds(stage.dive(dive_id))
    assert kinds.count("receipt:failed") == 1
    stage.text(ANNA, "out 2")


def test_a_failure_of_the_first_way_is_nothing_to_an_alert_that_another_took(stage: Stage) -> None:
    """It is with the second gateway, and its receipt is the one that counts."""
    dive_id = alerted(stage)

    failed_meanwhile(stage, accept)
    stage.wait(timedelta(seconds=30), step=timedelta(seconds=5))

    message = stage.message(dive_id, "contact-0", "alert")
    assert (message.state, message.handed_gateway, len(alerts(stage))) == ("handed", "second", 2)
    stage.text(ANNA, "out 2")


def test_a_receipt_of_a_call_that_slept_for_long_is_found_when_its_end_is_written(stage: Stage) -> None:
    """Nobody looks for receipts that old any more, and somebody else has the message by then; it was delivered."""
    dive_id = alerted(stage)
    other = Courier(stage.service, [stage.second])

    def sleep_for_long(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        taken = gateway.take(text)
        gateway.numbers.clear()
        stage.receipt(taken, ReceiptState.DELIVERED)
        stage.clock.at += timedelta(minutes=11)
        other.carry()
        return Accepted(taken.provider_id)

    stage.first.numbers[CLEO] = sleep_for_long
    stage.turn()
    other.close()

    message = stage.message(dive_id, "contact-0", "alert")
    assert (message.state, message.handed_gateway) == ("delivered", "second")
    stage.text(ANNA, "out 2")
