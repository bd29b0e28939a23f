"""Asking a form-post gateway whether it would take anything of ours, without sending anything."""

from __future__ import annotations

import pytest

from tests.fakes.behaviour import Behaviour, redirect, refuse, stall
from tests.fakes.gateway import FakeGateway
from tests.gateways.conftest import OpenGateway


@pytest.mark.parametrize(
    ("lists", "why"),
    [
        (Behaviour(status=200), None),
        (refuse(404), None),
        (refuse(405), None),
        (Behaviour(status=501, content="{}"), None),
        (refuse(403, message="not for you"), "HTTP 403: not for you"),
        (refuse(404, 20404, "no such account"), "HTTP 404: no such account"),
        (Behaviour(status=503, content="{}"), "HTTP 503: no explanation given"),
        (redirect("https://elsewhere.example"), "HTTP 307: the gateway's address has moved, base_url must be changed"),
        (stall(2.0), "ReadTimeout: timed out"),
    ],
    ids=["all-well", "no-list", "not-so", "not-implemented", "refused", "no-account", "down", "moved", "silent"],
)
def test_what_would_keep_it_from_taking_a_text_is_told(
    fake: FakeGateway, open_gateway: OpenGateway, lists: Behaviour, why: str | None
) -> None:
    """Not every server of this shape has a list, so that it knows none says nothing."""
    fake.lists = lists

    assert open_gateway().check() == why
    assert not fake.journal.entries()


def test_a_wrong_token_is_told(fake: FakeGateway, open_gateway: OpenGateway) -> None:
    """Nothing else would show it before the first dive."""
    assert open_gateway(token="another").check() == "HTTP 401: refused"
    assert not fake.journal.entries()
