"""The sweep: exclusive, isolated, and straight to where a dive should be after an outage."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.exc import IntegrityError, OperationalError

from service.domain.dive import Dive, Phase
from service.operations import recording
from service.operations.gateway import ReceiptState
from service.operations.inbound import answer_text
from service.operations.plainest import raise_plainest
from service.operations.sweeping import sweep
from service.store import dives, due
from service.store.engine import RunAgainError
from service.store.tables import DiveRow, HeartbeatRow
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, EDDA, FINN, Stage, counted_statements, plan_of


def together(*works: Callable[[], Any]) -> list[Any]:
    """What all of them gave, begun at one moment; raises what any of them raised."""
    gate = threading.Barrier(len(works))
    given: list[Any] = []
    faults: list[BaseException] = []

    def run(work: Callable[[], Any]) -> None:
        gate.wait()
        try:
            given.append(work())
        except Exception as fault:  # noqa: BLE001 - raised below
            faults.append(fault)

    threads = [threading.Thread(target=run, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if faults:
        raise faults[0]
    return given


def test_two_sweeps_at_once_double_nothing(stage: Stage) -> None:
    """Each of twenty dives that are due together is decided once."""
    dives = [stage.dive_in(plan_of(number)) for number in range(20)]
    before = len(stage.journal)
    stage.sleep(66)

    swept = together(*[lambda: sweep(stage.service)] * 3)
    stage.courier.carry()

    assert sum(one.decided for one in swept) == 20
    assert len(stage.journal) == before + 40  # the party's and the first contact's
    for dive in dives:
        assert stage.kinds(dive).count("event:step_taken") == 2


def test_sweep_courier_texts_and_receipts_at_once_lose_and_double_nothing(stage: Stage) -> None:
    """Everything works on the same few dives at the same moment, and nobody waits for anybody in a ring."""
    dives = [stage.dive_in(plan_of(number, [CLEO, DOV])) for number in range(6)]
    stage.sleep(66)
    finish = [stage.receive(f"+4477009001{number:02}", "out") for number in (0, 1)]

    together(
        lambda: sweep(stage.service),
        stage.courier.carry,
        lambda: [answer_text(stage.service, one) for one in finish if one],
        lambda: [stage.receipt(taken, ReceiptState.DELIVERED) for taken in list(stage.journal)],
        stage.courier.carry,
    )
    stage.turn()

    assert [stage.dive(dive.id).live for dive in dives] == [False, False, True, True, True, True]
    for dive in dives:
        assert "fault" not in stage.kinds(dive)


def break_the_rules(monkeypatch: pytest.MonkeyPatch, dive_id: str, fault: Exception) -> None:
    """Make every decision about one dive raise."""
    whole = recording.decide

    def decide(dive: Dive | None, command: Any, now: Any) -> Any:
        if dive is not None and dive.id == dive_id:
            raise fault
        return whole(dive, command, now)

    monkeypatch.setattr(recording, "decide", decide)


def test_a_dive_on_which_the_rules_fail_is_alarmed_and_the_others_are_decided(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its contacts and the admins get the plainest alarm, once, and again after ten minutes."""
    stage = unchecked
    broken = stage.dive_in(plan_of(1))
    well = stage.dive_in(plan_of(2))
    break_the_rules(monkeypatch, broken.id, ZeroDivisionError("a fault in the rules"))
    contacts = [contact.phone or "" for contact in broken.contacts]

    stage.sleep(66)
    stage.turn()
    stage.turn()

    assert stage.dive(well.id).phase == "alert"
    for phone in (*contacts, FINN):
        assert sum("SERVICE FAULT" in body for body in stage.to(phone)) == 1, phone
    assert "a dive may be overdue: Diver 1 at Lantern Cove. Call +44 7700 900101." in stage.last_to(contacts[0])
    stage.wait(minutes=9, step=timedelta(minutes=1))
    assert sum("SERVICE FAULT" in body for body in stage.to(FINN)) == 1
    stage.wait(minutes=2, step=timedelta(minutes=1))
    assert sum("SERVICE FAULT" in body for body in stage.to(FINN)) == 2


@pytest.mark.parametrize(("closer", "words"), [(ANNA, "out 2"), (CLEO, "safe 2")], ids=["the lead", "a contact"])
def test_whoever_got_the_plainest_alarm_is_stood_down(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch, closer: str, words: str
) -> None:
    """Also an admin, of whom the rules know nothing, once the dive can be closed again; who closed it has an answer."""
    stage = unchecked
    dive = stage.dive_in()
    with monkeypatch.context() as broken:
        break_the_rules(broken, dive.id, ZeroDivisionError("a fault in the rules"))
        stage.sleep(41)
        stage.turn()
    assert "SERVICE FAULT" in stage.last_to(FINN)

    stage.text(closer, words)

    for phone in {CLEO, DOV, FINN} - {closer}:
        assert "SERVICE FAULT" not in stage.last_to(phone)
        assert "over" in stage.last_to(phone)
    assert not any("the dive is over" in body for body in stage.to(closer))


def test_an_unreadable_dive_is_alarmed_and_holds_nothing_up(unchecked: Stage) -> None:
    """Each phone hears once in ten minutes, and by the other gateway where no receipt came; all else goes on."""
    stage = unchecked
    dive = stage.dive_in()
    stage.wait(minutes=66)
    stage.first.sends_receipts = True
    stage.service.write(
        lambda session: session.execute(update(DiveRow).where(DiveRow.id == dive.id).values(state="{}"))
    )
    waiting = stage.receive(EDDA, "info")

    for _ in range(6):
        stage.wait(minutes=1)

    for phone in (CLEO, DOV):
        told = [taken for taken in stage.journal if taken.to == phone and "SERVICE FAULT" in taken.body]
        assert [taken.gateway for taken in told] == ["first", "second"]
    assert waiting is not None
    assert "overdue-diver alarm" in stage.last_to(EDDA)
    assert heartbeat(stage) == stage.clock.at


def heartbeat(stage: Stage) -> Any:
    """When the last sweep was done."""
    row = select(HeartbeatRow.at).where(HeartbeatRow.name == "sweep")
    return stage.service.read(lambda session: session.execute(row).scalar_one())


def test_the_plainest_alarm_raised_by_two_at_once_is_told_once(stage: Stage) -> None:
    """Two sweeps may meet the same fault."""
    dive = stage.dive_in()

    together(*[lambda: raise_plainest(stage.service, dive.id)] * 3)
    stage.courier.carry()

    assert sum("SERVICE FAULT" in body for body in stage.to(CLEO)) == 1
    assert stage.kinds(dive).count("fault") == 1
    stage.text(ANNA, "out 2")


def test_a_closed_dive_gets_no_plainest_alarm(stage: Stage) -> None:
    """It may have been closed between the fault and the alarm."""
    dive = stage.dive_in()
    stage.text(ANNA, "out 2")

    raise_plainest(stage.service, dive.id)
    stage.courier.carry()

    assert not any("SERVICE FAULT" in taken.body for taken in stage.journal)


PASSING = {
    "another was first": RunAgainError("stale"),
    "a lock that was not to be had": OperationalError("UPDATE", {}, Exception("server closed the connection")),
}


@pytest.mark.parametrize("fault", PASSING.values(), ids=PASSING)
def test_a_passing_fault_of_the_database_alarms_nobody(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    """The dive is left to the next sweep, a second later; its contacts are not told of a fault of ours."""
    dive = stage.dive_in()
    stage.sleep(40)
    with monkeypatch.context() as broken:
        break_the_rules(broken, dive.id, fault)
        stage.turn()
        assert stage.dive(dive.id) == dive

    stage.sleep(0.1)
    stage.turn()

    assert "due out 10:50" in stage.last_to(BRAM)
    assert not any("SERVICE FAULT" in taken.body for taken in stage.journal)
    stage.text(ANNA, "out 2")


def test_a_fault_of_the_database_that_does_not_pass_is_an_alarm(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A dive that cannot be written for a minute must not be a silent one."""
    stage = unchecked
    dive = stage.dive_in()
    stage.sleep(42)
    break_the_rules(monkeypatch, dive.id, RunAgainError("stale, and it stays so"))

    stage.turn()

    assert "SERVICE FAULT" in stage.last_to(CLEO)


def test_after_forty_minutes_of_silence_each_person_gets_one_message(stage: Stage) -> None:
    """The gravest step that is due, with true times; the log names what was passed over, and the outage."""
    dive = stage.dive_in()
    stage.wait(minutes=45)
    before = len(stage.journal)

    stage.sleep(40)
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.DISTRESS
    new = stage.journal[before:]
    assert sorted(taken.to for taken in new) == sorted([ANNA, BRAM, CLEO, DOV])
    assert "OVERDUE, CALL RESCUE NOW" in stage.last_to(CLEO)
    assert "In 10:00, due out 10:50." in stage.last_to(CLEO)
    assert "Your contacts are being alerted" in stage.last_to(ANNA)
    outage = [entry for entry in stage.entries(chain="service") if entry.kind == "outage"][-1]
    assert outage.detail is not None
    assert outage.detail["gap_s"] == 40 * 60
    [late] = outage.detail["fell_due"]
    assert (late["dive"], late["late_s"]) == (dive.id, 35 * 60)
    stage.text(ANNA, "out 2")


def test_no_outage_is_logged_where_sweeps_went_on(stage: Stage) -> None:
    """Less than a minute between two sweeps is the usual way."""
    stage.dive_in()
    stage.wait(minutes=3, step=timedelta(seconds=50))

    assert "outage" not in [entry.kind for entry in stage.entries(chain="service")]


def test_an_alert_with_no_receipt_brings_the_next_contact_at_once(stage: Stage) -> None:
    """Two minutes after the gateway took it, not five after the alert."""
    dive = stage.dive_in()
    stage.first.sends_receipts = True
    stage.sleep(65)
    stage.turn()
    assert "OVERDUE" in stage.last_to(CLEO)

    stage.wait(minutes=1.9, step=timedelta(seconds=57))
    assert "OVERDUE" not in stage.last_to(DOV)
    stage.wait(minutes=0.2)

    assert "OVERDUE" in stage.last_to(DOV)
    assert stage.dive(dive.id).unreachable == ("contact-0",)
    stage.text(ANNA, "out 2")


def test_an_alert_with_a_receipt_leaves_the_contact_their_five_minutes(stage: Stage) -> None:
    """Delivered is not read, but it is not lost either."""
    stage.dive_in()
    stage.first.sends_receipts = True
    stage.sleep(65)
    stage.turn()
    stage.receipt(last_taken_to(stage, CLEO), ReceiptState.DELIVERED)

    stage.wait(minutes=4, step=timedelta(minutes=1))

    assert "OVERDUE" not in stage.last_to(DOV)
    stage.text(ANNA, "out 2")


def last_taken_to(stage: Stage, phone: str) -> Any:
    """The last text to a phone, as the gateway took it."""
    return [taken for taken in stage.journal if taken.to == phone][-1]


def test_where_a_gateway_sends_no_receipts_none_is_missed(stage: Stage) -> None:
    """Silence about delivery means nothing there."""
    stage.dive_in()
    stage.sleep(65)
    stage.turn()

    stage.wait(minutes=4, step=timedelta(minutes=1))

    assert "OVERDUE" not in stage.last_to(DOV)
    stage.text(ANNA, "out 2")


def test_an_idle_sweep_is_one_statement(stage: Stage) -> None:
    """What is not due costs nothing, and that the sweep lives is noted every three seconds."""
    for number in range(3):
        stage.dive_in(plan_of(number))
    stage.turn()
    with counted_statements(stage.engine) as idle:
        stage.sleep(2 / 60)
        sweep(stage.service)
    with counted_statements(stage.engine) as later:
        stage.sleep(1 / 60)
        sweep(stage.service)

    assert len(idle) == 1
    assert any("heartbeats" in one and not one.startswith("SELECT") for one in later)
    assert heartbeat(stage) == stage.clock.at


def test_a_batch_costs_few_statements_however_many_dives_it_has(stage: Stage) -> None:
    """What is asked or written for one is asked or written for all at once."""
    counts = []
    for numbers in (range(2), range(2, 14)):
        inside = [stage.dive_in(plan_of(number)) for number in numbers]
        stage.turn()
        stage.sleep(66)
        with counted_statements(stage.engine) as seen:
            assert sweep(stage.service).decided == len(inside)
        counts.append(len(seen))
        for dive in inside:
            stage.text(dive.lead.phone or "", "out")

    assert max(counts) <= 42


def test_where_it_cannot_be_seen_what_is_due_all_of_it_is_done(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """One table that cannot be read must not keep an alarm."""

    def broken(_: object) -> None:
        raise ZeroDivisionError("no glance")

    dive = stage.dive_in()
    stage.sleep(66)
    monkeypatch.setattr(due, "glance", broken)

    assert sweep(stage.service).decided == 1
    assert stage.dive(dive.id).phase is Phase.ALERT


def test_a_row_that_cannot_be_written_takes_no_other_of_its_batch_with_it(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The batch is then tried one by one, and only the dive at fault gets the plainest alarm."""
    stage = unchecked
    broken, well = stage.dive_in(plan_of(1)), stage.dive_in(plan_of(2))
    whole = dives.save_all

    def save_all(session: Any, saved: Any) -> None:
        if any(one.dive.id == broken.id for one in saved):
            raise IntegrityError("UPDATE dives", {}, Exception("a rule of the database"))
        whole(session, saved)

    monkeypatch.setattr(dives, "save_all", save_all)
    stage.sleep(66)
    stage.turn()

    assert stage.dive(well.id).phase is Phase.ALERT
    assert stage.dive(broken.id) == broken
    assert any("SERVICE FAULT" in body for body in stage.to(broken.contacts[0].phone or ""))
    assert not any("SERVICE FAULT" in body for body in stage.to(well.contacts[0].phone or ""))


def test_a_dive_that_is_due_and_has_nothing_to_do_is_looked_at_once_a_sweep(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """It is said loudly, and keeps no other dive waiting while it is claimed again and again."""
    stage = unchecked
    idle, well = stage.dive_in(plan_of(1)), stage.dive_in(plan_of(2))
    whole, asked = recording.decide, []

    def decide(dive: Dive, command: Any, now: Any) -> Any:
        if dive.id != idle.id:
            return whole(dive, command, now)
        asked.append(command)
        return ()

    monkeypatch.setattr(recording, "decide", decide)
    stage.sleep(66)

    assert sweep(stage.service).decided == 1
    assert (len(asked), caplog.messages.count("due_and_nothing_to_do")) == (1, 1)
    assert stage.dive(well.id).phase is Phase.ALERT


def test_a_row_that_says_due_too_early_is_put_right(stage: Stage) -> None:
    """The moment that the state of the dive has is written again, so that the row is not looked at until then."""
    dive = stage.dive_in()
    moment = select(DiveRow.next_due_at).where(DiveRow.id == dive.id)
    right = stage.service.read(lambda session: session.execute(moment).scalar_one())
    stage.service.write(lambda session: dives.postpone(session, dive.id, stage.clock.at))

    sweep(stage.service)

    assert stage.service.read(lambda session: session.execute(moment).scalar_one()) == right > stage.clock.at
    assert stage.dive(dive.id) == dive


def test_an_event_costs_few_statements_whatever_the_number_of_contacts(stage: Stage) -> None:
    """What holds for all messages of an event is asked once."""
    contacts = [f"+4477009004{number:02}" for number in range(6)]
    with counted_statements(stage.engine) as seen:
        stage.dive_in(plan_of(1, contacts))

    assert sum("receiving_number" in one and "FROM dives" in one and "dive_phones" not in one for one in seen) <= 8
