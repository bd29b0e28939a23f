"""With the database away a gateway hears 200 for what lies safely on the disk, by the web and by the fallback."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import urlencode

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import Engine

from service.domain.dive import Phase
from service.gateways.form_post_inbound import signature
from service.operations import spooling
from service.operations.gateway import DeliveryReceipt, InboundText
from service.operations.intake import drain
from service.operations.service import Service
from service.operations.spooling import KeyPress, Spool
from service.store.engine import open_engine
from service.web import create_app
from service.web.fallback import create_fallback
from tests.web.installation import ANNA, GATEWAY, PRACTICE, PUBLIC_URL, RECEIVING, Site, StillClock, settings_for
from tests.web.test_inbound import FORM, fields, post

SENT = [("MessageSid", "SM9"), ("MessageStatus", "sent")]


@dataclass
class Cut:
    """A process that is cut off from the database of the installation, and its disk."""

    app: Flask
    spool: Spool

    @property
    def client(self) -> FlaskClient:
        """Whoever posts to it."""
        return self.app.test_client()

    def kept(self) -> list[str]:
        """The kinds of what lies on the disk."""
        return sorted(type(self.spool.read(path)).__name__ for path in self.spool.waiting())


@pytest.fixture
def dead_engine() -> Iterator[Engine]:
    """A database where nobody listens."""
    engine = open_engine("postgresql://linetender@127.0.0.1:9/linetender")
    yield engine
    engine.dispose()


@pytest.fixture
def spool(tmp_path: Path) -> Spool:
    """An empty spool."""
    spool = Spool(tmp_path / "spool", "s" * 40)
    spool.make()
    return spool


@pytest.fixture(params=["web", "fallback"])
def cut(request: pytest.FixtureRequest, dead_engine: Engine, spool: Spool, clock: StillClock) -> Cut:
    """The web process without its database, and the fallback, which never has one."""
    service = Service(dead_engine, clock, PUBLIC_URL, "cut-off")
    settings, gateways = settings_for(str(dead_engine.url)), (GATEWAY, PRACTICE)
    make = create_app if request.param == "web" else create_fallback
    return Cut(make(service, settings, gateways, spool), spool)


def test_a_start_is_taken_and_acted_on_when_the_database_is_back(at: Site, cut: Cut) -> None:
    """200 and the usual answer; nothing is done before, and once after."""
    dive = at.filed()

    answer = post(cut.client, fields("IN"))

    assert (answer.status_code, answer.text, answer.mimetype) == (200, "<Response/>", "text/xml")
    assert cut.kept() == ["InboundText"]
    assert at.now_of(dive).phase is Phase.FILED
    assert drain(at.service, cut.spool) == 1
    assert at.now_of(dive).phase is Phase.IN_WATER


def test_all_that_gateways_bring_is_taken(cut: Cut) -> None:
    """Texts, receipts, keys and how calls ended."""
    key = [("CallSid", "CA1"), ("Digits", "1")]
    ended = [("CallSid", "CA1"), ("CallStatus", "completed")]

    answers = [
        post(cut.client, fields("OUT")),
        post(cut.client, SENT, path="/inbound/shore/receipt"),
        post(cut.client, key, path="/inbound/shore/call/m1/key"),
        post(cut.client, ended, path="/inbound/shore/call/m1/status"),
    ]

    assert [answer.status_code for answer in answers] == [200] * 4
    assert cut.kept() == ["DeliveryReceipt", "DeliveryReceipt", "InboundText", "KeyPress"]
    assert "Your key is noted" in answers[2].text
    [pressed] = [one for one in map(cut.spool.read, cut.spool.waiting()) if isinstance(one, KeyPress)]
    assert (pressed.message_id, pressed.key, pressed.gateway, pressed.provider_id) == ("m1", "1", "shore", "CA1")


def test_what_is_kept_is_what_was_posted(cut: Cut, clock: StillClock) -> None:
    """With its gateway, its fields and its time."""
    post(cut.client, fields("OUT 2", sid="SM7"))
    post(cut.client, SENT, path="/inbound/shore/receipt")

    kept = {type(one): one for one in map(cut.spool.read, cut.spool.waiting())}
    text, receipt = kept[InboundText], kept[DeliveryReceipt]
    assert text == InboundText("shore", "SM7", ANNA, RECEIVING, "OUT 2", dict(fields("OUT 2", sid="SM7")), clock.at)
    assert (receipt.gateway, receipt.provider_id, receipt.received_at) == ("shore", "SM9", clock.at)


@pytest.mark.parametrize(
    "path",
    ["/inbound/shore/text", "/inbound/shore/receipt", "/inbound/shore/call/m1/key", "/inbound/shore/call/m1/status"],
)
def test_what_nobody_signed_is_refused_and_not_kept(cut: Cut, path: str) -> None:
    """A stranger fills no disk."""
    pairs = [*fields("OUT"), ("MessageStatus", "sent"), ("CallSid", "CA1"), ("Digits", "1"), ("CallStatus", "busy")]

    assert post(cut.client, pairs, path=path, token="forged").status_code == 403
    assert cut.kept() == []


def test_a_full_disk_is_told(cut: Cut, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    """503 and when to try again: never a false 200."""
    monkeypatch.setattr(spooling, "FILES_MAX", 0)

    answer = post(cut.client, fields("OUT"))

    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "5")
    assert "inbound.not_kept" in caplog.messages


def test_an_unknown_gateway_or_path_is_not_found(cut: Cut) -> None:
    """The same addresses as ever, and no others."""
    assert post(cut.client, fields("OUT"), path="/inbound/other/text", token="forged").status_code == 404
    assert cut.client.get("/inbound/shore/text").status_code == 405
    assert cut.client.post("/inbound/shore/text", data=b"x" * 70_000, content_type="text/plain").status_code in (
        413,
        415,
    )


@pytest.fixture
def fallback(dead_engine: Engine, spool: Spool, clock: StillClock) -> FlaskClient:
    """The fallback process."""
    service = Service(dead_engine, clock, PUBLIC_URL, "fallback")
    return create_fallback(service, settings_for(str(dead_engine.url)), (GATEWAY,), spool).test_client()


def test_the_fallback_has_nothing_but_what_gateways_need(fallback: FlaskClient) -> None:
    """No page, no API, no figures; and plain words for whoever comes by."""
    for path in ("/", "/plan", "/api/v1/dives", "/metrics", "/readyz", "/admin"):
        answer = fallback.get(path)
        assert (answer.status_code, answer.text) == (404, "Not Found")


def test_the_fallback_says_whether_it_would_take_the_next_text(
    fallback: FlaskClient, spool: Spool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Up while there is room; else why not, for whoever watches."""
    assert (fallback.get("/healthz").status_code, fallback.get("/healthz").text) == (200, "up")

    with monkeypatch.context() as full:
        full.setattr(spooling, "FILES_MAX", 0)
        assert (fallback.get("/healthz").status_code, fallback.get("/healthz").text) == (503, "the spool is full")
    spool.directory.rmdir()
    assert fallback.get("/healthz").status_code == 503


def test_a_signature_covers_the_address_of_the_fallback(dead_engine: Engine, spool: Spool, clock: StillClock) -> None:
    """Gateways sign what they post to; reached by another address, the process is told that as its own."""
    own = "https://fallback.dives.test"
    service = Service(dead_engine, clock, own, "fallback")
    settings = replace(settings_for(str(dead_engine.url)), public_url=own)
    client = create_fallback(service, settings, (GATEWAY,), spool).test_client()

    path, pairs = "/inbound/shore/text", fields("OUT")
    signed = {"X-Twilio-Signature": signature(GATEWAY.token, own + path, pairs)}

    assert post(client, pairs).status_code == 403
    assert client.post(path, data=urlencode(pairs), content_type=FORM, headers=signed).status_code == 200
