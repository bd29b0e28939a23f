"""A keeper's courier: nothing of a dive that is over goes out after its end, whatever was on its way then."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.gateway import Outcome, Outgoing, Unknown
from service.operations.outage_carrying import OutageCourier
from service.operations.outage_journal import Journal, Told
from service.operations.snapshotting import KeeperFiles
from tests.operations.away import NOT_CONFIRMED, Keeping, alarms, armed, gone
from tests.operations.stage import (
    ANNA,
    BEGIN_AT,
    CLEO,
    HandMovedClock,
    ScriptedGateway,
    Stage,
    accept,
    lose_the_answer,
    time_out,
)

ALARM = Told(
    id="alarm",
    club_id="skerry-bay",
    dive_id="dive",
    person_key="contact-0",
    name="Cleo Marsh",
    phone=CLEO,
    email=None,
    channel=Channel.TEXT,
    language="en",
    kind=int(MessageKind.ALERT),
    rank=0,
    step="outage-1-alert",
    subject=None,
    body="OVERDUE",
    segments=1,
    queued_at=BEGIN_AT,
    due_at=BEGIN_AT,
)


@dataclass
class Slow:
    """A gateway's answer that comes when it is let go, and says nothing."""

    asked: threading.Event = field(default_factory=threading.Event)
    let_go: threading.Event = field(default_factory=threading.Event)

    def __call__(self, _: ScriptedGateway, __: Outgoing) -> Outcome:
        """Wait for that."""
        self.asked.set()
        assert self.let_go.wait(30)
        return Unknown("no answer within 8 s")


def test_an_alarm_that_was_with_a_gateway_when_its_dive_ended_is_not_tried_again(stage: Stage, tmp_path: Path) -> None:
    """Nobody knows whether it got through; its stand-down follows it, and no alarm comes after that."""
    files = KeeperFiles(tmp_path, "s" * 40)
    files.directory.mkdir(parents=True)
    clock, slow = HandMovedClock(), Slow()
    stage.first.usually = slow
    courier = OutageCourier(Journal(files), [stage.first], clock)
    courier.add([ALARM])
    courier.carry(0.2)
    assert slow.asked.wait(30)

    courier.drop("dive")
    slow.let_go.set()
    stage.first.usually = accept
    for _ in range(5):
        courier.carry(0.2)
        clock.at = clock.at.replace(hour=clock.at.hour + 1)
    courier.close()

    assert len(stage.first.asked) == 1


@pytest.mark.parametrize("again", [False, True], ids=["the same keeper", "another one"])
def test_an_alarm_that_nobody_took_before_the_finish_goes_out_no_more(
    unchecked: Stage, tmp_path: Path, *, again: bool
) -> None:
    """The gateways come back after the finish was heard: the alarm is over, also for a keeper that was started anew."""
    stage, keeping = unchecked, Keeping(unchecked, tmp_path)
    armed(keeping)
    stage.first.usually = stage.second.usually = time_out
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=10)
        keeping.spooled(ANNA, "OUT")
        keeping.without(seconds=10)
        if again:
            keeping.start_again()
        stage.first.usually = stage.second.usually = accept
        keeping.without(minutes=10)
        assert alarms(stage, CLEO) == []
        assert NOT_CONFIRMED not in stage.last_to(CLEO)
    keeping.standby.close()


@pytest.mark.parametrize("known", [False, True], ids=["heard by the keeper alone", "in the database before it went"])
def test_a_stand_down_that_no_gateway_took_is_sent_when_the_database_is_back(
    unchecked: Stage, tmp_path: Path, *, known: bool
) -> None:
    """Who may have the alarm is not left with it because the keeper's stand-down got nowhere."""
    stage, keeping = unchecked, Keeping(unchecked, tmp_path)
    armed(keeping)
    if known:
        stage.text(ANNA, "OUT")
    with gone(stage.engine):
        stage.first.usually = stage.second.usually = lose_the_answer
        keeping.without(minutes=2)
        stage.first.usually = stage.second.usually = time_out
        keeping.spooled(ANNA, "OUT")
        keeping.without(seconds=20)
        assert NOT_CONFIRMED in stage.last_to(CLEO)
    stage.first.usually = stage.second.usually = accept
    keeping.look()
    stage.turn()

    assert NOT_CONFIRMED not in stage.last_to(CLEO)
    keeping.standby.close()
