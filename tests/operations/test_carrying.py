"""The courier: what goes first, what is tried again and by whom, and what a person gets twice rather than never."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import func, select

from service.domain.dive import Phase
from service.operations.carrying import TAKES_FOR_S, Courier
from service.operations.claiming import ONCE_AT_ONCE
from service.operations.gateway import Blame, Outgoing
from service.store.tables import AttemptRow
from tests.operations.stage import (
    ANNA,
    BRAM,
    CLEO,
    DOV,
    FINN,
    Stage,
    accept,
    break_down,
    lose_the_answer,
    plan_of,
    refuse,
    time_out,
)
from workers.courier import CLAIMS_FOR_S


def alerted(stage: Stage) -> str:
    """A dive whose alert has just been queued, and not carried; gives its id."""
    dive = stage.dive_in()
    stage.wait(minutes=64)
    stage.sleep(1)
    return dive.id


def seconds(count: float) -> timedelta:
    """A length of time."""
    return timedelta(seconds=count)


def test_an_attempt_is_in_the_database_before_the_gateway_is_asked(stage: Stage) -> None:
    """Whatever happens during the call, it is known that there was one."""
    open_attempts: list[int] = []

    def look(text: Outgoing) -> None:
        rows = select(func.count()).where(AttemptRow.message_id == text.reference, AttemptRow.ended_at.is_(None))
        open_attempts.append(stage.service.read(lambda session: session.execute(rows).scalar_one()))

    stage.first.on_ask = look
    stage.file()

    assert open_attempts == [1]
    stage.first.on_ask = None


def test_distress_goes_before_reminders_however_they_were_queued(stage: Stage) -> None:
    """Dives that are reminded and dives in distress fall due together; every alarm is asked for first."""
    early = [stage.dive_in(plan_of(number)) for number in range(3)]
    stage.sleep(40)
    later = [stage.dive_in(plan_of(number)) for number in range(3, 6)]
    before = len(stage.first.asked)
    stage.sleep(40)

    stage.turn()

    kinds = [
        {one.id: one.kind for dive in early + later for one in stage.messages(dive.id)}[text.reference]
        for text in stage.first.asked[before:]
    ]
    assert kinds == sorted(kinds, key=["distress", "alert", "reminder"].index)
    assert {"distress", "reminder"} <= set(kinds)


def test_the_first_contact_of_every_dive_is_told_before_the_second_of_any(stage: Stage) -> None:
    """In a storm everybody's first contact counts more than anybody's second."""
    dives = [stage.dive_in(plan_of(number)) for number in range(20)]
    before = len(stage.first.asked)
    stage.sleep(80)

    stage.turn()

    ranks = {one.id: one.rank for dive in dives for one in stage.messages(dive.id) if one.kind == "distress"}
    order = [ranks[text.reference] for text in stage.first.asked[before:] if text.reference in ranks]
    # Sixteen are on their way at once, so the order is that of claiming, batch by batch.
    assert max(order[:16]) == 0
    assert min(order[-16:]) == 1
    assert len(order) == 40


def test_an_alarm_that_may_have_got_through_goes_again_by_the_other_gateway(stage: Stage) -> None:
    """Twice rather than never: the answer was lost, the text was not."""
    alerted(stage)
    stage.first.numbers[CLEO] = lose_the_answer

    stage.turn()

    taken = [one.gateway for one in stage.journal if one.to == CLEO and "OVERDUE" in one.body]
    assert taken == ["first", "second"]


def test_a_reply_that_may_have_got_through_is_not_sent_again(stage: Stage) -> None:
    """Nobody is confused by an answer that comes twice."""
    dive = stage.dive_in()
    stage.first.numbers[ANNA] = lose_the_answer

    answers = stage.text(ANNA, "status")
    stage.wait(minutes=2, step=seconds(20))

    assert len(answers) == len([body for body in stage.to(ANNA) if "due out 10:50, alarm" in body]) == 1
    assert [one.state for one in stage.messages(dive.id) if one.step.startswith("standing-")] == ["failed"]
    stage.first.numbers.clear()
    stage.text(ANNA, "out 2")


def test_a_number_that_is_refused_brings_the_next_contact_in_the_same_turn(stage: Stage) -> None:
    """A wrong number costs no minute."""
    dive_id = alerted(stage)
    stage.first.numbers[CLEO] = refuse(Blame.NUMBER)

    stage.turn()

    assert "OVERDUE" in stage.last_to(DOV)
    assert "contact-0" in stage.dive(dive_id).unreachable
    assert stage.message(dive_id, "contact-0", "alert").state == "failed"


def test_when_every_contact_is_refused_the_admins_hear_at_once(stage: Stage) -> None:
    """There is nobody left to wait for."""
    alerted(stage)
    stage.first.numbers |= {CLEO: refuse(Blame.NUMBER), DOV: refuse(Blame.OPTED_OUT)}

    stage.turn()

    assert "NO CONTACT CAN BE REACHED BY TEXT" in stage.last_to(FINN)


@pytest.mark.parametrize("blame", [Blame.GATEWAY, Blame.FILTERED, Blame.TRANSIENT, Blame.THROTTLED])
def test_what_one_gateway_refuses_the_other_is_asked_at_once(stage: Stage, blame: Blame) -> None:
    """An alarm does not wait for a gateway that certainly did not take it."""
    alerted(stage)
    stage.first.usually = refuse(blame)

    stage.turn()

    assert "OVERDUE" in stage.last_to(CLEO)
    assert [one.gateway for one in stage.journal][-1] == "second"


def test_a_gateway_that_raises_is_a_gateway_that_fails(stage: Stage) -> None:
    """Its code may break; the alarm goes by the other."""
    alerted(stage)
    stage.first.usually = break_down

    stage.turn()

    assert "OVERDUE" in stage.last_to(CLEO)


def test_with_every_gateway_down_an_alarm_is_tried_until_one_is_back(stage: Stage) -> None:
    """No alarm is given up while its dive is open."""
    dive_id = alerted(stage)
    stage.first.usually = stage.second.usually = refuse(Blame.TRANSIENT)
    stage.turn()
    stage.wait(minutes=3, step=seconds(15))
    assert stage.message(dive_id, "contact-0", "alert").state == "queued"

    stage.first.usually = accept
    stage.wait(seconds(15), step=seconds(5))

    assert "OVERDUE" in stage.last_to(CLEO)


def test_throttling_is_obeyed_but_an_alarm_waits_ten_seconds_at_most(stage: Stage) -> None:
    """A gateway that asks for an hour does not get it from an alarm."""
    alerted(stage)
    stage.first.usually = stage.second.usually = refuse(Blame.THROTTLED, retry_after_s=3600)
    stage.turn()
    stage.first.usually = stage.second.usually = accept

    stage.wait(seconds(9), step=seconds(9))
    assert not any("OVERDUE:" in body for body in stage.to(CLEO))
    stage.wait(seconds(2), step=seconds(2))

    assert "OVERDUE:" in stage.last_to(CLEO)


def test_a_courier_that_dies_before_it_records_is_relieved_when_its_lease_is_over(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The text went out and nobody wrote it down: half a minute later it goes once more, and is written down."""
    dive_id = alerted(stage)
    with monkeypatch.context() as broken:
        broken.setattr(Courier, "_record", lambda *_: (_ for _ in ()).throw(MemoryError("killed here")))
        stage.turn()
    assert stage.message(dive_id, "contact-0", "alert").state == "leased"

    stage.wait(seconds(26), step=seconds(26))
    assert len([body for body in stage.to(CLEO) if "OVERDUE" in body]) == 1
    stage.wait(seconds(2), step=seconds(2))

    assert len([body for body in stage.to(CLEO) if "OVERDUE" in body]) == 2
    assert stage.message(dive_id, "contact-0", "alert").state == "handed"


def test_two_couriers_at_once_send_everything_once(stage: Stage) -> None:
    """A lease is one courier's."""
    stage.dive_in()
    other = Courier(stage.service, [stage.second])
    stage.sleep(41)

    def carry_too(_: Outgoing) -> None:
        other.carry()

    stage.first.on_ask = carry_too
    before = len(stage.journal)

    stage.turn()

    assert sorted(one.to for one in stage.journal[before:]) == [ANNA, BRAM]
    stage.first.on_ask = None
    other.close()


def test_a_courier_that_is_killed_loses_a_handful_of_replies_at_most(quick_stage: Stage) -> None:
    """A reply goes once, so what was in hand then is given up. The rest, and whatever may go twice, is not lost."""
    stage = quick_stage
    stage.dive_in()
    for _ in range(ONCE_AT_ONCE + 4):
        stage.receive_and_answer(ANNA, "status")
    claims = stage.courier._claims

    claimed = claims.claim("all", 100)

    kinds = [parcel.message.kind for parcel in claimed.parcels]
    assert kinds.count("reply") == ONCE_AT_ONCE
    claims.take_back(claimed.parcels)
    stage.courier.carry()
    stage.text(ANNA, "out 2")


def test_what_waits_when_a_dive_closes_is_not_sent(stage: Stage) -> None:
    """Only the stand-down is; what the gateway never took is no longer of use."""
    dive_id = alerted(stage)
    stage.first.usually = stage.second.usually = refuse(Blame.TRANSIENT)
    stage.turn()
    stage.text(ANNA, "out 2")
    stage.first.usually = stage.second.usually = accept

    stage.wait(minutes=2, step=seconds(20))

    assert stage.dive(dive_id).phase is Phase.CLOSED
    assert not any("OVERDUE:" in body for body in stage.to(CLEO))
    assert "It is over" in stage.last_to(CLEO)
    assert "It is over" in stage.last_to(DOV)


def test_the_diver_hears_not_armed_while_no_gateway_takes_a_start_notice(stage: Stage) -> None:
    """Within half a minute, and ARMED as soon as one does."""
    dive = stage.file()
    stage.first.numbers |= {CLEO: time_out, DOV: time_out}
    stage.second.numbers |= {CLEO: refuse(Blame.TRANSIENT), DOV: refuse(Blame.TRANSIENT)}
    stage.text(ANNA, "in")
    assert not any("ARMED. 2 in" in body for body in stage.to(ANNA))

    stage.wait(seconds(31), step=seconds(31))
    assert "NOT ARMED" in stage.last_to(ANNA)
    stage.second.numbers.clear()
    stage.wait(minutes=2, step=seconds(20))

    assert "ARMED. 2 in" in stage.last_to(ANNA)
    assert stage.dive(dive.id).armed_at is not None
    stage.text(ANNA, "out 2")


def test_a_courier_without_a_gateway_is_refused(stage: Stage) -> None:
    """A process that cannot tell anybody anything must not look as if it could."""
    with pytest.raises(ValueError, match="at least one gateway"):
        Courier(stage.service, [])


def test_a_courier_takes_no_more_after_its_time(stage: Stage) -> None:
    """What it has is carried and recorded, the rest stays queued for the next one: none is lost, none goes twice."""
    for number in range(40):
        stage.receive_and_answer(f"+4477009001{number:02}", "info")
    # A second for each text, so that 15 s are over when the first round has gone.
    courier = Courier(stage.service, [stage.first, stage.second], monotonic=lambda: float(len(stage.journal)))

    taken = []
    while not taken or taken[-1]:
        taken.append(courier.carry())
    courier.close()

    assert 0 < taken[0] < 40
    assert taken[1] > 0
    assert sum(taken) == len(stage.journal) == 40
    assert len({text.reference for text in stage.journal}) == 40


def test_the_time_of_a_courier_ends_before_its_task_is_stopped() -> None:
    """Else the task would be broken off while it takes new messages."""
    assert TAKES_FOR_S < CLAIMS_FOR_S
