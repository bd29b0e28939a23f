"""A gateway that takes one id once gets another one for what it could not deliver, and the same for what is in doubt.

The gateway is the one of docs/home-gateway.md, over real HTTP: what it has by an id it answers as before, and sends
nothing.
"""

from __future__ import annotations

import base64
import hmac
import json
from collections.abc import Iterator
from datetime import timedelta

import pytest

from service.gateways.inbound_format import Post
from service.gateways.json_post import JsonPostConfig, JsonPostGateway
from service.gateways.json_post_inbound import JsonPostInbound
from service.operations.carrying import Courier
from service.operations.receipts import receive_receipt
from service.store import outbox
from service.store.outbox import Attempt
from tests.checker.questions import violations
from tests.fakes.behaviour import accept_then_cut
from tests.fakes.json_gateway import NUMBER, SECRET, TOKEN, JsonGateway, problem
from tests.operations.stage import ANNA, CLEO, Stage, Taken

SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)
NAME = "boathouse"


@pytest.fixture
def home() -> Iterator[JsonGateway]:
    """The gateway at home."""
    with JsonGateway() as gateway:
        yield gateway


@pytest.fixture
def cove(unchecked: Stage, home: JsonGateway) -> Iterator[Stage]:
    """A stage with that gateway alone; all that must hold is asked at the end, of that gateway's journal too."""
    stage = unchecked
    stage.courier.close()
    gateway = JsonPostGateway(JsonPostConfig(NAME, home.base_url, TOKEN, SECRET, NUMBER))
    stage.courier = Courier(stage.service, [gateway])
    yield stage
    stage.text(ANNA, "out 2")
    assert violations(stage.engine, taken(stage, home), stage.clock.at) == []


def attempts(stage: Stage, message_id: str) -> list[Attempt]:
    """All at one message."""
    return stage.service.read(lambda session: outbox.attempts_of(session, message_id))


def taken(stage: Stage, home: JsonGateway) -> list[Taken]:
    """The journal of the gateway, each text with the message of ours that it was."""
    ours = {home.known(str(posted["id"])): str(posted["id"]).partition("-")[0] for posted in home.documents}
    return [
        Taken(number, attempts(stage, ours[one.sid])[0].started_at, NAME, one.to, one.body, ours[one.sid], one.sid)
        for number, one in enumerate(home.journal.entries(), start=1)
    ]


def receipt(stage: Stage, our_id: str, status: str, **code: str) -> None:
    """The gateway posts what became of a text, signed as the guide says."""
    body, at = json.dumps({"id": our_id, "status": status} | code).encode(), stage.clock.at
    named, stamp = f"msg_{our_id}_{status}", str(int(at.timestamp()))
    key = base64.b64decode(SECRET.removeprefix("whsec_"))
    signature = base64.b64encode(hmac.digest(key, f"{named}.{stamp}.".encode() + body, "sha256")).decode()
    headers = {"webhook-id": named, "webhook-timestamp": stamp, "webhook-signature": f"v1,{signature}"}
    format_ = JsonPostInbound(JsonPostConfig(NAME, "http://127.0.0.1", TOKEN, SECRET, NUMBER))
    posted = Post("", headers, body, at)
    assert format_.doubt(posted) is None
    receive_receipt(stage.service, format_.receipt(posted, at))
    stage.courier.carry()


def alerted(stage: Stage, home: JsonGateway) -> str:
    """A dive whose first contact has just been alerted; the id of that message."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.wait(dive.raise_by_at - stage.clock.at)
    [alert] = [one for one in stage.messages(dive.id) if one.step.startswith("alert-")]
    assert texts(home, "OVERDUE")
    return alert.id


def texts(home: JsonGateway, word: str) -> list[str]:
    """The gateway's own ids of the texts to the first contact with this word that it sent, in order."""
    return [one.sid for one in home.journal.entries() if one.to == CLEO and word in one.body]


def ids(home: JsonGateway, word: str) -> list[str]:
    """Under which ids of ours it was posted such texts."""
    return [str(one["id"]) for one in home.documents if one["to"] == CLEO and word in one["body"]]


def test_an_alert_that_failed_is_posted_under_an_id_of_its_own_and_transmitted(cove: Stage, home: JsonGateway) -> None:
    """By the id of before the gateway would say that it has it, and nobody would hear anything."""
    alert = alerted(cove, home)
    [first] = texts(home, "OVERDUE")

    receipt(cove, first, "failed", code="not_delivered")

    assert ids(home, "OVERDUE") == [alert, f"{alert}-1"]
    again = texts(home, "OVERDUE")
    assert len(again) == 2
    receipt(cove, again[1], "delivered")
    [message] = [one for one in cove.messages(cove.all_dives()[0].id) if one.id == alert]
    assert (message.state, message.provider_id) == ("delivered", again[1])


def test_an_alert_in_doubt_is_posted_under_its_own_id(cove: Stage, home: JsonGateway) -> None:
    """The gateway took it and the answer was lost, and it can not be asked: it has it already."""
    home.lookups = problem(503)
    dive = cove.dive_in()
    assert dive.raise_by_at is not None
    cove.wait(dive.raise_by_at - cove.clock.at - SECOND)
    home.script.for_number(CLEO, accept_then_cut())
    cove.wait(MINUTE, step=5 * SECOND)
    home.script.forget()
    cove.wait(MINUTE, step=5 * SECOND)

    posted = ids(home, "OVERDUE")
    assert len(posted) > 1
    assert len(set(posted)) == 1
    assert len(texts(home, "OVERDUE")) == 1


def test_what_is_in_doubt_after_a_failure_is_asked_about_by_its_new_id(cove: Stage, home: JsonGateway) -> None:
    """And is not sent a third time where the gateway has that."""
    alert = alerted(cove, home)
    [first] = texts(home, "OVERDUE")
    home.script.once(accept_then_cut())

    receipt(cove, first, "failed", code="not_delivered")
    cove.wait(MINUTE, step=5 * SECOND)

    assert home.asked[-1] == f"{alert}-1"
    assert set(ids(home, "OVERDUE")) == {alert, f"{alert}-1"}
    assert len(texts(home, "OVERDUE")) == 2
    assert attempts(cove, alert)[-1].provider_id == texts(home, "OVERDUE")[1]


def test_what_fails_twice_is_not_sent_a_third_time(cove: Stage, home: JsonGateway) -> None:
    """Nor does a second receipt of the first failure count for the second sending."""
    alert = alerted(cove, home)
    receipt(cove, texts(home, "OVERDUE")[0], "failed", code="not_delivered")
    receipt(cove, texts(home, "OVERDUE")[0], "failed", code="not_delivered")
    receipt(cove, texts(home, "OVERDUE")[1], "failed", code="expired")

    assert ids(home, "OVERDUE") == [alert, f"{alert}-1"]


def test_a_stand_down_that_failed_is_transmitted_anew(cove: Stage, home: JsonGateway) -> None:
    """Else the contact goes on looking for who is home."""
    alerted(cove, home)
    cove.text(ANNA, "out 2")
    [first] = texts(home, "It is over")

    receipt(cove, first, "failed", code="not_delivered")

    assert len(texts(home, "It is over")) == 2
    assert len(set(ids(home, "It is over"))) == 2
