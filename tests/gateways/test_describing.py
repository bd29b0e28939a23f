"""The gateways of the settings, opened, described, and taken together."""

from __future__ import annotations

import pytest

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.gateways import GatewayConfig, open_gateways
from service.gateways.channels import channels_of
from service.gateways.describing import described
from service.gateways.form_post import FormPostConfig
from service.gateways.json_post import JsonPostConfig
from service.gateways.smtp import Security, SmtpConfig
from service.gateways.webhook_signing import UnusableSecretError, secret_key
from service.operations.gateway import Described, Route

PUBLIC_URL = "https://dives.example.org"
ALARMS = Route(kinds=frozenset({MessageKind.ALERT}))
SHORE = FormPostConfig("shore", "https://texts.example.org", "AC1", "token", "+447700900000", route=ALARMS)
HOME = JsonPostConfig("boathouse", "https://home.example.org", "token", "whsec_" + "A" * 32, "+447700900400")
MAIL = SmtpConfig("mail", "mail.example.org", 587, Security.STARTTLS, "alerts@dives.example.org")
ALL: tuple[GatewayConfig, ...] = (SHORE, HOME, MAIL)


def test_every_kind_of_gateway_is_opened_with_its_channels_and_its_route() -> None:
    """What is set up is what the courier goes by."""
    opened = open_gateways(ALL, PUBLIC_URL)

    assert [(one.name, one.channels, one.route) for one in opened] == [
        (one.name, one.channels, one.route) for one in ALL
    ]
    for gateway in opened:
        gateway.close()


def test_every_kind_of_gateway_is_described_without_its_secrets() -> None:
    """Names, kinds and what they can do, for whoever looks after them."""
    assert described(ALL) == (
        Described("shore", "form-post", SHORE.channels, sends_receipts=True, has_canary=False),
        Described("boathouse", "json-post", HOME.channels, sends_receipts=True, has_canary=False),
        Described("mail", "smtp", frozenset({Channel.EMAIL}), sends_receipts=False, has_canary=False),
    )


def test_what_one_of_them_carries_all_of_them_carry() -> None:
    """Two gateways of different channels leave no channel out; none carries nothing."""
    assert channels_of((HOME, MAIL)) == HOME.channels | {Channel.EMAIL}
    assert channels_of(()) == frozenset()


@pytest.mark.parametrize("secret", ["", "whsec_short", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_" + "A" * 29])
def test_a_secret_that_is_not_written_as_one_signs_nothing(secret: str) -> None:
    """Nor does the fault tell what it was."""
    with pytest.raises(UnusableSecretError, match="whsec_ and base64"):
        secret_key(secret)
