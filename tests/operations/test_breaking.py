"""The circuit breaker of a gateway: when it rests, for how long, who tries it, and who hears of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from service.operations.breaking import (
    REST_MAX_S,
    REST_S,
    TRIAL_S,
    Standing,
    after_outcome,
    apart,
    note,
    pick,
    standing,
    tell_relief,
    willing,
)
from service.operations.carrying import Courier
from service.operations.gateway import Accepted, Blame, Outcome, Refused, Unknown
from service.store import gateways, outbox
from service.store.engine import writing
from service.store.gateways import GatewayState
from tests.operations.stage import (
    ANNA,
    BEGIN_AT,
    CLEO,
    FINN,
    Stage,
    accept,
    counted_statements,
    refuse,
    time_out,
)
from tests.store.test_at_once import all_at_once

NOW = BEGIN_AT
SECOND = timedelta(seconds=1)
FRESH = GatewayState("first")
TAKEN = Accepted("id")
SILENCE = Unknown("no answer within 8 s")


def seconds(count: float) -> timedelta:
    """So long."""
    return timedelta(seconds=count)


def refused(blame: Blame) -> Refused:
    """A refusal with that blame."""
    return Refused(blame, "21606", "HTTP 400: no")


def after(state: GatewayState, *outcomes: Outcome, at: datetime = NOW) -> GatewayState:
    """The state after these outcomes, all at one instant."""
    for outcome in outcomes:
        state = after_outcome(state, outcome, at, SECOND)
    return state


# The table, pure


@pytest.mark.parametrize("fault", [SILENCE, *(refused(blame) for blame in (Blame.TRANSIENT, Blame.THROTTLED))])
def test_three_faults_in_a_row_rest_a_gateway(fault: Outcome) -> None:
    """Two do not."""
    assert standing(after(FRESH, fault, fault), NOW) is Standing.WORKING
    assert standing(after(FRESH, fault, fault, fault), NOW) is Standing.RESTING


def test_a_gateway_that_cannot_send_at_all_rests_at_its_first_fault() -> None:
    """Account, credit, sender: more of the same is of no use, and the reason is kept for whoever looks."""
    state = after(FRESH, refused(Blame.GATEWAY))

    assert standing(state, NOW) is Standing.RESTING
    assert state.reason == "21606: HTTP 400: no"


@pytest.mark.parametrize("blame", [Blame.NUMBER, Blame.OPTED_OUT, Blame.FILTERED, Blame.NO_ROUTE])
def test_what_is_about_a_number_or_a_wording_is_no_fault_of_the_gateway(blame: Blame) -> None:
    """It answered, so that it even forgets the faults before."""
    assert after(FRESH, *[refused(blame)] * 9) == FRESH
    assert after(FRESH, SILENCE, SILENCE, refused(blame), SILENCE, SILENCE).rests_until_at is None


def test_a_success_of_a_gateway_that_works_changes_nothing() -> None:
    """The usual case is to cost nothing."""
    assert after(FRESH, TAKEN) == FRESH


@pytest.mark.parametrize(
    ("trials", "rest_s"), [(0, 10), (1, 20), (2, 40), (3, 80), (4, 160), (5, 300), (6, 300), (60, 300)]
)
def test_rests_grow_with_every_trial_that_fails(trials: int, rest_s: float) -> None:
    """Ten seconds, twice that, and so on to five minutes; since when it is in trouble stays."""
    state, at = after(FRESH, SILENCE, SILENCE, SILENCE), NOW
    for _ in range(trials):
        at = state.rests_until_at or at
        state = after(state, SILENCE, at=at)

    assert state.rests_until_at == at + seconds(rest_s)
    assert state.since_at == NOW


def test_the_rest_ends_at_its_instant_and_the_trial_at_its_own() -> None:
    """One second before and at the boundary."""
    state = after(FRESH, SILENCE, SILENCE, SILENCE)
    end = NOW + seconds(REST_S)
    on_trial = replace(state, trial_until_at=end + seconds(TRIAL_S))

    assert standing(state, end - SECOND) is Standing.RESTING
    assert standing(state, end) is Standing.TRIAL_DUE
    assert standing(on_trial, end) is Standing.ON_TRIAL
    assert standing(on_trial, end + seconds(TRIAL_S) - SECOND) is Standing.ON_TRIAL
    assert standing(on_trial, end + seconds(TRIAL_S)) is Standing.TRIAL_DUE


def test_a_trial_that_succeeds_ends_the_trouble() -> None:
    """Faults before it are forgotten: it takes three to rest it again."""
    rested = after(FRESH, SILENCE, SILENCE, SILENCE)
    later = NOW + seconds(REST_S)

    works = after(replace(rested, trial_until_at=later + seconds(TRIAL_S)), TAKEN, at=later)

    assert works == GatewayState("first", since_at=later)
    assert after(works, SILENCE, SILENCE, at=later).rests_until_at is None


def test_a_fault_by_itself_leaves_no_trace_once_a_message_is_taken() -> None:
    """Nor is it since then that the gateway works: whoever waits to hear that it does waits no longer for it."""
    works = GatewayState("first", since_at=NOW)

    assert after(works, SILENCE, TAKEN, at=NOW + SECOND) == works


def test_where_all_rest_the_one_whose_rest_ends_first_is_asked() -> None:
    """An alarm goes all the same, and it is the likeliest to take it."""
    short, long = (GatewayState("one", rests_until_at=NOW + seconds(rest_s)) for rest_s in (10, 20))

    assert willing(short, NOW, urgent=True) < willing(long, NOW, urgent=True)


def test_what_comes_in_during_a_rest_is_no_news_unless_it_is_a_success() -> None:
    """Sixteen calls that were under way when it began to rest do not make its rest longer."""
    rested = after(FRESH, SILENCE, SILENCE, SILENCE)

    assert after(rested, *[SILENCE] * 13, at=NOW + SECOND) == rested
    assert standing(after(rested, TAKEN, at=NOW + SECOND), NOW + SECOND) is Standing.WORKING


def test_a_rest_is_real_time_whatever_the_pace() -> None:
    """At sixty times the pace ten real seconds are ten minutes of the clock."""
    state = FRESH
    for _ in range(3):
        state = after_outcome(state, SILENCE, NOW, timedelta(minutes=1))

    assert state.rests_until_at == NOW + timedelta(minutes=REST_S)
    assert REST_MAX_S == 300


# Shared by all couriers


def test_a_rest_that_one_courier_learnt_is_kept_by_all(stage: Stage) -> None:
    """Another process does not find out for itself."""
    stage.first.usually = refuse(Blame.GATEWAY)
    stage.file()
    other = Courier(stage.service, [stage.first, stage.second])
    asked = len(stage.first.asked)

    stage.receive_and_answer(ANNA, "info")
    other.carry()
    other.close()

    assert len(stage.first.asked) == asked == 1
    assert len(stage.to(ANNA)) == 2


def test_one_courier_of_many_has_the_trial(stage: Stage) -> None:
    """Half-open: whoever comes second leaves it alone until the trial has ended or its time is over."""
    rest(stage, "first")
    stage.clock.at += seconds(REST_S)

    picked = all_at_once(lambda _: picked_by_one(stage, urgent=False))

    assert sorted(picked) == ["first", "second", "second"]
    stage.clock.at += seconds(TRIAL_S)
    assert picked_by_one(stage, urgent=False) == "first"


def test_faults_that_two_couriers_note_at_once_are_both_counted(stage: Stage) -> None:
    """None is lost to the other's write."""
    all_at_once(lambda _: stage.service.write(lambda s: note(stage.service, s, "first", SILENCE, NOW)), 3)

    assert state_of(stage).faults == 3
    assert standing(state_of(stage), NOW) is Standing.RESTING


def test_what_is_urgent_tries_a_gateway_again_only_where_no_other_works(stage: Stage) -> None:
    """An alarm does not find out at its own cost; where all fail it goes to the one whose rest is over."""
    rest(stage, "first")
    stage.clock.at += seconds(REST_S)

    assert picked_by_one(stage, urgent=True) == "second"
    rest(stage, "second")

    assert picked_by_one(stage, urgent=True) == "first"
    assert standing(state_of(stage), stage.clock.at) is Standing.ON_TRIAL


def test_a_gateway_is_used_at_rest_where_it_is_the_only_one(stage: Stage) -> None:
    """Left alone is better than never only while there is another."""
    rest(stage, "first")

    assert picked_by_one(stage, urgent=True, names=("first",)) == "first"


def test_a_success_writes_nothing(unchecked: Stage) -> None:
    """One plain read, and no lock, for what happens all day."""
    with counted_statements(unchecked.engine) as seen:
        unchecked.service.write(lambda session: note(unchecked.service, session, "first", TAKEN, NOW))

    assert [statement.split()[0] for statement in seen if not statement.startswith(("BEGIN", "PRAGMA"))] == ["SELECT"]


@pytest.mark.parametrize(
    "error",
    [RuntimeError("the table is gone"), OperationalError("a lock", None, Exception("not in time"))],
    ids=["a fault", "a lock"],
)
def test_a_breaker_that_cannot_be_written_does_not_take_the_attempt_with_it(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, error: Exception
) -> None:
    """A text whose record were lost would go out again."""

    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(gateways, "save", fail)
    stage.first.usually = time_out
    dive = stage.file()

    assert "gateway_state_not_noted" in [record.message for record in caplog.records]
    [message] = stage.messages(dive.id)
    [attempt] = stage.service.read(lambda session: outbox.attempts_of(session, message.id))
    assert (attempt.outcome, attempt.gateway) == ("unknown", "first")


def test_a_connection_that_is_lost_takes_all_with_it(stage: Stage) -> None:
    """So that the whole record is written anew: what is left of this one is nothing."""
    lost = OperationalError("lost", None, Exception("connection lost"), connection_invalidated=True)

    def lose() -> None:
        raise lost

    with pytest.raises(OperationalError) as raised, writing(stage.engine) as session:
        apart(session, "first", lose)

    assert raised.value is lost


# Who hears of it


def test_admins_are_told_once_of_a_rest_and_once_that_it_is_over(stage: Stage) -> None:
    """With the reason and what goes on; the second once it has worked for five minutes."""
    stage.first.usually = refuse(Blame.GATEWAY)
    for _ in range(4):
        stage.receive_and_answer(ANNA, "info")
        stage.turn()
        stage.clock.at += seconds(REST_S * 4)

    assert [body.partition(": ")[2] for body in stage.to(FINN)] == [
        "gateway first fails (21000). Messages go by another way or are tried again. Please look."
    ]
    stage.first.usually = accept
    stage.clock.at += seconds(REST_MAX_S)
    tell_relief(stage.service, ["first", "second"])  # who fails for five minutes does not work by that
    stage.receive_and_answer(ANNA, "status")
    stage.turn()
    tell_relief(stage.service, ["first", "second"])
    stage.clock.at += seconds(299)
    tell_relief(stage.service, ["first", "second"])
    stage.turn()
    assert len(stage.to(FINN)) == 1

    stage.clock.at += SECOND
    for _ in range(2):
        tell_relief(stage.service, ["first", "second"])
    stage.turn()

    assert [body.partition(": ")[2] for body in stage.to(FINN)[1:]] == ["gateway first works again."]
    kinds = [entry.kind for entry in stage.entries(chain="service") if entry.kind.startswith("gateway_")]
    assert kinds[0] == "gateway_rests"
    assert kinds[-1] == "gateway_works"


# A whole dive


def test_a_whole_dive_while_its_first_gateway_fails_rests_is_tried_and_works_again(stage: Stage) -> None:
    """Nobody waits for the gateway that fails, nobody is told twice, and it carries again once it can."""
    dive = stage.dive_in()
    stage.first.usually = time_out
    stage.wait(minutes=64)
    assert standing(state_of(stage), stage.clock.at) is not Standing.WORKING
    a_minute_before = stage.clock.at

    stage.wait(seconds(75), step=seconds(15))

    [alert] = [taken for taken in stage.journal if taken.to == CLEO and "OVERDUE" in taken.body]
    assert alert.gateway == "second"
    assert alert.at - a_minute_before == seconds(60)  # at the very moment that it was due
    stage.first.usually = accept
    stage.clock.at += seconds(REST_MAX_S)
    stage.text(ANNA, "status")
    assert stage.journal[-1].gateway == "first"
    assert standing(state_of(stage), stage.clock.at) is Standing.WORKING
    stage.text(ANNA, "out 2")
    assert "It is over" in stage.last_to(CLEO)
    assert dive.id


def rest(stage: Stage, name: str) -> None:
    """Let a gateway rest from now on."""
    outcome = refused(Blame.GATEWAY)
    stage.service.write(lambda session: note(stage.service, session, name, outcome, stage.clock.at))


def state_of(stage: Stage, name: str = "first") -> GatewayState:
    """How a gateway stands."""
    return stage.service.read(lambda session: gateways.states(session, [name])[name])


def picked_by_one(stage: Stage, *, urgent: bool, names: tuple[str, ...] = ("first", "second")) -> str:
    """Which gateway one courier would take."""

    def work(session: Session) -> str:
        return pick(stage.service, session, gateways.states(session, names), names, urgent=urgent)

    return stage.service.write(work)
