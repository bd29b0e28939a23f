"""What a transaction that never ends keeps from all: the alarm goes out beside it, and a sweep frees the rest."""

from __future__ import annotations

from datetime import timedelta
from functools import partial

import pytest
from sqlalchemy import Engine

from service.operations import sweeping
from service.operations.inbound import WAITING_AFTER_S
from service.operations.plainest import raise_beside_lock
from service.store.engine import OURS
from service.store.hung import end_hung
from tests.operations.conftest import staged_on
from tests.operations.stage import ANNA, CLEO, DOV, Stage
from tests.operations.test_sweeping import together
from tests.servers.cut_off import cut_off


def test_two_keepers_at_once_tell_of_a_dive_once(stage: Stage) -> None:
    """Neither waits for the dive's lock; the second finds that its contacts are told."""
    dive = stage.dive_in()
    stage.sleep(66)

    together(*[partial(raise_beside_lock, stage.service, dive.id)] * 3)
    stage.courier.carry()

    assert stage.kinds(dive).count("fault") == 1
    for phone in (CLEO, DOV):
        assert len([body for body in stage.to(phone) if "SERVICE FAULT" in body]) == 1
    stage.text(ANNA, "OUT 2")


@pytest.mark.postgres
def test_a_text_that_a_silent_line_has_locked_is_answered(
    postgres_engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was locked for as long as the server ran, and nobody heard the OUT in it."""
    monkeypatch.setattr(sweeping, "end_hung", partial(end_hung, after_s=0.0))
    url = postgres_engine.url.set(drivername="postgresql").render_as_string(hide_password=False)
    with staged_on(postgres_engine) as stage:
        dive = stage.dive_in()
        stage.receive(ANNA, "OUT 2")
        with cut_off(url, "SELECT id FROM inbound_texts FOR UPDATE", application_name=OURS):
            stage.clock.at += 2 * timedelta(seconds=WAITING_AFTER_S)
            stage.turn()
            stage.turn()

        assert not stage.dive(dive.id).live
