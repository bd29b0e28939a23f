"""What gateways took is written down together, and is the same as if it had been written one by one."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from sqlalchemy import Engine, select
from sqlalchemy import text as sql

from service.domain.wording import MessageKind
from service.operations.carrying import AT_ONCE
from service.operations.claiming import LEASE_S, Claims
from service.operations.gateway import Accepted, Outcome, Outgoing, ReceiptState, Unknown
from service.operations.handing_over import Handed, HandingOver
from service.operations.parcels import Claimed
from service.operations.settling import Heard, Settling
from service.operations.sweeping import sweep
from service.store.engine import RunAgainError
from service.store.outbox import QUEUED, Message
from service.store.tables import MessageRow
from tests.operations.conftest import staged_on
from tests.operations.stage import ScriptedGateway, Stage, accept, counted_statements, plan_of
from tests.operations.test_storm import queue


def overdue(stage: Stage, count: int) -> list[str]:
    """So many dives whose alarms to two contacts each wait for the courier; their ids."""
    dives = [stage.dive_in(plan_of(number)) for number in range(count)]
    stage.sleep(80)
    sweep(stage.service)
    return [dive.id for dive in dives]


def alarms(stage: Stage, dive_ids: list[str]) -> list[Message]:
    """Their alarms as they stand."""
    return [one for key in dive_ids for one in stage.messages(key) if one.kind in ("alert", "distress")]


def test_many_are_recorded_by_few_statements(stage: Stage) -> None:
    """Handed, and in the log of their dives; one alone takes ten statements."""
    dive_ids = overdue(stage, 6)

    with counted_statements(stage.engine) as statements:
        carried = stage.courier.carry()

    assert {one.state for one in alarms(stage, dive_ids)} == {"handed"}
    assert carried >= 12
    assert len(statements) <= 4 * carried
    for dive_id in dive_ids:
        logged = {
            (one.detail or {})["message"]: one
            for one in stage.entries(stage.dive(dive_id))
            if one.kind == "attempt:accepted"
        }
        for alarm in alarms(stage, [dive_id]):
            entry = logged[alarm.id]
            assert entry.actor == {"role": "gateway", "name": "first", "process": "test-1"}
            assert entry.detail == {
                "message": alarm.id,
                "step": alarm.step,
                "person": alarm.person_key,
                "carried_by": "test-1",
                "then": "handed",
                "why": None,
            }


def test_a_receipt_that_is_there_first_counts(stage: Stage) -> None:
    """The gateway reports a delivery before we have written down that it took the text."""
    dive_ids = overdue(stage, 3)
    stage.first.sends_receipts = True

    def deliver_at_once(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        taken = gateway.take(text)
        stage.receipt(taken, ReceiptState.DELIVERED)
        return Accepted(taken.provider_id)

    stage.first.usually = deliver_at_once
    stage.courier.carry()
    stage.first.usually = accept

    assert {one.state for one in alarms(stage, dive_ids)} == {"delivered"}


def test_where_they_cannot_be_written_together_each_is_written_alone(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """One record that breaks us costs the others nothing."""
    dive_ids = overdue(stage, 3)

    def fail(*_: object) -> None:
        raise ValueError("a record that breaks us")

    with monkeypatch.context() as broken:
        broken.setattr(HandingOver, "_finish", fail)
        stage.courier.carry()

    assert {one.state for one in alarms(stage, dive_ids)} == {"handed"}
    assert "not_recorded_together" in caplog.messages


def test_what_was_taken_while_the_database_was_away_is_recorded_once_it_is_back(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A server that is started again within the leases makes no alarm go twice."""
    dive_ids = overdue(stage, 3)

    def away(*_: object) -> None:
        raise RunAgainError

    with monkeypatch.context() as broken:
        broken.setattr(HandingOver, "_together", away)
        stage.courier.carry()
    assert {one.state for one in alarms(stage, dive_ids)} == {"leased"}

    stage.courier.carry()

    assert {one.state for one in alarms(stage, dive_ids)} == {"handed"}
    assert len({one.reference for one in stage.journal}) == len(stage.journal)


@pytest.mark.postgres
def test_a_dive_that_somebody_holds_keeps_no_other_waiting(postgres_engine: Engine) -> None:
    """Its own message is written once the dive is free. On SQLite one writer is alone anyway."""
    with staged_on(postgres_engine) as stage:
        hold_one(stage, "SELECT 1 FROM dives WHERE id = :id FOR UPDATE")


@pytest.mark.postgres
def test_a_log_that_somebody_holds_keeps_no_other_waiting(postgres_engine: Engine) -> None:
    """Else all of them would go once more, for one process that hangs while it writes of one dive."""
    with staged_on(postgres_engine) as stage:
        hold_one(stage, "SELECT 1 FROM chain_heads WHERE chain = 'dive:' || :id FOR UPDATE")


def hold_one(stage: Stage, how: str) -> None:
    """Somebody else has a dive, or its log, while its alarm and those of others are carried."""
    held, *free = overdue(stage, 4)
    with stage.engine.begin() as somebody:
        somebody.execute(sql(how), {"id": held})
        carrying_on = threading.Thread(target=stage.courier.carry)
        carrying_on.start()
        assert stage.until(lambda: {one.state for one in alarms(stage, free)} == {"handed"})
        assert {one.state for one in alarms(stage, [held])} == {"leased"}

    carrying_on.join()

    assert {one.state for one in alarms(stage, [held])} == {"handed"}


def test_what_has_not_left_when_a_gateway_hangs_waits_for_another_courier(unchecked: Stage) -> None:
    """No alarm lies in the hands of a courier that cannot send it; and it counts as never tried."""
    stage = unchecked  # the numbers are nobody's
    queue(stage, [f"+4477009001{number:02}" for number in range(60)], MessageKind.ALERT)
    over = threading.Event()

    def hang_after_a_while(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        if len(gateway.asked) > 2 * AT_ONCE:
            over.wait(60)
        return accept(gateway, text)

    stage.first.usually = hang_after_a_while
    courier = threading.Thread(target=stage.courier.carry)
    courier.start()
    try:
        assert stage.until(lambda: len(stage.first.asked) == 3 * AT_ONCE, within_s=30)
        assert stage.until(lambda: len(waiting(stage)) == 60 - 3 * AT_ONCE, within_s=30)
        assert set(waiting(stage)) == {(0, False, None)}
    finally:
        over.set()
        courier.join()

    assert waiting(stage) == []
    assert len({one.reference for one in stage.journal}) == len(stage.journal) == 60


def waiting(stage: Stage) -> list[tuple[int, bool, str | None]]:
    """Of each message that waits: its attempts, whether one is open, and who holds it."""
    row = MessageRow
    found = select(row.attempts, row.in_flight, row.lease_owner).where(row.state == QUEUED)
    return stage.service.read(lambda session: [tuple(one) for one in session.execute(found)])


def on_the_pile(stage: Stage) -> tuple[Claims, Claimed]:
    """A courier that has claimed all that waits, and sent none of it yet."""
    claims = Claims(stage.service, [stage.first, stage.second], "courier-1")
    return claims, claims.claim("all", 100)


def test_an_alarm_that_has_not_left_does_not_go_out_after_its_dive_closed(stage: Stage) -> None:
    """It lay with a courier whose gateway hangs when the divers came out, and was given back afterwards."""
    [safe, other] = overdue(stage, 2)
    claims, claimed = on_the_pile(stage)
    stage.receive_and_answer(stage.dive(safe).lead.phone or "", "OUT 1")

    claims.take_back(claimed.parcels)
    stage.courier.carry()

    assert {one.state for one in alarms(stage, [safe])} == {"expired"}
    assert {one.state for one in alarms(stage, [other])} == {"handed"}


def test_a_stand_down_that_has_not_left_does_not_go_out_after_its_dive_was_opened_again(stage: Stage) -> None:
    """Whoever heard the new alarm would be told that all is well."""
    [dive_id] = overdue(stage, 1)
    stage.courier.carry()
    lead = stage.dive(dive_id).lead.phone or ""
    stage.receive_and_answer(lead, "OUT 1")
    claims, claimed = on_the_pile(stage)
    stage.receive_and_answer(lead, "SOS")

    claims.take_back(claimed.parcels)
    stage.courier.carry()

    stand_downs = [one for one in stage.messages(dive_id) if one.kind == "stand_down"]
    assert {one.state for one in stand_downs} == {"expired"}


def test_a_courier_that_slept_past_its_lease_does_not_undo_its_own_next_attempt(unchecked: Stage) -> None:
    """Its first attempt ends in doubt while its second is under way: that one counts, and nothing goes a third time."""
    stage = unchecked  # the gateways of this test took nothing for true
    [dive_id] = overdue(stage, 1)
    claims, slept = on_the_pile(stage)
    first = slept.parcels[0]
    stage.clock.at += timedelta(seconds=LEASE_S + 1)
    doubt = next(one for one in claims.claim("all", 100).in_doubt if one.message.id == first.message.id)
    [second] = claims.begin(doubt.message).parcels
    settling = Settling(stage.service, claims, "courier-1")

    settling.record(first, Heard(Unknown("cut off")))
    settling.record(second, Heard(Accepted("second-1")))

    [alarm] = [one for one in alarms(stage, [dive_id]) if one.id == first.message.id]
    assert (alarm.state, alarm.provider_id) == ("handed", "second-1")


@pytest.mark.parametrize("one_by_one", [True, False])
def test_an_alarm_that_gets_through_after_its_stand_down_is_followed_by_another(
    stage: Stage, *, one_by_one: bool
) -> None:
    """Its courier stood still with it while the divers came out; whoever has it last must hear that it is over."""
    [dive_id] = overdue(stage, 1)
    claims, slept = on_the_pile(stage)
    stage.receive_and_answer(stage.dive(dive_id).lead.phone or "", "OUT 1")
    stage.clock.at += timedelta(seconds=LEASE_S + 1)
    stage.turn()
    contact = "+447700900200"
    over = stage.last_to(contact)
    settling = Settling(stage.service, claims, "courier-1")
    handing_over = HandingOver(stage.service, "courier-1", lambda one: settling.record(one.parcel, Heard(one.outcome)))

    for parcel in slept.parcels:
        outcome = parcel.gateway.send(stage.courier._outgoing(parcel.message))
        assert isinstance(outcome, Accepted)
        if one_by_one:
            settling.record(parcel, Heard(outcome))
        else:
            handing_over.record(Handed(parcel, outcome))
            handing_over.write()
    assert "OVERDUE" in stage.last_to(contact)
    stage.turn()

    assert stage.last_to(contact) == over
    assert stage.to(contact).count(over) == 3  # once more already when it was given up: a gateway might have had it


def test_what_belongs_to_no_dive_is_written_down_together_too(unchecked: Stage) -> None:
    """Answers to texts of people who have none, in the log of their club."""
    stage = unchecked  # the numbers are nobody's
    phones = [f"+4477009002{number:02}" for number in range(12)]
    queue(stage, phones, MessageKind.REPLY)

    with counted_statements(stage.engine) as statements:
        carried = stage.courier.carry()

    assert carried == len(phones)
    assert len(statements) <= 3 * carried
    assert {(one.state, one.phone) for one in beside_dives(stage)} == {("handed", phone) for phone in phones}


@pytest.mark.postgres
def test_a_log_of_a_club_that_somebody_holds_keeps_no_alarm_waiting(postgres_engine: Engine) -> None:
    """Whoever stores a text holds it; what belongs to no dive is written down once they are done."""
    with staged_on(postgres_engine) as stage:
        queue(stage, ["+447700900201", "+447700900202"], MessageKind.REPLY)
        dive_ids = overdue(stage, 2)
        club = alarms(stage, dive_ids)[0].club_id
        with stage.engine.begin() as somebody:
            somebody.execute(sql("SELECT 1 FROM chain_heads WHERE chain = 'club:' || :id FOR UPDATE"), {"id": club})
            carrying_on = threading.Thread(target=stage.courier.carry)
            carrying_on.start()
            assert stage.until(lambda: {one.state for one in alarms(stage, dive_ids)} == {"handed"})

        carrying_on.join()
        stage.courier.carry()

        assert {one.state for one in beside_dives(stage)} == {"handed"}


def beside_dives(stage: Stage) -> list[MessageRow]:
    """The messages that belong to no dive."""
    found = select(MessageRow).where(MessageRow.dive_id.is_(None))
    return list(stage.service.read(lambda session: session.execute(found).scalars().all()))
