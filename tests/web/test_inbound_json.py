"""What a home-made gateway posts: the same rules as for every format, and nothing that is played again."""

from __future__ import annotations

import json
import time
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine
from werkzeug.test import TestResponse

from service.domain.dive import Phase
from service.gateways.json_post import JsonPostConfig
from service.operations.service import Service
from service.operations.sweeping import sweep
from service.store.tables import InboundPartRow, InboundTextRow, MessageRow, ReceiptRow
from service.web import create_app
from tests.fakes.json_gateway import SECRET, TOKEN, signed_headers
from tests.web.installation import ANNA, GATEWAY, PUBLIC_URL, RECEIVING, Site, StillClock, seed, settings_for
from tests.web.test_inbound import fields, table, texts
from tests.web.test_inbound import post as post_form

HOME = JsonPostConfig(name="boathouse", base_url="http://127.0.0.1:9", token=TOKEN, secret=SECRET, sender=RECEIVING)
TEXT_PATH, RECEIPT_PATH = "/inbound/boathouse/text", "/inbound/boathouse/receipt"


@pytest.fixture
def at(engine: Engine, clock: StillClock) -> Site:
    """The installation with a home-made gateway beside another one."""
    service = Service(engine, clock, PUBLIC_URL, "web-test")
    seed(service, clock.now())
    return Site(service, clock, create_app(service, settings_for(str(engine.url)), (GATEWAY, HOME)))


def post(
    client: FlaskClient,
    document: object,
    *,
    path: str = TEXT_PATH,
    secret: str = SECRET,
    webhook_id: str | None = None,
    late_s: float = 0,
) -> TestResponse:
    """Post JSON, signed some seconds ago; the answer is read to its end and closed, as a gateway would."""
    body = document if isinstance(document, bytes) else json.dumps(document).encode()
    headers = signed_headers(secret, body, webhook_id=webhook_id, timestamp=int(time.time() - late_s))
    answer = client.post(path, data=body, headers=headers)
    answer.get_data()
    answer.close()
    return answer


def text(body: str, **more: object) -> dict[str, object]:
    """A text as the gateway posts it."""
    return {"from": ANNA, "to": RECEIVING, "body": body, **more}


def part(body: str, number: int, of: int = 2) -> dict[str, object]:
    """A part of a long text."""
    return text(body, part={"reference": 7, "number": number, "of": of})


def test_a_signed_text_is_stored_and_answered(at: Site, client: FlaskClient) -> None:
    """The gateway hears 200 with an empty object; the text has done its work once the answer has left."""
    dive = at.filed()

    answer = post(client, text("IN"))

    assert (answer.status_code, answer.text, answer.mimetype) == (200, "{}", "application/json")
    assert texts(at) == [("IN", True, "answered")]
    assert at.now_of(dive).phase is Phase.IN_WATER


def test_real_time_counts_whatever_the_clock_of_the_service_says(at: Site, client: FlaskClient) -> None:
    """In a demo a minute is a second, and the phone on the window sill goes on living in real time."""
    at.clock.at += timedelta(days=30)

    assert post(client, text("status")).status_code == 200


def test_a_post_that_is_played_again_is_done_once(at: Site, client: FlaskClient) -> None:
    """Within the five minutes the id tells; the gateway hears 200, since we have it."""
    at.filed()

    first, second = (post(client, text("IN"), webhook_id="msg_same") for _ in range(2))

    assert (first.status_code, second.status_code) == (200, 200)
    assert len(texts(at)) == 1


@pytest.mark.parametrize("late_s", [310, -310], ids=["old", "of-the-future"])
def test_a_post_of_another_time_is_refused_and_kept_apart(at: Site, client: FlaskClient, late_s: float) -> None:
    """It is not acted on, the gateway hears by how much its clock is wrong, and the log has the words."""
    dive = at.filed()
    post(client, text("IN"))

    answer = post(client, text("OUT"), late_s=late_s)

    assert answer.status_code == 403
    assert "our clock" in answer.text
    assert at.now_of(dive).phase is Phase.IN_WATER
    assert texts(at)[1:] == [("OUT", False, "quarantined")]


def test_the_admins_hear_of_a_wrong_clock_once_a_day(at: Site, client: FlaskClient) -> None:
    """A phone that lost its time loses every text: somebody must set it, and is not told by every one of them."""
    for body in ("IN", "OUT"):
        post(client, text(body), late_s=400)
    post(client, text("IN"), secret=f"whsec_{'A' * 32}", late_s=400)
    (told,) = _of_the_clock(at)
    at.clock.forward(24 * 60)
    post(client, text("OUT"), late_s=400)

    assert "gateway boathouse has a wrong clock" in told
    assert len(_of_the_clock(at)) == 2


def _of_the_clock(at: Site) -> list[str]:
    """What admins are told of a clock; that somebody forged a text is told by itself."""
    bodies = [row.body for row in table(at, MessageRow)]  # type: ignore[attr-defined]
    return [body for body in bodies if "clock" in body]


def test_a_text_that_was_refused_for_its_time_is_taken_when_it_is_signed_anew(at: Site, client: FlaskClient) -> None:
    """The same id, with the time of the new attempt, is the real text."""
    dive = at.filed()
    post(client, text("IN"), webhook_id="msg_late", late_s=400)

    answer = post(client, text("IN"), webhook_id="msg_late")

    assert answer.status_code == 200
    assert at.now_of(dive).phase is Phase.IN_WATER


def test_a_forged_text_is_refused_and_kept_apart(at: Site, client: FlaskClient) -> None:
    """403, the clock does not move, and the log still has what was tried."""
    dive = at.filed()
    post(client, text("IN"))

    answer = post(client, text("OUT"), secret=f"whsec_{'A' * 32}")

    assert (answer.status_code, answer.text) == (403, "webhook-signature is missing or wrong")
    assert at.now_of(dive).phase is Phase.IN_WATER
    assert texts(at)[1:] == [("OUT", False, "quarantined")]


def test_formats_do_not_open_each_others_addresses(at: Site, client: FlaskClient) -> None:
    """Each gateway is heard in its own format only."""
    assert post(client, text("IN"), path="/inbound/shore/text").status_code == 415
    assert post_form(client, fields("IN"), path=TEXT_PATH).status_code == 415
    assert texts(at) == []


@pytest.mark.parametrize("path", [TEXT_PATH, RECEIPT_PATH])
def test_a_signed_post_that_cannot_be_read_is_refused_with_the_reason(
    at: Site, client: FlaskClient, caplog: pytest.LogCaptureFixture, path: str
) -> None:
    """400 says what is wrong, and so does the log."""
    answer = post(client, b"{broken", path=path)

    assert (answer.status_code, answer.text) == (400, "the body is not JSON")
    assert "inbound.malformed" in [record.message for record in caplog.records]
    assert texts(at) == []


@pytest.mark.parametrize("path", [TEXT_PATH, RECEIPT_PATH])
def test_a_body_of_more_than_64_kib_is_refused(at: Site, client: FlaskClient, path: str) -> None:
    """Even a signed one; nothing of it is stored."""
    assert post(client, text("x" * 66_000), path=path).status_code == 413
    assert texts(at) == []


def test_forged_texts_do_not_fill_the_database(at: Site, client: FlaskClient) -> None:
    """A flood is refused one by one, and only the first of a minute are kept; large ones never."""
    for number in range(30):
        assert post(client, text(f"x{number}"), secret=f"whsec_{'A' * 32}").status_code == 403
    assert len(texts(at)) == 20

    at.clock.forward(2)
    assert post(client, text("y" * 9000), secret=f"whsec_{'A' * 32}").status_code == 403

    assert len(texts(at)) == 20


@pytest.mark.parametrize("path", [TEXT_PATH, RECEIPT_PATH])
def test_with_the_database_away_the_gateway_is_asked_to_try_again(at: Site, client: FlaskClient, path: str) -> None:
    """Never a false 200: what is not committed is not acknowledged."""
    with at.service.engine.begin() as connection:
        for name in ("inbound_texts", "inbound_parts", "receipts"):
            connection.exec_driver_sql(f"ALTER TABLE {name} RENAME TO {name}_away")

    for document in (text("OUT", id="home-1", status="sent"), part("OUT", 1) | {"id": "home-1", "status": "sent"}):
        answer = post(client, document, path=path)

        assert answer.status_code == 503
        assert answer.headers["Retry-After"] == "5"


def test_a_signed_receipt_is_kept(at: Site, client: FlaskClient) -> None:
    """One for a message that we do not know yet is kept as well."""
    answer = post(client, {"id": "home-1", "status": "delivered"}, path=RECEIPT_PATH)

    assert (answer.status_code, answer.text) == (200, "{}")
    assert [row.provider_id for row in table(at, ReceiptRow)] == ["home-1"]  # type: ignore[attr-defined]


@pytest.mark.parametrize(("secret", "late_s"), [(f"whsec_{'A' * 32}", 0), (SECRET, 310)], ids=["forged", "old"])
def test_a_receipt_that_cannot_be_believed_is_refused(
    at: Site, client: FlaskClient, secret: str, late_s: float
) -> None:
    """Nobody but the gateway says that a text has been delivered, and not by what it said before."""
    document = {"id": "home-1", "status": "delivered"}

    assert post(client, document, path=RECEIPT_PATH, secret=secret, late_s=late_s).status_code == 403
    assert table(at, ReceiptRow) == []


def test_a_part_is_stored_before_it_is_acknowledged(at: Site, client: FlaskClient) -> None:
    """The first part waits; with the last one, in whichever order, there is a text to read."""
    dive = at.filed()
    post(client, text("IN"))

    first = post(client, part("where we lost him in the surge", 2))

    assert first.status_code == 200
    assert [row.body for row in table(at, InboundPartRow)] == ["where we lost him in the surge"]  # type: ignore[attr-defined]
    assert len(texts(at)) == 1

    post(client, part("I cannot find Bram, we are at the west end ", 1))

    assert at.now_of(dive).phase is Phase.ALERT
    assert texts(at)[1][0] == "I cannot find Bram, we are at the west end where we lost him in the surge"


def test_a_part_that_never_comes_is_a_gap_after_a_minute(at: Site, client: FlaskClient) -> None:
    """The sweep reads what is left, and no clock stops."""
    dive = at.filed()
    post(client, text("IN"))
    post(client, part("OUT", 1))

    at.clock.forward(61 / 60)
    sweep(at.service)

    assert at.now_of(dive).phase is Phase.IN_WATER
    assert texts(at)[1] == ("OUT [part missing]", True, "answered")


def test_a_part_that_is_played_again_changes_nothing(at: Site, client: FlaskClient) -> None:
    """The id tells, for parts as for texts."""
    for _ in range(2):
        assert post(client, part("OUT", 1), webhook_id="msg_part").status_code == 200

    assert len(table(at, InboundPartRow)) == 1
    assert table(at, InboundTextRow) == []
