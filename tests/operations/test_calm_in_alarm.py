"""What would calm a contact is given up while their dive is in alarm, wherever it was when that began."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from service.domain.dive import Phase
from service.operations.carrying import Courier
from service.operations.gateway import Blame, Outcome, Outgoing
from service.operations.parcels import Parcel
from service.operations.settling import Heard
from service.operations.sweeping import sweep
from service.store.outbox import Message
from tests.operations.away import Keeping, alarms, armed, gone
from tests.operations.stage import (
    ANNA,
    CLEO,
    DOV,
    ScriptedGateway,
    Stage,
    accept,
    lose_the_answer,
    refuse,
    time_out,
)
from tests.operations.test_handing_over import on_the_pile

SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)
NOTICE, LATER = "start_notice", "extension-1"


def about_to_fall_due(stage: Stage) -> str:
    """A dive five seconds before its raise-by time, whose lead has just asked for more time; its id."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.wait(dive.raise_by_at - 5 * SECOND - stage.clock.at)
    stage.receive_and_answer(ANNA, "LATE 20")
    return dive.id


def just_started(stage: Stage) -> str:
    """A dive whose start notices wait for the courier; its id."""
    dive = stage.file()
    stage.receive_and_answer(ANNA, f"IN {dive.start_code}")
    return dive.id


def falls_due(stage: Stage) -> None:
    """The raise-by time comes, and the first contact is alerted."""
    stage.clock.at += 7 * SECOND
    sweep(stage.service)


def calls_for_help(stage: Stage) -> None:
    """The lead calls for help."""
    stage.receive_and_answer(ANNA, "SOS")


WAYS_IN = pytest.mark.parametrize(
    ("begin", "step", "alarm"),
    [(about_to_fall_due, LATER, falls_due), (just_started, NOTICE, calls_for_help)],
    ids=["a later raise-by time", "a start notice"],
)
Begin, Alarm = Callable[[Stage], str], Callable[[Stage], None]


def notice(stage: Stage, dive_id: str, step: str) -> Message:
    """The notice of that step to the first contact."""
    [found] = [one for one in stage.messages(dive_id) if (one.step, one.person_key) == (step, "contact-0")]
    return found


def calming(stage: Stage, phone: str) -> list[str]:
    """What gateways took for a phone and would calm there."""
    return [body for body in stage.to(phone) if "Not heard by" in body]


@WAYS_IN
@pytest.mark.parametrize("ends", [time_out, lose_the_answer])
def test_a_notice_in_a_call_when_the_alarm_is_raised_is_not_tried_again(
    stage: Stage, begin: Begin, step: str, alarm: Alarm, ends: Callable[[ScriptedGateway, Outgoing], Outcome]
) -> None:
    """Nobody knows what came of the call; whoever has the alarm must not be told after it to wait for longer."""
    dive_id = begin(stage)
    before = len(calming(stage, CLEO))

    def alarmed_meanwhile(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        gateway.numbers.clear()
        alarm(stage)
        return ends(gateway, text)

    stage.first.numbers[CLEO] = alarmed_meanwhile
    stage.courier.carry()
    stage.wait(timedelta(minutes=2), step=5 * SECOND)

    assert stage.dive(dive_id).phase is Phase.ALERT
    assert len(calming(stage, CLEO)) - before == (ends is lose_the_answer)
    assert notice(stage, dive_id, step).failed_reason == "its dive has moved on"
    assert "ALARM" in stage.last_to(CLEO) or "OVERDUE" in stage.last_to(CLEO)
    stage.text(ANNA, "out 2")


@WAYS_IN
def test_a_notice_whose_carrier_was_killed_is_not_taken_up_in_an_alarm(
    stage: Stage, begin: Begin, step: str, alarm: Alarm, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its lease runs out after the alarm was raised."""
    dive_id = begin(stage)
    whole = Courier._record

    def killed(self: Courier, parcel: Parcel, heard: Heard) -> None:
        if parcel.message.step != step:
            whole(self, parcel, heard)

    stage.first.numbers[CLEO] = stage.first.numbers[DOV] = time_out
    with monkeypatch.context() as broken:
        broken.setattr(Courier, "_record", killed)
        stage.courier.carry()
    stage.first.numbers.clear()
    alarm(stage)
    before = len(calming(stage, CLEO))

    stage.wait(timedelta(minutes=2), step=5 * SECOND)

    assert len(calming(stage, CLEO)) == before
    assert notice(stage, dive_id, step).state == "failed"
    stage.text(ANNA, "out 2")


@WAYS_IN
def test_a_notice_that_has_not_left_is_not_put_back_in_an_alarm(
    stage: Stage, begin: Begin, step: str, alarm: Alarm
) -> None:
    """It lay with a courier whose gateway hangs when the alarm was raised, and was given back afterwards."""
    dive_id = begin(stage)
    before = len(calming(stage, CLEO))
    claims, claimed = on_the_pile(stage)
    assert step in {parcel.message.step for parcel in claimed.parcels}
    alarm(stage)

    claims.take_back(claimed.parcels)
    stage.courier.carry()

    assert len(calming(stage, CLEO)) == before
    assert notice(stage, dive_id, step).state == "expired"
    stage.text(ANNA, "out 2")


def test_a_notice_is_tried_again_while_there_is_no_alarm(stage: Stage) -> None:
    """The paper practice rests on it."""
    dive_id = just_started(stage)
    stage.first.numbers[CLEO] = time_out
    stage.courier.carry()
    stage.wait(timedelta(minutes=1), step=5 * SECOND)

    assert len(calming(stage, CLEO)) == 1
    assert notice(stage, dive_id, NOTICE).state == "handed"
    stage.text(ANNA, "out 2")


def test_a_notice_that_waits_when_the_database_goes_is_not_sent_after_the_keepers_alarm(
    unchecked: Stage, tmp_path: Path
) -> None:
    """A keeper carries alarms and their end alone; and the database, once it is back, knows of the alarm first."""
    stage, keeping = unchecked, Keeping(unchecked, tmp_path)
    dive = armed(keeping, before=2 * MINUTE)
    stage.first.usually = stage.second.usually = refuse(Blame.TRANSIENT)
    stage.text(ANNA, "LATE 20")
    keeping.look()
    stage.first.usually = stage.second.usually = accept
    before = len(calming(stage, CLEO))
    with gone(stage.engine):
        keeping.without(minutes=4)
        assert len(alarms(stage, CLEO)) == 1
    keeping.look()
    stage.wait(2 * MINUTE, step=5 * SECOND)

    assert len(calming(stage, CLEO)) == before
    assert notice(stage, dive.id, LATER).state == "expired"
    stage.text(ANNA, "out 2")
    keeping.standby.close()
