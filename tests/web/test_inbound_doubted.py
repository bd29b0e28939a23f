"""What nobody signed: refused, and kept where that is easily done."""

from __future__ import annotations

import pytest
from flask.testing import FlaskClient

from service.web.inbound import NOT_KEPT
from tests.web.installation import Site
from tests.web.test_inbound import fields, post, texts


@pytest.mark.parametrize("away", [False, True], ids=["unreadable", "database away"])
def test_what_nobody_signed_and_cannot_be_kept_is_refused_all_the_same(
    at: Site, client: FlaskClient, caplog: pytest.LogCaptureFixture, *, away: bool
) -> None:
    """It is worth a line in the log, and no try again of whoever sent it."""
    if away:
        with at.service.engine.begin() as connection:
            connection.exec_driver_sql("ALTER TABLE inbound_texts RENAME TO inbound_texts_away")

    answer = post(client, fields("OUT") if away else fields("OUT")[:1], token="forged")

    assert answer.status_code == 403
    assert NOT_KEPT in caplog.messages
    assert away or texts(at) == []
