"""What a board says of the service itself, in words that tell what to do."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.operations.gateway import Described
from service.operations.health import beat_heart, how_late, return_canary, send_canary
from service.operations.service import Service
from service.operations.service_state import service_state
from service.operations.sweeping import sweep
from service.store import gateways
from tests.operations.stage import Stage

NAMES = ("shore", "ashore")
NO_CLOCK = "No clock is being looked after: alarms will be late. Watch the times yourself."
NO_ANSWER = "The workers do not answer; the standby does their work."


def described() -> list[Described]:
    """Two gateways."""
    return [Described(name, "form-post", frozenset(), sends_receipts=True, has_canary=False) for name in NAMES]


def rest(service: Service, name: str, *, suspect: bool = False) -> None:
    """A gateway that has failed, or takes messages of which none arrives."""
    now = service.clock.now()
    later = None if suspect else now + timedelta(minutes=5)
    state = gateways.GatewayState(name, 3, "500", now, rests_until_at=later, suspect_at=now if suspect else None)

    def work(session: Session) -> None:
        gateways.lock(session, name)
        gateways.save(session, state)

    service.write(work)


def test_a_service_that_works_has_nothing_to_say(quick_stage: Stage) -> None:
    """But how long ago all clocks were looked after."""
    beat_heart(quick_stage.service, "sweep")
    quick_stage.sleep(3 / 60)

    state = service_state(quick_stage.service, described())

    assert (state.sweep_age_s, state.faults) == (3, ())


@pytest.mark.parametrize(("seconds", "faults"), [(20, ()), (21, (NO_CLOCK,))])
def test_clocks_that_nobody_looks_after_are_said(quick_stage: Stage, seconds: int, faults: tuple[str, ...]) -> None:
    """Past twenty seconds: the standby takes over after ten, so that it is dead too."""
    beat_heart(quick_stage.service, "sweep")
    quick_stage.sleep(seconds / 60)

    assert service_state(quick_stage.service, []).faults == faults


def test_no_sweep_ever_is_no_better(quick_stage: Stage) -> None:
    """A service that was never started."""
    state = service_state(quick_stage.service, [])

    assert (state.sweep_age_s, state.faults) == (None, (NO_CLOCK,))


def test_a_mail_server_is_no_other_gateway_for_texts(quick_stage: Stage) -> None:
    """Where nothing carries texts no alarm goes out, however well e-mails do."""
    text, mail = frozenset({Channel.TEXT}), frozenset({Channel.EMAIL})
    both = [replace(one, channels=ways) for one, ways in zip(described(), (text, mail), strict=True)]
    beat_heart(quick_stage.service, "sweep")
    rest(quick_stage.service, "shore")

    words = "No gateway for texts works just now: alarms may not go out. Phone the contacts yourself."
    assert service_state(quick_stage.service, both).faults == (words,)
    assert service_state(quick_stage.service, described()).faults == ("Gateway shore rests; others work.",)


@pytest.mark.parametrize("ever", [True, False], ids=["they worked once", "they never did"])
def test_workers_that_are_dead_for_days_are_still_said(quick_stage: Stage, *, ever: bool) -> None:
    """A canary that came home is forgotten after a day; the board must not say that all is well because of it."""
    service = quick_stage.service
    first = send_canary(service)
    if ever:
        return_canary(service, first)
    for _ in range(50):
        quick_stage.sleep(60)
        send_canary(service)
    beat_heart(service, "sweep")

    assert service_state(service, []).faults == (NO_ANSWER,)
    assert (how_late(service).canary_age_s or 0) >= 3600


@pytest.mark.parametrize(("seconds", "faults"), [(60, ()), (61, (NO_ANSWER,))])
def test_workers_that_do_not_answer_are_said(quick_stage: Stage, seconds: int, faults: tuple[str, ...]) -> None:
    """A canary that has not come home through broker and worker."""
    return_canary(quick_stage.service, send_canary(quick_stage.service))
    quick_stage.sleep(seconds / 60)
    beat_heart(quick_stage.service, "sweep")

    assert service_state(quick_stage.service, []).faults == faults


def test_alarms_that_wait_are_said(quick_stage: Stage) -> None:
    """Whatever keeps them: somebody should phone."""
    quick_stage.dive_in()
    quick_stage.sleep(66)
    sweep(quick_stage.service)
    quick_stage.sleep(31 / 60)
    beat_heart(quick_stage.service, "sweep")

    assert (
        "Alarm messages wait to be sent: phone the contacts yourself." in service_state(quick_stage.service, []).faults
    )


def test_a_gateway_that_rests_is_named_and_none_at_all_is_an_alarm(quick_stage: Stage) -> None:
    """One of two is a remark; when both rest somebody has to phone."""
    beat_heart(quick_stage.service, "sweep")

    rest(quick_stage.service, "ashore", suspect=True)
    assert service_state(quick_stage.service, described()).faults == ("Gateway ashore is doubted; others work.",)
    rest(quick_stage.service, "ashore")
    assert service_state(quick_stage.service, described()).faults == ("Gateway ashore rests; others work.",)
    rest(quick_stage.service, "shore")
    assert service_state(quick_stage.service, described()).faults == (
        "No gateway works just now: messages may not go out. Phone the contacts yourself.",
    )
