"""The guide for a home-made gateway: every example in it is what the service sends, takes and believes."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from service.gateways import read_gateways
from service.gateways.inbound_format import Post
from service.gateways.json_post import JsonPostConfig, JsonPostGateway
from service.gateways.json_post_codes import BLAME_BY_CODE, RECEIPT_STATE_BY_WORD
from service.gateways.json_post_inbound import JsonPostInbound
from service.operations.gateway import Accepted, Blame, Found, Outgoing, ReceiptState, Refused, TextPart
from tests.fakes.behaviour import Behaviour
from tests.fakes.json_gateway import TOKEN, JsonGateway
from tests.rules.source import ROOT

GUIDE = (ROOT / "docs" / "home-gateway.md").read_text(encoding="utf-8")


def example(kind: str) -> str:
    """The fenced example of that kind in the guide."""
    [found] = re.findall(rf"^```{kind}\n(.*?)^```$", GUIDE, re.DOTALL | re.MULTILINE)
    return str(found).removesuffix("\n")


def config() -> JsonPostConfig:
    """The gateway that the guide sets up."""
    [found] = read_gateways(example("json settings"), public_url="https://dives.example.org")
    assert isinstance(found, JsonPostConfig)
    return found


def headers() -> dict[str, str]:
    """The headers of the guide's signed text, by their names in lower case."""
    return {name.lower(): value for name, value in (line.split(": ", 1) for line in example("headers in").splitlines())}


def script() -> dict[str, Callable[..., Any]]:
    """What the guide's script defines."""
    defined: dict[str, Any] = {}
    exec(compile(example("python"), "home-gateway.md", "exec"), defined)  # noqa: S102 - the guide's own words
    return defined


SIGNED_AT = datetime(2027, 6, 1, 9, 30, tzinfo=UTC)


def test_the_signature_in_the_guide_is_right() -> None:
    """Whoever checks their own code against it gets the same."""
    posted = Post("/inbound/boathouse/text", headers(), example("json in").encode(), SIGNED_AT)

    text = JsonPostInbound(config()).text(posted, SIGNED_AT)

    assert JsonPostInbound(config()).doubt(posted) is None
    assert (text.provider_id, text.sender, text.body) == ("msg_2027060109300001", "+447700900101", "Out 2")


def test_the_script_in_the_guide_signs_as_the_guide_does() -> None:
    """Its headers are those of the example."""
    made = script()["signed"](
        config().secret, "msg_2027060109300001", example("json in").encode(), SIGNED_AT.timestamp()
    )

    assert {name.lower(): value for name, value in made.items()} == headers()


def test_the_script_in_the_guide_says_when_nothing_was_taken() -> None:
    """A refusal and a line that is down are both a reason to post again."""
    post = script()["post"]
    with JsonGateway() as refusing:
        address = f"{refusing.base_url}/messages"

        assert post(address, config().secret, "msg_1", {"body": "OUT"}) is False

    assert post(address, config().secret, "msg_1", {"body": "OUT"}) is False


def test_the_message_in_the_guide_is_what_we_send() -> None:
    """Every field of it, and its answers are understood."""
    shown = json.loads(example("json out"))
    message = Outgoing(shown["to"], shown["body"], shown["id"], valid_for_s=shown["valid_for_s"])
    with JsonGateway() as home:
        home.script.once(Behaviour(status=201, content=example("json taken")))
        gateway = JsonPostGateway(JsonPostConfig("boathouse", home.base_url, TOKEN, config().secret, config().sender))

        assert gateway.send(message) == Accepted("home-17")
        home.script.once(Behaviour(status=429, content=example("json refused"), headers={"Retry-After": "20"}))
        refused = gateway.send(message)
        home.lookups = Behaviour(status=200, content='{"id": "home-17", "status": "sent"}')

        assert gateway.look_up(message, SIGNED_AT) == Found("home-17")
        gateway.close()
    assert home.documents[0] == shown
    assert isinstance(refused, Refused)
    assert (refused.blame, refused.retry_after_s) == (Blame.THROTTLED, 20.0)


def test_the_part_and_the_receipt_in_the_guide_are_read() -> None:
    """A part of a long text, and what became of a message."""
    at = datetime.fromtimestamp(int(time.time()), UTC)
    home = JsonPostInbound(config())

    def posted(kind: str) -> Post:
        body = example(kind).encode()
        made = script()["signed"](config().secret, "msg_9", body, at.timestamp())
        return Post("", {name.lower(): value for name, value in made.items()}, body, at)

    receipt = home.receipt(posted("json receipt"), at)

    assert home.doubt(posted("json part")) is None
    assert home.text(posted("json part"), at).part == TextPart("7", 2, 2)
    assert (receipt.provider_id, receipt.state, receipt.blame) == ("home-17", ReceiptState.FAILED, Blame.TRANSIENT)


def test_every_code_is_in_the_guide_and_none_else() -> None:
    """The table of the guide is the table of the code."""
    assert re.findall(r"^\| `([a-z_]+)` \|", GUIDE, re.MULTILINE) == list(BLAME_BY_CODE)


@pytest.mark.parametrize("word", RECEIPT_STATE_BY_WORD)
def test_every_status_word_is_in_the_guide(word: str) -> None:
    """Whoever builds a gateway finds the words for a receipt."""
    assert f"`{word}`" in GUIDE.partition("## Receipts")[2]
