"""Figures of the daily canary dives, and that drills are in no figure of real dives."""

from __future__ import annotations

from flask.testing import FlaskClient
from sqlalchemy import update

from service.operations.canary_dive import look_after_canary_dives, set_number
from service.operations.intake import Intake
from service.store.tables import MessageRow
from tests.web.installation import Site
from tests.web.test_health import figures

CANARY = "+447700900888"


def test_a_canary_dive_has_its_figures_and_is_no_real_dive(at: Site, client: FlaskClient) -> None:
    """Its age, whether it is well, and each leg; the real ones do not change."""
    before = figures(client)
    assert not [name for name, _ in before if name.startswith("linetender_canary_dive")]

    at.service.write(lambda session: set_number(at.service, session, at.club_id, CANARY))
    look_after_canary_dives(at.service, Intake(at.service, None))
    handed = update(MessageRow).values(handed_at=at.clock.now())
    at.service.write(lambda session: session.execute(handed))
    at.clock.forward(1)

    after = figures(client)
    assert after["linetender_canary_dive_age_seconds", at.club_id] == 60
    assert after["linetender_canary_dive_lateness_seconds", f"{at.club_id},start_text"] == 0
    assert after["linetender_canary_dive_lateness_seconds", f"{at.club_id},arming"] == 60
    assert after["linetender_canary_dive_ok", at.club_id] == 0
    real = [key for key in before if key[0] == "linetender_dives"]
    assert {key: after[key] for key in real} == {key: before[key] for key in real}
    assert [key for key in after if key[0] == "linetender_lateness_seconds_count"] == [
        key for key in before if key[0] == "linetender_lateness_seconds_count"
    ]


def test_before_the_first_nothing_is_known_to_be_well(at: Site, client: FlaskClient) -> None:
    """So that an alert on the absence of the figure works."""
    at.service.write(lambda session: set_number(at.service, session, at.club_id, CANARY))

    assert not [name for name, _ in figures(client) if name.startswith("linetender_canary_dive")]
