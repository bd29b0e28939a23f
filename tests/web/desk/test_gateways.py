"""The gateways at the desk: each with how it stands and why."""

from __future__ import annotations

from flask.testing import FlaskClient

from service.operations import breaking
from service.operations.gateway import Blame, Refused
from tests.web.desk.entering import enter
from tests.web.installation import GATEWAY, Site


def test_a_working_gateway_says_so(client: FlaskClient) -> None:
    """With what it carries, and that nothing tests it where no canary is set."""
    enter(client)

    shown = client.get("/admin/gateways").text

    assert GATEWAY.name in shown
    assert "Working" in shown
    assert "nothing proves that it still delivers" in shown


def test_one_that_cannot_send_says_why(at: Site, client: FlaskClient) -> None:
    """The reason is the gateway's own."""
    wrong = Refused(Blame.GATEWAY, "20003", "account or token is wrong")
    at.service.write(lambda session: breaking.note(at.service, session, GATEWAY.name, wrong, at.clock.now()))
    enter(client)

    shown = client.get("/admin/gateways").text

    assert 'class="message failed"' in shown
    assert "20003" in shown


def test_a_stranger_sees_no_gateway(client: FlaskClient) -> None:
    """They are asked to sign in."""
    assert client.get("/admin/gateways").headers["Location"] == "/admin/sign-in"
