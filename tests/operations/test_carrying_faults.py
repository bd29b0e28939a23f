"""The courier's worst hours: crashes before the record, slow gateways, closes in mid-call, and what has an end."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest

from service.clock import PacedClock, WallClock, clock_seconds
from service.domain.dive import Phase
from service.operations.carrying import Courier
from service.operations.gateway import Blame, Outcome, Outgoing, ReceiptState, Route
from service.operations.parcels import Kept, Parcel
from service.operations.settling import Heard, Settling
from service.store import outbox, receipts
from tests.operations.stage import (
    ANNA,
    CLEO,
    DOV,
    FINN,
    Behaviour,
    ScriptedGateway,
    Stage,
    Taken,
    accept,
    lose_the_answer,
    plan_of,
    refuse,
    time_out,
)


def alerted(stage: Stage) -> str:
    """A dive whose alert is about to be queued; gives its id."""
    dive = stage.dive_in()
    stage.wait(minutes=64)
    stage.sleep(1)
    return dive.id


def alerts_to(stage: Stage, phone: str) -> list[Taken]:
    """The alerts that gateways took for a phone."""
    return [taken for taken in stage.journal if taken.to == phone and "OVERDUE:" in taken.body]


def both(stage: Stage, behaviour: Behaviour) -> None:
    """What every gateway does from now on."""
    stage.first.usually = stage.second.usually = behaviour


def lose_records(monkeypatch: pytest.MonkeyPatch, phone: str) -> None:
    """Every attempt at this phone dies between the call and the record."""
    whole = Courier._record

    def record(self: Courier, parcel: Parcel, heard: Heard) -> None:
        if parcel.message.phone == phone:
            raise MemoryError("killed between call and record")
        whole(self, parcel, heard)

    monkeypatch.setattr(Courier, "_record", record)


def test_a_text_that_kills_us_each_time_is_sent_three_times_at_most(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then it is given up, the log says so, and the next contact is not made to wait."""
    dive_id = alerted(stage)
    lose_records(monkeypatch, CLEO)

    stage.wait(timedelta(minutes=4), step=timedelta(seconds=31))

    assert len(alerts_to(stage, CLEO)) == 3
    assert stage.message(dive_id, "contact-0", "alert").state == "failed"
    assert "given_up" in stage.kinds(stage.dive(dive_id))
    assert len(alerts_to(stage, DOV)) == 1
    monkeypatch.undo()
    stage.text(ANNA, "out 2")


def test_a_reply_whose_record_was_lost_is_not_sent_again(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """It may have got through, and nothing depends on it."""
    stage.dive_in()
    with monkeypatch.context() as broken:
        lose_records(broken, ANNA)
        assert len(stage.text(ANNA, "status")) == 1

    before = len(stage.to(ANNA))
    stage.wait(timedelta(minutes=2), step=timedelta(seconds=31))

    assert len(stage.to(ANNA)) == before


def test_an_alarm_whose_carrier_died_is_not_sent_again_after_the_close(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was in flight when the dive closed; when its lease runs out it would only mislead."""
    alerted(stage)
    with monkeypatch.context() as broken:
        lose_records(broken, CLEO)
        stage.turn()
    stage.text(ANNA, "out 2")

    stage.wait(timedelta(minutes=3), step=timedelta(seconds=31))

    assert len(alerts_to(stage, CLEO)) == 1
    assert "It is over" in stage.last_to(CLEO)


def test_an_alarm_in_flight_at_the_close_is_not_tried_again(stage: Stage) -> None:
    """The diver texts OUT during the call, and the call fails: the stand-down goes out, the alarm does not."""
    dive_id = alerted(stage)

    def close_meanwhile(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        inbound_id = stage.receive(ANNA, "out 2")
        assert inbound_id is not None
        gateway.numbers.clear()
        stage.answer(inbound_id)
        return time_out(gateway, text)

    stage.first.numbers[CLEO] = close_meanwhile
    stage.turn()
    stage.wait(timedelta(minutes=2), step=timedelta(seconds=20))

    assert stage.dive(dive_id).phase is Phase.CLOSED
    assert alerts_to(stage, CLEO) == []
    assert "It is over" in stage.last_to(CLEO)


def test_what_cannot_be_given_up_takes_no_alarm_with_it(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was claimed together with it goes out at once all the same, and only once."""
    stage.first.route = stage.second.route = Route(prefixes=(DOV,))
    alerted(stage)
    stage.wait(minutes=15)
    stage.clock.at += timedelta(minutes=10)

    def keep(_: Settling, __: Kept) -> None:
        raise MemoryError("killed before the record")

    with monkeypatch.context() as broken:
        broken.setattr(Settling, "keep", keep)
        before = len([taken for taken in stage.journal if taken.to == DOV])
        stage.turn()

    assert len([taken for taken in stage.journal if taken.to == DOV]) == before + 1
    stage.first.route = stage.second.route = Route()
    stage.text(ANNA, "out 2")


def test_an_alarm_outlives_a_carrier_that_dies_after_answers_that_were_in_doubt(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Time-outs are no sign that the text itself breaks us: it goes on after the restart."""
    dive_id = alerted(stage)
    both(stage, time_out)
    stage.wait(timedelta(seconds=20), step=timedelta(seconds=5))
    with monkeypatch.context() as broken:
        lose_records(broken, CLEO)
        stage.wait(timedelta(minutes=1), step=timedelta(seconds=5))

    both(stage, accept)
    stage.wait(timedelta(minutes=2), step=timedelta(seconds=31))

    assert len(alerts_to(stage, CLEO)) == 1
    assert stage.message(dive_id, "contact-0", "alert").state == "handed"
    stage.text(ANNA, "out 2")


def test_a_gateway_without_a_route_does_not_end_an_alarm_for_which_the_other_was_busy(stage: Stage) -> None:
    """The other one is asked again, and takes it."""
    dive_id = alerted(stage)
    stage.first.numbers[CLEO] = refuse(Blame.NO_ROUTE)
    stage.second.numbers[CLEO] = refuse(Blame.THROTTLED, 1.0)
    stage.wait(timedelta(seconds=10), step=timedelta(seconds=1))

    del stage.second.numbers[CLEO]
    stage.wait(timedelta(seconds=40), step=timedelta(seconds=5))

    assert [taken.gateway for taken in alerts_to(stage, CLEO)] == ["second"]
    assert stage.message(dive_id, "contact-0", "alert").state == "handed"
    stage.text(ANNA, "out 2")


def test_an_alarm_outlives_gateways_that_answer_nothing_for_minutes(stage: Stage) -> None:
    """Each try may be one more copy, so they grow rarer; but there is a next one while the dive is open."""
    dive_id = alerted(stage)
    both(stage, time_out)
    stage.wait(timedelta(minutes=4), step=timedelta(seconds=5))
    tries = [text for text in stage.first.asked + stage.second.asked if "OVERDUE:" in text.body and text.to == CLEO]
    assert 5 <= len(tries) <= 9
    assert "contact-0" in stage.dive(dive_id).unreachable

    both(stage, accept)
    stage.wait(timedelta(seconds=61), step=timedelta(seconds=5))

    assert len(alerts_to(stage, CLEO)) == 1
    assert len(alerts_to(stage, DOV)) == 1
    stage.text(ANNA, "out 2")


def test_a_stand_down_outlives_a_minute_without_gateways(stage: Stage) -> None:
    """Nobody who was alarmed is left alone with it because the end came at a bad moment."""
    alerted(stage)
    stage.turn()
    both(stage, time_out)
    stage.text(ANNA, "out 2")
    stage.wait(timedelta(seconds=50), step=timedelta(seconds=5))

    both(stage, accept)
    stage.wait(timedelta(seconds=61), step=timedelta(seconds=5))

    assert "It is over" in stage.last_to(CLEO)


def test_a_start_notice_waits_for_a_gateway_and_arms_late(stage: Stage) -> None:
    """Two minutes without a gateway are not the end of the paper practice."""
    dive = stage.file()
    both(stage, refuse(Blame.TRANSIENT))
    stage.text(ANNA, "in")
    stage.wait(timedelta(minutes=2), step=timedelta(seconds=10))
    assert stage.dive(dive.id).armed_at is None

    both(stage, accept)
    stage.wait(timedelta(seconds=11), step=timedelta(seconds=11))

    assert stage.dive(dive.id).armed_at is not None
    assert any("ARMED. 2 in" in body for body in stage.to(ANNA))


def test_a_reminder_that_would_come_after_the_alert_is_not_sent(stage: Stage) -> None:
    """It says when the alarm will go out; then it has."""
    dive = stage.dive_in()
    stage.first.numbers[ANNA] = stage.second.numbers[ANNA] = refuse(Blame.TRANSIENT)
    stage.wait(minutes=66)

    stage.first.numbers.clear()
    stage.second.numbers.clear()
    stage.wait(minutes=1)

    assert not any("Alarm goes out" in body for body in stage.to(ANNA))
    states = {one.state for one in stage.messages(dive.id) if one.kind == "reminder" and one.phone == ANNA}
    assert states == {"expired"}
    stage.text(ANNA, "out 2")


def test_a_slow_gateway_does_not_hold_up_an_alarm_that_comes_meanwhile(stage: Stage) -> None:
    """Calls that hang take their own slots, and an alarm that is queued during them goes at once."""
    slow = stage.file(plan_of(1))
    quick = stage.dive_in()
    hung, free = threading.Event(), threading.Event()

    def hang(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        hung.set()
        assert free.wait(20)
        return accept(gateway, text)

    stage.first.numbers[slow.lead.phone or ""] = hang
    stage.receive(slow.lead.phone or "", "status")
    stage.sleep(0.1)
    carrier = threading.Thread(target=stage.turn)
    carrier.start()
    assert hung.wait(20)

    stage.receive_and_answer(ANNA, "SOS")
    arrived = stage.until(lambda: any("ALARM" in body for body in stage.to(CLEO)))
    still_hung = carrier.is_alive()
    free.set()
    carrier.join()

    assert (arrived, still_hung) == (True, True)
    assert stage.dive(quick.id).phase is Phase.ALERT


def test_a_courier_that_slept_past_its_lease_has_nothing_more_to_say(stage: Stage) -> None:
    """The message is another's by then: the sleeper's outcome is kept as an attempt, the other's as the fate."""
    dive_id = alerted(stage)
    other = Courier(stage.service, [stage.second])

    def sleep_past_the_lease(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        gateway.numbers.clear()
        stage.clock.at += timedelta(seconds=31)
        other.carry()
        return accept(gateway, text)

    stage.first.numbers[CLEO] = sleep_past_the_lease
    stage.turn()
    other.close()

    message = stage.message(dive_id, "contact-0", "alert")
    assert (message.state, message.handed_gateway, message.attempts) == ("handed", "second", 2)
    assert [taken.gateway for taken in alerts_to(stage, CLEO)] == ["second", "first"]
    # Why there were two stays to be seen: the other could not know.
    slept, _ = stage.service.read(lambda session: outbox.attempts_of(session, message.id))
    assert (slept.outcome, slept.detail) == ("accepted", outbox.UNKNOWN_AT_FIRST)
    stage.text(ANNA, "out 2")


def test_a_courier_that_stood_still_sends_nothing_more_of_what_it_had_in_hand(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was frozen for two minutes in one call, and all is over: the next contact must not hear of an alarm then."""
    stage.dive_in()
    stage.receive_and_answer(ANNA, "SOS")
    other = Courier(stage.service, [stage.second])
    monkeypatch.setattr(stage.courier._hands, "wanted", lambda _: 1)
    called: list[str] = []

    def stand_still(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        gateway.numbers.clear()
        called.append(text.to)
        stage.clock.at += timedelta(minutes=2)
        stage.receive_and_answer(ANNA, "out 2")
        other.carry()
        return accept(gateway, text)

    stage.first.numbers[CLEO] = stage.first.numbers[DOV] = stand_still
    stage.courier.carry()
    other.close()

    late = [phone for phone in (CLEO, DOV) if phone not in called]
    assert len(late) == 1
    assert [body for body in stage.to(late[0]) if "SOS" in body or "ALARM" in body] == []
    stage.turn()
    assert [body for body in stage.to(late[0]) if "SOS" in body or "ALARM" in body] == []


def test_a_receipt_that_crossed_our_commit_is_found_before_it_counts_as_missing(stage: Stage) -> None:
    """It was stored while the handing over was being written, so that neither saw the other."""
    stage.first.sends_receipts = True
    dive_id = alerted(stage)
    stage.turn()
    [taken] = alerts_to(stage, CLEO)
    stage.service.write(
        lambda session: receipts.store(
            session,
            gateway=taken.gateway,
            provider_id=taken.provider_id,
            state=str(ReceiptState.DELIVERED),
            code=None,
            blame=None,
            raw={},
            received_at=stage.clock.at,
        )
    )

    stage.wait(timedelta(minutes=3), step=timedelta(minutes=1))

    assert stage.message(dive_id, "contact-0", "alert").state == "delivered"
    assert stage.dive(dive_id).unreachable == ()
    stage.text(ANNA, "out 2")


# Resting


def test_a_gateway_that_cannot_send_at_all_rests_at_once(stage: Stage) -> None:
    """No credit for one is no credit for the next."""
    stage.first.usually = refuse(Blame.GATEWAY)
    stage.file()
    asked = len(stage.first.asked)

    stage.file()

    assert len(stage.first.asked) == asked == 1
    assert [taken.to for taken in stage.second.taken if taken.to != FINN] == [ANNA, ANNA]


# The clock


def test_what_bounds_a_call_is_real_time_also_in_a_demonstration() -> None:
    """At sixty times the pace a lease of thirty real seconds lasts half an hour of the clock."""
    origin = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)

    assert clock_seconds(PacedClock(60, origin), 30) == 1_800
    assert clock_seconds(WallClock(), 30) == 30


def test_clocks_of_one_origin_and_pace_agree() -> None:
    """Two processes of one demonstration have the same now, and it runs at the pace."""
    origin = datetime.now(UTC) - timedelta(seconds=10)
    one, other = PacedClock(60, origin), PacedClock(60, origin)

    begin = one.now()

    assert timedelta(0) <= other.now() - begin < timedelta(seconds=30)
    assert begin - origin >= timedelta(seconds=600)
    assert begin.tzinfo is UTC


def test_under_a_fast_clock_two_couriers_still_send_once(stage: Stage) -> None:
    """A lease is not over while its call is under way, though the clock has gone on by minutes."""
    paced = PacedClock(60, stage.clock.at)
    object.__setattr__(stage.service, "clock", paced)
    other = Courier(stage.service, [stage.second])

    def slow(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        other.carry()
        return lose_the_answer(gateway, text) if text.to == DOV else accept(gateway, text)

    stage.first.usually = slow
    stage.file()
    other.close()

    assert len(stage.journal) == 1
    object.__setattr__(stage.service, "clock", stage.clock)
