"""A json-post gateway in the list of the settings: what is taken, and what is refused with a clear reason."""

from __future__ import annotations

import base64
import json

import pytest

from service.gateways import GatewayConfig, GatewaySettingsError, open_gateways, read_gateways
from service.gateways.json_post import JsonPostConfig
from service.operations.gateway import Route

PUBLIC_URL = "https://dives.example.org"


def secret_of(length: int) -> str:
    """A signing secret of so many bytes."""
    return f"whsec_{base64.b64encode(bytes(range(length))).decode()}"


HOME = {
    "name": "boathouse",
    "kind": "json-post",
    "base_url": "https://boathouse.example.org/gateway/",
    "token": "bearer-nobody-may-see",
    "secret": secret_of(24),
    "sender": "+447700900400",
}
SECRET_WANTED = "must be whsec_ and then 24 to 64 random bytes in base64"


def read(*entries: object) -> tuple[GatewayConfig, ...]:
    """What the settings make of these entries."""
    return read_gateways(json.dumps(entries), public_url=PUBLIC_URL)


def test_a_home_gateway_is_read_with_all_its_keys() -> None:
    """Its own keys, and those that every kind has."""
    other = HOME | {
        "name": "pier",
        "previous_secret": secret_of(64),
        "receipts": False,
        "base_url": "http://10.0.0.7:8080",
        "allow_private": True,
        "prefixes": ["+44"],
        "segments_per_s": 0.2,
    }

    assert read(HOME, other) == (
        JsonPostConfig(
            name="boathouse",
            base_url="https://boathouse.example.org/gateway",
            token="bearer-nobody-may-see",
            secret=secret_of(24),
            sender="+447700900400",
        ),
        JsonPostConfig(
            name="pier",
            base_url="http://10.0.0.7:8080",
            token="bearer-nobody-may-see",
            secret=secret_of(24),
            sender="+447700900400",
            previous_secret=secret_of(64),
            sends_receipts=False,
            allow_private=True,
            route=Route(prefixes=("+44",), segments_per_s=0.2),
        ),
    )


def test_a_home_gateway_opens_beside_another_kind() -> None:
    """Both kinds stand in one list, in the order of preference."""
    shore = {
        "name": "shore",
        "kind": "form-post",
        "base_url": "https://texts.example.org",
        "account": "AC1",
        "token": "t",
        "sender": "+447700900000",
    }

    gateways = open_gateways(read(shore, HOME), PUBLIC_URL)

    assert [gateway.name for gateway in gateways] == ["shore", "boathouse"]
    for gateway in gateways:
        gateway.close()


@pytest.mark.parametrize("key", ["base_url", "token", "secret", "sender"])
@pytest.mark.parametrize("value", [..., None, ""], ids=["left-out", "null", "empty"])
def test_a_half_given_home_gateway_is_refused_by_name_and_key(key: str, value: object) -> None:
    """Whoever set it up learns what is missing, and where."""
    entry = {k: v for k, v in HOME.items() if k != key} | ({} if value is ... else {key: value})

    with pytest.raises(GatewaySettingsError) as refusal:
        read(entry)

    assert str(refusal.value) == f"gateway boathouse: {key} is missing"


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"account": "AC1"}, "gateway boathouse: unknown key 'account'"),
        ({"token": "two words"}, "gateway boathouse: token must be printable characters without spaces"),
        ({"secret": secret_of(23)}, f"gateway boathouse: secret {SECRET_WANTED}"),
        ({"secret": secret_of(65)}, f"gateway boathouse: secret {SECRET_WANTED}"),
        ({"secret": secret_of(24).removeprefix("whsec_")}, f"gateway boathouse: secret {SECRET_WANTED}"),
        ({"secret": "whsec_not base64 at all, but long enough"}, f"gateway boathouse: secret {SECRET_WANTED}"),
        ({"secret": f"{secret_of(25)[:-1]}"}, f"gateway boathouse: secret {SECRET_WANTED}"),
        ({"secret": 12}, f"gateway boathouse: secret {SECRET_WANTED}"),
        ({"previous_secret": None}, f"gateway boathouse: previous_secret {SECRET_WANTED}"),
        ({"previous_secret": "older"}, f"gateway boathouse: previous_secret {SECRET_WANTED}"),
        (
            {"sender": "SkerryBay"},
            "gateway boathouse: sender must be a number that can be answered: +447700900000, or a short code",
        ),
        (
            {"base_url": "http://boathouse.example.org"},
            "gateway boathouse: base_url must be https, or the gateway must have allow_private",
        ),
        ({"receipts": "no"}, "gateway boathouse: receipts must be true or false"),
    ],
)
def test_a_wrong_value_is_refused_by_name_and_key(changes: dict[str, object], reason: str) -> None:
    """The reason says what would be right, and holds no secret."""
    with pytest.raises(GatewaySettingsError) as refusal:
        read(HOME | changes)

    assert str(refusal.value) == reason


def test_secrets_are_not_in_what_a_config_prints() -> None:
    """A config that ends up in a log line or a trace gives no secret away."""
    (config,) = read(HOME | {"previous_secret": secret_of(32)})

    printed = repr(config)

    assert "bearer-nobody-may-see" not in printed
    assert "whsec_" not in printed
