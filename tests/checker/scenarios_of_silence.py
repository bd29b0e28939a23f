"""Days on which nobody looks, nothing is delivered, or time is asked for when it is over; as in `scenarios`."""

from __future__ import annotations

from collections.abc import Iterator

from service.operations.sweeping import sweep
from tests.checker.theatre import MINUTE, go, work
from tests.operations.stage import ANNA, CLEO, Stage


def nobody_looks_for_seven_minutes(stage: Stage) -> Iterator[None]:
    """The alert falls due meanwhile, and the turn of the second contact too."""
    stage.dive_in()
    go(stage, 64, 4 * MINUTE)
    stage.sleep(8)
    work(stage)
    yield
    stage.text(ANNA, "out 2")
    go(stage, 2)


def more_time_is_asked_for_late(stage: Stage) -> Iterator[None]:
    """After due out; then when the alarm is due and no sweep has been; and in a second alarm, which nobody answers."""
    dive = stage.dive_in()
    go(stage, 52, 2 * MINUTE)
    stage.text(ANNA, "late 20")
    yield
    go(stage, 32, 2 * MINUTE)
    stage.sleep(2)
    stage.receive_and_answer(ANNA, "late 20")
    stage.courier.carry()
    yield
    work(stage)
    stage.text(CLEO, "OK")
    stage.text(ANNA, "out 2")
    go(stage, 20, 10 * MINUTE)
    yield
    stage.text(ANNA, "SOS")
    stage.text(ANNA, f"late 20 {dive.reference}")
    yield
    go(stage, 62, 2 * MINUTE)
    yield
    stage.text(CLEO, "SAFE 2")
    go(stage, 2)


def nothing_is_delivered(stage: Stage) -> Iterator[None]:
    """The gateways take everything and send no receipts: no contact is waited for longer than two minutes."""
    stage.first.sends_receipts = stage.second.sends_receipts = True
    stage.dive_in()
    go(stage, 64, 4 * MINUTE)
    go(stage, 12)
    yield
    stage.text(ANNA, "out 2")
    go(stage, 4)


def a_carrier_vanishes_with_what_is_late(stage: Stage) -> Iterator[None]:
    """It was handing over an answer, and nobody carries until that is of no use any more."""
    stage.dive_in()
    whole = stage.courier._record
    stage.courier._record = lambda *_: None
    stage.text(ANNA, "what now")
    stage.courier._record = whole
    for _ in range(20):
        stage.sleep(1)
        sweep(stage.service)
    go(stage, 40, 4 * MINUTE)
    yield
    stage.text(ANNA, "out 2")
    go(stage, 2)
