"""Figures of the gateways, also of those that were never used."""

from __future__ import annotations

from flask.testing import FlaskClient

from service.operations.breaking import Standing, note
from service.operations.gateway import Blame, Refused
from service.operations.unknown_codes import note_unrecognised
from tests.web.installation import GATEWAY, Site
from tests.web.test_health import figures


def test_a_gateway_stands_in_one_state(at: Site, client: FlaskClient) -> None:
    """Working, until it rests; each state has its figure, so that a graph has no holes."""
    name = GATEWAY.name
    assert [found for found in Standing if figures(client)["linetender_gateway_state", f"{name},{found}"]] == [
        Standing.WORKING
    ]
    outcome = Refused(Blame.GATEWAY, "20003", "HTTP 401: no")
    at.service.write(lambda session: note(at.service, session, name, outcome, at.clock.now()))

    seen = figures(client)

    assert [found for found in Standing if seen["linetender_gateway_state", f"{name},{found}"]] == [Standing.RESTING]
    assert seen["linetender_gateway_changes", "rests"] == 1
    assert seen["linetender_gateway_changes", "works"] == 0
    assert seen["linetender_gateway_attempts", f"{name},accepted"] == 0
    assert ("linetender_gateway_test_ok", name) not in seen


def test_codes_in_no_table_are_counted_for_a_day(at: Site, client: FlaskClient) -> None:
    """Each once, however often it came."""
    for code in ("39999", "39999", "38888"):
        at.service.write(
            lambda session, code=code: note_unrecognised(
                at.service, session, GATEWAY.name, code, "answer", at.clock.now()
            )
        )

    assert figures(client)["linetender_unknown_codes", ""] == 2
    at.clock.forward(24 * 60)
    assert figures(client)["linetender_unknown_codes", ""] == 0
