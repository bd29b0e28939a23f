"""The numbers that gateways send from, as the settings give them, and the club that one is for."""

from __future__ import annotations

import pytest

from service.gateways import GatewaySettingsError
from service.gateways.own_numbers import own_numbers_of
from service.operations.gateway import OwnNumber
from tests.gateways.test_json_post_settings import HOME, read

OURS, SECOND, CALLS = "+447700900500", "+447700900400", "+447700900501"
SHORE = {
    "name": "shore",
    "kind": "form-post",
    "base_url": "https://texts.example.org",
    "account": "AC1",
    "token": "t",
    "sender": OURS,
}
MAIL = {"name": "mail", "kind": "smtp", "host": "mail.example.org", "sender": "alerts@dives.example.org"}


def test_every_number_that_a_text_or_a_call_comes_from_is_among_them() -> None:
    """In the order of the gateways; an e-mail's address is no number."""
    configs = read(SHORE | {"calls": True, "call_sender": CALLS}, MAIL, HOME | {"receiving_number": OURS})

    assert own_numbers_of(configs) == (
        OwnNumber("shore", OURS),
        OwnNumber("shore", CALLS),
        OwnNumber("boathouse", SECOND, OURS),
    )


def test_one_that_calls_from_its_sender_has_one_number() -> None:
    """Named twice, it is one all the same; a short code is one, too."""
    [calling, short] = read(
        SHORE | {"calls": True, "call_sender": OURS},
        SHORE | {"name": "short", "sender": "60777", "receiving_number": OURS},
    )

    assert own_numbers_of([calling]) == (OwnNumber("shore", OURS),)
    assert own_numbers_of([short]) == (OwnNumber("short", "60777", OURS),)


@pytest.mark.parametrize("number", ["07700 900500", "60777", "", None, 447700900500])
@pytest.mark.parametrize("entry", [SHORE, HOME], ids=["form-post", "json-post"])
def test_a_receiving_number_is_a_whole_phone_number(entry: dict[str, object], number: object) -> None:
    """As a club's is: with its country code."""
    with pytest.raises(GatewaySettingsError, match="receiving_number must be the receiving number of a club"):
        read(entry | {"receiving_number": number})
