"""What is posted to an address of no gateway counts where one of ours has signed it."""

from __future__ import annotations

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from service.domain.dive import Phase
from service.gateways.settings import GatewayConfig
from service.gateways.smtp import Security, SmtpConfig
from service.operations.service import Service
from service.store.tables import ReceiptRow
from service.web import create_app
from service.web.inbound import WRONG_ADDRESS
from tests.web.installation import GATEWAY, PUBLIC_URL, Site, StillClock, seed, settings_for
from tests.web.test_inbound import fields, post, table, texts
from tests.web.test_inbound_json import HOME
from tests.web.test_inbound_json import post as post_json
from tests.web.test_inbound_json import text as json_text

MAIL = SmtpConfig(name="mail", host="127.0.0.1", port=9, security=Security.NONE, sender="alerts@dives.example.org")


@pytest.fixture
def at(engine: Engine, clock: StillClock) -> Site:
    """The installation with a mail server, a home-made gateway and another one."""
    service = Service(engine, clock, PUBLIC_URL, "web-test")
    seed(service, clock.now())
    gateways: tuple[GatewayConfig, ...] = (MAIL, HOME, GATEWAY)
    return Site(service, clock, create_app(service, settings_for(str(engine.url)), gateways))


@pytest.mark.parametrize("name", ["shore-2026", "mail"])
def test_a_text_to_the_address_of_before_is_heard(
    at: Site, client: FlaskClient, caplog: pytest.LogCaptureFixture, name: str
) -> None:
    """The name was changed in our settings, and not at the provider."""
    dive = at.filed()

    answer = post(client, fields("IN"), path=f"/inbound/{name}/text")

    assert (answer.status_code, answer.text) == (200, "<Response/>")
    assert at.now_of(dive).phase is Phase.IN_WATER
    assert WRONG_ADDRESS in caplog.messages


def test_so_is_what_a_home_made_gateway_posts(at: Site, client: FlaskClient) -> None:
    """It signs in another way."""
    dive = at.filed()

    assert post_json(client, json_text("IN"), path="/inbound/boat-house/text").status_code == 200
    assert at.now_of(dive).phase is Phase.IN_WATER


def test_so_is_a_receipt(at: Site, client: FlaskClient) -> None:
    """Else each alarm would count as not reached."""
    pairs = [("MessageSid", "SM1"), ("MessageStatus", "delivered")]

    assert post(client, pairs, path="/inbound/shore-2026/receipt").status_code == 200
    assert [row.gateway for row in table(at, ReceiptRow)] == ["shore"]  # type: ignore[attr-defined]


@pytest.mark.parametrize("more", [0, 100], ids=["forged", "too many fields"])
def test_what_none_of_ours_signed_is_not_found(at: Site, client: FlaskClient, more: int) -> None:
    """Nothing is kept of it."""
    pairs = [*fields("IN"), *((f"more{number}", "") for number in range(more))]

    assert post(client, pairs, path="/inbound/other/text", token="forged").status_code == 404
    assert texts(at) == []
