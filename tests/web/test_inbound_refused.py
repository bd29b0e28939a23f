"""Texts that are refused, though they are for a club: the admins hear that nobody may be heard."""

from __future__ import annotations

import pytest
from flask.testing import FlaskClient

from service.store.tables import MessageRow
from service.web.inbound import NOT_KEPT
from tests.web.installation import Site
from tests.web.test_inbound import fields, post, table


def told(at: Site) -> list[str]:
    """What admins are told."""
    return [row.body for row in table(at, MessageRow)]  # type: ignore[attr-defined]


def test_admins_hear_once_a_day_that_texts_are_refused(at: Site, client: FlaskClient) -> None:
    """A token that was changed at the provider alone makes us deaf, while all that we send goes out as ever."""
    for sid in ("SM1", "SM2"):
        post(client, fields("OUT", sid), token="changed at the provider")
    (words,) = told(at)
    at.clock.forward(24 * 60)
    post(client, fields("OUT", "SM3"), token="changed at the provider")

    assert "texts by gateway shore are refused: wrong signature" in words
    assert len(words) <= 160
    assert len(told(at)) == 2


def test_what_is_posted_at_random_tells_nobody(at: Site, client: FlaskClient) -> None:
    """It is for no number of ours."""
    pairs = [pair if pair[0] != "To" else ("To", "+447700900999") for pair in fields("OUT")]

    assert post(client, pairs, token="forged").status_code == 403
    assert told(at) == []


@pytest.mark.parametrize("left_out", ["From", "Body", "MessageSid"])
def test_admins_hear_of_a_signed_text_that_cannot_be_read(at: Site, client: FlaskClient, left_out: str) -> None:
    """Its gateway hears 400 and does not bring it again: somebody may wait for an answer."""
    for _ in range(2):
        answer = post(client, [pair for pair in fields("OUT") if pair[0] != left_out])
        assert (answer.status_code, answer.text) == (400, f"{left_out} is missing")

    (words,) = told(at)
    assert "gateway shore brought a text that cannot be read" in words
    assert len(words) <= 160


def test_a_form_that_cannot_even_be_signed_tells_nobody(at: Site, client: FlaskClient) -> None:
    """Anybody can post that."""
    assert post(client, [*fields("OUT"), *((f"more{n}", "") for n in range(100))]).status_code == 400
    assert told(at) == []


def test_an_unreadable_text_is_refused_with_the_database_away(
    at: Site, client: FlaskClient, caplog: pytest.LogCaptureFixture
) -> None:
    """Nobody can be told, and the gateway hears what is wrong with it all the same."""
    with at.service.engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE heartbeats RENAME TO heartbeats_away")

    assert post(client, fields("OUT")[:1]).status_code == 400
    assert NOT_KEPT in caplog.messages
