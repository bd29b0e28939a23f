"""The daily canary dive: the whole way from text to stand-down, each leg that fails, and who hears of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from service.operations import canary_dive, inbound
from service.operations.canary_dive import look_after_canary_dives, set_number
from service.operations.canary_dive_health import CanaryDive, Leg, canary_dives, seconds_of, tell_of_canary_dives
from service.operations.filing import PlanFiled, file_plan
from service.operations.gateway import Blame, ReceiptState
from service.operations.intake import Intake
from service.operations.plan_reading import NamedPhone
from service.operations.sweeping import sweep
from service.store import opt_outs, reaches
from tests.operations.stage import (
    ANNA,
    BY_ANNA,
    CLEO,
    CLUB,
    FINN,
    OURS,
    Stage,
    Taken,
    break_down,
    counted_statements,
    plan,
    refuse,
    time_out,
)
from tests.store.test_at_once import all_at_once

CANARY = "+447700900888"
STEP = timedelta(seconds=30)
FAILED = "the daily canary dive of skerry-bay failed: "


@pytest.fixture
def quick(quick_stage: Stage) -> Stage:
    """A club that has a phone for it, on SQLite."""
    give_number(quick_stage, CANARY)
    return quick_stage


@pytest.fixture
def on_both(stage: Stage) -> Stage:
    """The same, once on SQLite and once on PostgreSQL."""
    give_number(stage, CANARY)
    return stage


def give_number(stage: Stage, number: str | None) -> None:
    """As the command line does."""
    stage.service.write(lambda session: set_number(stage.service, session, CLUB, number))


def look(stage: Stage) -> None:
    """Once, as beat does every ten seconds."""
    look_after_canary_dives(stage.service, Intake(stage.service, None))


def go_on(stage: Stage, minutes: float) -> None:
    """Let time pass: a sweep, a look and a courier at each step."""
    end = stage.clock.at + timedelta(minutes=minutes)
    while stage.clock.at < end:
        sweep(stage.service)
        look(stage)
        stage.courier.carry()
        stage.clock.at += STEP


def known(stage: Stage) -> CanaryDive:
    """How the club's last one is known."""
    [found] = canary_dives(stage.service)
    return found


def to_admin(stage: Stage) -> list[str]:
    """What the admin was told of canary dives, without the club's name; a gateway that fails is told beside it."""
    told = [body.partition(": ")[2] for body in stage.to(FINN)]
    return [words for words in told if not words.startswith("gateway ")]


def in_log(stage: Stage) -> list[str]:
    """What the log of the service says of canary dives."""
    return [entry.kind for entry in stage.entries(chain="service") if entry.kind.startswith("canary_dive")]


def test_the_whole_way_goes_from_text_to_stand_down(on_both: Stage) -> None:
    """Filed, started, armed, due, alerted, answered, ended, stood down; every text begins with EXERCISE."""
    go_on(on_both, 14)

    [dive] = on_both.all_dives()
    assert (dive.drill, dive.phase, dive.outcome) == (True, "closed", "surfaced")
    kinds = [kind.removeprefix("event:") for kind in on_both.kinds(dive) if kind.startswith("event:")]
    assert [kind for kind in kinds if kind not in ("person_reachable", "step_taken")] == [
        *("filed", "started", "armed", "acknowledged", "closed")
    ]
    assert all(body.startswith("EXERCISE. ") for body in on_both.to(CANARY))
    assert len(on_both.to(CANARY)) == 8  # the answer to OK is overtaken by the end
    assert {taken.to for taken in on_both.journal} == {CANARY}
    found = known(on_both)
    assert (found.fault, found.done) == (None, True)
    assert seconds_of(found, on_both.clock.at).keys() == set(Leg)
    assert max(seconds_of(found, on_both.clock.at).values()) <= 30
    assert in_log(on_both) == ["canary_dive_done"]


def test_there_is_one_a_day_from_nine_in_the_clubs_morning(quick: Stage) -> None:
    """However often it is looked; the next comes on the next morning, with codes of its own."""
    go_on(quick, 15)
    quick.clock.at = datetime(2027, 6, 2, 7, 59, 30, tzinfo=UTC)
    look(quick)
    assert len(quick.all_dives()) == 1

    quick.clock.at += STEP
    look(quick)

    assert [dive.filed_at.day for dive in quick.all_dives()] == [1, 2]


def test_without_a_number_there_is_none(quick: Stage) -> None:
    """And nothing is said to be wrong."""
    give_number(quick, None)

    go_on(quick, 1)

    assert quick.all_dives() == []
    assert canary_dives(quick.service) == []


def test_two_that_look_at_once_make_one_dive_and_one_start(on_both: Stage) -> None:
    """Filed once by its request key, started once by the id of its text."""
    all_at_once(lambda _: look(on_both))

    [dive] = on_both.all_dives()
    assert dive.started_at is not None
    assert on_both.kinds(dive).count("event:started") == 1


def test_the_next_look_goes_on_where_a_process_died(on_both: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Died after filing, then after its start text was kept: the state says what is next, and nothing comes twice."""
    with monkeypatch.context() as died:
        died.setattr(canary_dive, "_go_on", lambda *_: None)
        look(on_both)
        assert on_both.all_dives()[0].started_at is None
    with monkeypatch.context() as died:
        died.setattr(canary_dive, "answer_quietly", lambda *_: None)
        look(on_both)
        assert on_both.all_dives()[0].started_at is None
    on_both.clock.at += STEP

    go_on(on_both, 14)

    assert len(on_both.all_dives()) == 1
    assert (known(on_both).fault, known(on_both).done) == (None, True)


def test_a_start_text_that_nobody_reads_is_told(quick: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """At sixty seconds, once, beside the text that was put aside; the dive is ended by a text that is read again."""

    def fails(*_: object) -> None:
        raise RuntimeError("the reading is broken")

    with monkeypatch.context() as broken:
        broken.setattr(inbound, "_answer_once", fails)
        go_on(quick, 1)
        assert to_admin(quick) == []
        go_on(quick, 3)
    go_on(quick, 20)

    put_aside = f"Linetender fault: our code failed on a text from {CANARY}, it changed nothing. Please phone them."
    told = f"{FAILED}its start by text was not answered within 60 s. Please look before an alarm needs it."
    assert sorted(to_admin(quick)) == [put_aside, told]
    assert quick.all_dives()[0].phase == "closed"
    assert in_log(quick) == ["canary_dive_failed"]


def test_a_start_notice_that_is_not_handed_over_is_told(quick: Stage) -> None:
    """The dive is not armed; admins hear it within ninety seconds of its being late, through what works again."""
    quick.first.numbers[CANARY] = quick.second.numbers[CANARY] = time_out
    go_on(quick, 2.5)

    assert to_admin(quick) == [
        f"{FAILED}its start notice was not handed over within 60 s. Please look before an alarm needs it."
    ]
    assert known(quick).leg is Leg.ARMING
    go_on(quick, 20)
    assert len(to_admin(quick)) == 1


@pytest.mark.parametrize("behaviour", [time_out, break_down, refuse(Blame.NUMBER)], ids=["lost", "broken", "refused"])
def test_an_alert_that_is_not_handed_over_is_told_and_the_dive_ends(
    quick: Stage, behaviour: Callable[..., object]
) -> None:
    """And no admin is handed up to, since nobody is missing."""
    go_on(quick, 10)
    quick.first.numbers[CANARY] = quick.second.numbers[CANARY] = behaviour  # type: ignore[assignment]
    go_on(quick, 2.5)

    assert to_admin(quick) == [
        f"{FAILED}its alert was not handed over within 60 s. Please look before an alarm needs it."
    ]
    go_on(quick, 10)
    [dive] = quick.all_dives()
    assert (dive.phase, dive.alarm_at is not None) == ("closed", True)
    assert "hand_up" not in dive.steps
    assert len(to_admin(quick)) == 1


def test_a_clock_that_does_not_sweep_is_told(quick: Stage) -> None:
    """Its alert is never due for anybody; the keeper tells it too, where those who look are gone."""
    go_on(quick, 10)
    quick.clock.at += timedelta(seconds=80)

    tell_of_canary_dives(quick.service)
    quick.courier.carry()

    assert to_admin(quick)[0].startswith(f"{FAILED}its alert was not handed over")
    go_on(quick, 5)


def test_a_stand_down_that_is_not_handed_over_is_told(quick: Stage) -> None:
    """All was well until the end."""
    go_on(quick, 10.5)
    assert quick.all_dives()[0].phase == "alert"
    quick.first.numbers[CANARY] = quick.second.numbers[CANARY] = time_out

    go_on(quick, 1.5)

    assert to_admin(quick) == [
        f"{FAILED}its stand-down was not handed over within 60 s. Please look before an alarm needs it."
    ]


def test_a_number_that_opted_out_is_told_once_a_day(quick: Stage) -> None:
    """Nothing goes to it, and why is said."""
    quick.service.write(lambda session: opt_outs.opt_out(session, OURS, CANARY, quick.clock.at))

    go_on(quick, 2)

    [told] = to_admin(quick)
    assert told.startswith(f"{FAILED}it could not be filed: ")
    assert "opted out" in told
    assert quick.all_dives() == []
    quick.clock.at += timedelta(days=1)
    go_on(quick, 1)
    assert len(to_admin(quick)) == 2


def test_a_number_that_opts_out_in_the_middle_is_told(quick: Stage) -> None:
    """By a text of its owner: its alert cannot go out any more."""
    go_on(quick, 1)
    quick.text(CANARY, "STOP")

    go_on(quick, 14)

    assert to_admin(quick)[0].startswith(f"{FAILED}its alert was not handed over")


@pytest.mark.parametrize(("hours", "told"), [(25.9, False), (26, True)])
def test_none_for_twenty_six_hours_is_told(on_both: Stage, hours: float, *, told: bool) -> None:
    """By whoever looks, the keeper for one, since nobody looks after them; at the boundary."""
    on_both.clock.at += timedelta(hours=hours)

    for _ in range(3):
        tell_of_canary_dives(on_both.service)
    on_both.courier.carry()

    words = f"{FAILED}none was started for 26 h. Please look before an alarm needs it."
    assert to_admin(on_both) == ([words] if told else [])


def test_what_was_told_costs_no_more_than_a_look_at_the_marks(quick: Stage) -> None:
    """Beat looks every ten seconds and each keeper every thirty, at every club: of a day that is over two reads."""
    go_on(quick, 14)

    with counted_statements(quick.engine) as told:
        tell_of_canary_dives(quick.service)
    with counted_statements(quick.engine) as looked:
        look(quick)

    assert len(told) == 2
    assert len(looked) == 2 + 1 + 2  # and whether the last dive is still open


def test_one_left_over_from_yesterday_is_closed_before_todays(quick: Stage) -> None:
    """Nobody looked after it for a day."""
    look(quick)
    quick.courier.carry()
    quick.clock.at += timedelta(days=1)

    look(quick)
    look(quick)

    assert [dive.phase for dive in quick.all_dives()] == ["closed", "in_water"]
    go_on(quick, 14)
    assert known(quick).done


def test_one_under_way_is_ended_when_the_number_is_taken_away(quick: Stage) -> None:
    """It goes its way to the end, and no other follows."""
    look(quick)
    give_number(quick, None)

    go_on(quick, 14)
    quick.clock.at += timedelta(days=1)
    go_on(quick, 1)

    assert [dive.phase for dive in quick.all_dives()] == ["closed"]


def test_a_real_alarm_goes_before_that_of_a_canary_dive(quick: Stage) -> None:
    """Also where the canary's was due first, and by a sender that takes one at a time."""
    real = quick.dive_in(plan(run_time_min=5, grace_min=5))
    quick.clock.at -= STEP
    look(quick)
    quick.courier.carry()
    canary = next(dive for dive in quick.all_dives() if dive.drill)
    assert canary.raise_by_at is not None
    assert real.raise_by_at is not None
    assert canary.raise_by_at < real.raise_by_at
    quick.clock.at = real.raise_by_at
    before = len(quick.journal)

    quick.turn()

    alerts = [taken.to for taken in quick.journal[before:] if "OVERDUE" in taken.body]
    assert alerts.index(CLEO) < alerts.index(CANARY)
    quick.text(ANNA, "OUT 2")
    go_on(quick, 2)


def test_a_real_plan_is_still_refused_whose_only_contact_goes_in(quick: Stage) -> None:
    """Only a drill may have one phone for both."""
    one = plan(party=(), contacts=(NamedPhone("Anna Holt", ANNA),))

    assert not isinstance(file_plan(quick.service, CLUB, one, BY_ANNA), PlanFiled)


def test_a_club_without_a_site_is_told(quick: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """A dive needs a place."""
    monkeypatch.setattr(canary_dive.sites, "listing", lambda *_: [])

    go_on(quick, 1)

    assert known(quick).fault == "it could not be filed: the club has no site yet"
    assert quick.all_dives() == []


def test_an_admins_answer_to_a_real_alarm_is_not_asked_about(quick: Stage) -> None:
    """Both alarms are up: the hand-up of the real one went to the admin, and the canary's to nobody."""
    real = quick.dive_in(plan(run_time_min=5, grace_min=5))
    quick.text(ANNA, "SOS")
    quick.wait(minutes=65)
    look(quick)
    quick.courier.carry()
    canary = next(dive for dive in quick.all_dives() if dive.drill)
    assert canary.raise_by_at is not None
    quick.clock.at = canary.raise_by_at
    quick.turn()
    assert quick.dive(canary.id).phase == "alert"

    quick.text(FINN, "OK")

    assert [told.key.partition("-")[0] for told in quick.dive(real.id).acknowledged] == ["admin"]
    quick.text(ANNA, "OUT 2")
    go_on(quick, 2)


def test_texts_that_we_put_in_prove_no_phone(quick: Stage) -> None:
    """The club's phone is a contact's too, and is dead: nobody may rely on it for what we said in its name."""
    lost = refuse(Blame.NUMBER)
    quick.first.numbers[CANARY] = quick.second.numbers[CANARY] = lost
    real = quick.dive_in(plan(contacts=(NamedPhone("Club phone", CANARY), NamedPhone("Cleo Marsh", CLEO))))
    assert quick.dive(real.id).unreachable == ("contact-0",)

    go_on(quick, 14)

    [canary] = [dive for dive in quick.all_dives() if dive.drill]
    assert canary.started_at is not None, "its texts were read"
    assert quick.dive(real.id).unreachable == ("contact-0",)
    reach = quick.service.read(lambda session: reaches.find(session, CLUB, [CANARY]))[CANARY]
    assert (reach.reached_at, reach.answered_at) == (None, None)
    quick.text(CANARY, "hello")
    assert quick.dive(real.id).unreachable == ()
    quick.text(ANNA, "OUT 2")


@pytest.mark.parametrize("after_looks", [0, 1, 3])
def test_texts_that_are_taken_and_do_not_arrive_are_told(quick: Stage, after_looks: int) -> None:
    """A gateway that takes all and delivers nothing takes an alarm too: by the receipts, whenever they come."""
    waiting: list[tuple[datetime, Taken]] = []
    seen = 0
    end = quick.clock.at + timedelta(minutes=20)
    while quick.clock.at < end:
        sweep(quick.service)
        look(quick)
        quick.courier.carry()
        new, seen = quick.journal[seen:], len(quick.journal)
        waiting += [(quick.clock.at + after_looks * STEP, one) for one in new if one.to == CANARY]
        for at, one in [pair for pair in waiting if pair[0] <= quick.clock.at]:
            quick.receipt(one, ReceiptState.FAILED, code="30003")
            waiting.remove((at, one))
        quick.clock.at += STEP

    words = "its start notice did not reach the phone. Please look before an alarm needs it."
    assert to_admin(quick) == [f"{FAILED}{words}"]
    assert in_log(quick) == ["canary_dive_failed"]
    assert known(quick).leg is Leg.ARMING


def test_an_alert_that_arrives_at_its_second_try_is_no_fault(quick: Stage) -> None:
    """It went once more by another gateway, as a real one would."""
    go_on(quick, 10.5)
    [alert] = [
        one for one in quick.journal if "Reply OK" in one.body and "EXERCISE. Skerry Bay Divers: OVERDUE:" in one.body
    ]
    quick.receipt(alert, ReceiptState.FAILED, code="30003")
    go_on(quick, 5)

    assert quick.all_dives()[0].phase == "closed"
    assert [one.to for one in quick.journal if one.reference == alert.reference] == [CANARY, CANARY]
    assert (known(quick).fault, known(quick).done) == (None, True)
