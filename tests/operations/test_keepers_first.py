"""An alarm that a keeper handed over while the database was gone does not go once more when the database is back."""

from __future__ import annotations

import time
from datetime import timedelta

import pytest
from sqlalchemy.exc import OperationalError

from service.operations.claiming import Claims
from service.operations.clock_mark import KEEPER
from service.operations.health import beat_heart
from service.operations.keepers_first import AWAY_S, WAITS_S
from service.operations.parcels import Parcel
from service.store.outbox import Message
from tests.operations.away import Keeping, gone
from tests.operations.stage import ANNA, BRAM, CLEO, Stage

DOUBTED = timedelta(seconds=30)


def look(keeping: Keeping) -> None:
    """A whole look of a keeper, with its sign of life at the end."""
    keeping.look()
    beat_heart(keeping.stage.service, KEEPER)


def cries(stage: Stage) -> int:
    """How often the first contact got the alarm that waited."""
    return len([body for body in stage.to(CLEO) if "lost Anna" in body])


def of_alarm(stage: Stage, dive_id: str) -> Message:
    """The row of that alarm."""
    return next(one for one in stage.messages(dive_id) if one.person_key == "contact-0" and "lost Anna" in one.body)


def alarm_that_waits(keeping: Keeping) -> str:
    """An alarm that is queued, in the snapshot, and carried by nobody; gives its dive."""
    dive = keeping.stage.dive_in()
    keeping.stage.receive_and_answer(BRAM, "SOS lost Anna")
    look(keeping)
    return dive.id


def test_a_courier_that_is_quicker_than_the_keeper_leaves_it_what_it_may_have_told(keeping_on_both: Keeping) -> None:
    """It goes on with what was queued since, and with all of it once the keeper has been there."""
    stage = keeping_on_both.stage
    dive_id = alarm_that_waits(keeping_on_both)
    with gone(stage.engine):
        with pytest.raises(OperationalError):
            stage.courier.carry()
        keeping_on_both.without(minutes=3)
        assert cries(stage) == 1

    began_s = time.monotonic()
    stage.courier.carry()
    assert time.monotonic() - began_s < WAITS_S / 2  # what is calm does not wait with it
    assert cries(stage) == 1
    stage.text(ANNA, "SOS where is Bram")
    assert "where is Bram" in stage.last_to(CLEO)

    look(keeping_on_both)
    stage.courier.carry()
    assert cries(stage) == 1
    message = of_alarm(stage, dive_id)
    assert (message.state, message.attempts) == ("handed", 1)
    stage.text(ANNA, "OUT")


def test_a_courier_waits_for_no_keeper_that_does_not_come(unchecked: Stage) -> None:
    """The keeper may have gone with its machine: twice is better than never, and 15 s is all that it gets."""
    stage, seconds = unchecked, [0.0]
    stage.dive_in()
    stage.receive_and_answer(BRAM, "SOS lost Anna")
    beat_heart(stage.service, KEEPER)
    stage.clock.at += timedelta(minutes=3)
    claims = Claims(stage.service, [stage.first], "courier-1", lambda: seconds[0])

    assert claims.claim("urgent", 10).parcels == ()
    seconds[0] = WAITS_S - 1
    assert claims.claim("urgent", 10).parcels == ()
    seconds[0] = WAITS_S
    assert claims.claim("urgent", 10).parcels != ()


def test_whether_alarms_can_be_taken_in_hand_is_tried_with_one_that_waits_too(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else what keeps them from being carried would show only once the keeper has been waited for."""
    stage = unchecked
    stage.dive_in()
    stage.receive_and_answer(BRAM, "SOS lost Anna")
    beat_heart(stage.service, KEEPER)
    stage.clock.at += timedelta(minutes=3)
    claims = Claims(stage.service, [stage.first], "courier-1", lambda: 0.0)
    taken: list[Parcel] = []
    monkeypatch.setattr(claims, "take_back", taken.extend)

    assert claims.claim("urgent", 10).parcels == ()
    claims.try_one()

    assert len(taken) == 1


@pytest.mark.parametrize(
    ("silent_s", "held"),
    [(None, False), (AWAY_S, False), (AWAY_S + 1, True), (12 * 3600 - 1, True), (12 * 3600, False)],
)
def test_only_a_keeper_that_may_have_stood_in_is_waited_for(
    unchecked: Stage, silent_s: float | None, *, held: bool
) -> None:
    """None that never was, that was just here, or that has been away for half a day."""
    stage = unchecked
    stage.dive_in()
    if silent_s is not None:
        beat_heart(stage.service, KEEPER)
    stage.receive_and_answer(BRAM, "SOS lost Anna")
    stage.clock.at += timedelta(seconds=silent_s or 60)
    claims = Claims(stage.service, [stage.first], "courier-1", lambda: 0.0)

    assert (claims.claim("urgent", 10).parcels == ()) is held


def test_an_alarm_in_mid_attempt_when_the_database_went_is_handed_once_the_keeper_says_so(
    keeping_on_both: Keeping,
) -> None:
    """Its courier vanished with it, the keeper handed it over: nobody sends it a third time."""
    stage = keeping_on_both.stage
    dive_id = alarm_that_waits(keeping_on_both)
    assert Claims(stage.service, [stage.first], "courier-1").claim("urgent", 10).parcels != ()
    look(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        assert cries(stage) == 1

    look(keeping_on_both)
    stage.clock.at += DOUBTED
    stage.courier.carry()

    assert cries(stage) == 1
    assert of_alarm(stage, dive_id).state == "handed"
    stage.text(ANNA, "OUT")
