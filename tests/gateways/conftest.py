"""A fake gateway on loopback, and our side of it with limits short enough for a test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from service.gateways.exchange import Limits
from service.gateways.form_post import FormPostConfig, FormPostGateway
from tests.fakes.gateway import FakeGateway

PUBLIC_URL = "https://dives.example.org"
LIMITS = Limits(connect_s=0.5, write_s=0.5, read_s=0.4, pool_s=0.2, total_s=0.8)

OpenGateway = Callable[..., FormPostGateway]


@pytest.fixture
def fake() -> Iterator[FakeGateway]:
    """A fake gateway that accepts everything until it is told otherwise."""
    with FakeGateway() as running:
        yield running


@pytest.fixture
def config(fake: FakeGateway) -> FormPostConfig:
    """The right settings for the fake gateway."""
    return FormPostConfig(
        name="shore", base_url=fake.base_url, account=fake.account, token=fake.token, sender=fake.number
    )


@pytest.fixture
def open_gateway(config: FormPostConfig) -> Iterator[OpenGateway]:
    """Open our side, with the settings or limits changed as asked."""
    opened: list[FormPostGateway] = []

    def open_one(*, limits: Limits = LIMITS, **changes: object) -> FormPostGateway:
        opened.append(FormPostGateway(replace(config, **changes), public_url=PUBLIC_URL, limits=limits))
        return opened[-1]

    yield open_one
    for gateway in opened:
        gateway.close()


@pytest.fixture
def gateway(open_gateway: OpenGateway) -> FormPostGateway:
    """Our side of the fake gateway, set up right."""
    return open_gateway()
