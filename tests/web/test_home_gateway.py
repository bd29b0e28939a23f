"""A home-made gateway and the service over real HTTP: a dive that is started and told of through it."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from sqlalchemy import Engine

from service.domain.dive import Phase
from service.gateways.json_post import JsonPostConfig, JsonPostGateway
from service.operations.carrying import Courier
from service.store import outbox
from tests.fakes import behaviour
from tests.fakes.json_gateway import SECRET, TOKEN, JsonGateway
from tests.rules.source import ROOT
from tests.web.installation import ANNA, CLEO, RECEIVING, Site, StillClock
from tests.web.live import serving


@dataclass
class Connected:
    """The service, the gateway, and a courier that carries by it alone."""

    site: Site
    home: JsonGateway
    courier: Courier


@pytest.fixture
def both(engine: Engine, clock: StillClock) -> Iterator[Connected]:
    """Both ends, on this machine."""
    with JsonGateway(number=RECEIVING) as home:
        config = JsonPostConfig("boathouse", home.base_url, TOKEN, SECRET, RECEIVING)
        with serving(engine, clock, config) as site:
            home.inbound_url = f"{site.service.public_url}/inbound/boathouse"
            courier = Courier(site.service, [JsonPostGateway(config)])
            yield Connected(site, home, courier)
            courier.close()


def wait_until(holds: Callable[[], bool]) -> None:
    """Wait for what follows once a gateway has been answered."""
    give_up_at = time.monotonic() + 30
    while not holds():
        assert time.monotonic() < give_up_at
        time.sleep(0.02)


def state_to(both: Connected, phone: str, dive_id: str) -> str:
    """The state of the first message of a dive to a phone."""
    messages = both.site.service.read(lambda session: outbox.of_dive(session, dive_id))
    return next(message.state for message in messages if message.phone == phone)


def test_a_dive_is_started_and_told_of_through_a_home_made_gateway(both: Connected) -> None:
    """The text comes in, the notice goes out, and its receipt is believed."""
    dive = both.site.filed()

    assert both.home.text_from(ANNA, "IN").status == 200
    wait_until(lambda: both.site.now_of(dive).phase is Phase.IN_WATER)
    both.courier.carry()
    (notice,) = both.home.journal.to(CLEO)
    assert both.home.receipt(notice.sid, "delivered").status == 200

    assert notice.sender == RECEIVING
    assert state_to(both, CLEO, dive.id) == "delivered"


def test_a_notice_whose_answer_was_lost_reaches_a_phone_once(both: Connected) -> None:
    """The gateway is asked, or sent the same again; either way it has the message by its id."""
    dive = both.site.filed()
    both.home.script.for_number(CLEO, behaviour.accept_then_cut())
    both.home.text_from(ANNA, "IN")
    wait_until(lambda: both.site.now_of(dive).phase is Phase.IN_WATER)

    both.courier.carry()
    both.home.script.forget()
    both.site.clock.forward(1)
    both.courier.carry()

    assert len(both.home.journal.to(CLEO)) == 1


def test_the_script_of_the_guide_brings_a_text(both: Connected) -> None:
    """What it posts is taken, and it says so."""
    guide = (ROOT / "docs" / "home-gateway.md").read_text(encoding="utf-8")
    [words] = re.findall(r"^```python\n(.*?)^```$", guide, re.DOTALL | re.MULTILINE)
    defined: dict[str, Any] = {}
    exec(compile(words, "home-gateway.md", "exec"), defined)  # noqa: S102 - the guide's own words
    dive = both.site.filed()

    taken = defined["post"](
        f"{both.home.inbound_url}/text", SECRET, "msg_1", {"from": ANNA, "to": RECEIVING, "body": "IN"}
    )

    assert taken is True
    wait_until(lambda: both.site.now_of(dive).phase is Phase.IN_WATER)
