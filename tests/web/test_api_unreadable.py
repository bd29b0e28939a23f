"""The API where a dive cannot be read: it is named in the list, and hides no other."""

from __future__ import annotations

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update

from service.store.tables import DiveRow
from tests.web.installation import Site
from tests.web.test_api import Script
from tests.web.test_openapi import schema


@pytest.fixture
def script(client: FlaskClient) -> Script:
    """A script of the seeded club."""
    return Script(client)


def damage(at: Site, dive_id: str) -> None:
    """Make the state of a dive unreadable."""
    at.service.write(lambda session: session.execute(update(DiveRow).where(DiveRow.id == dive_id).values(state="{}")))


def test_the_list_names_a_dive_that_cannot_be_read_beside_the_others(at: Site, script: Script) -> None:
    """A plain row with its id, as described; the others are whole."""
    broken, whole = script.file(), script.file()
    damage(at, broken["id"])

    answer = script.get("/dives")

    assert answer.status_code == 200
    rows = {row["id"]: row for row in answer.json["dives"]}  # type: ignore[index]
    assert rows[broken["id"]] == {
        "id": broken["id"],
        "reference": broken["reference"],
        "phase": "filed",
        "unreadable": True,
    }
    assert "unreadable" not in rows[whole["id"]]
    assert rows[whole["id"]]["head_count"] == 2
    document = script.client.get("/api/openapi.json").json
    assert document is not None
    schema(document, "DivesOut").validate(answer.json)
    assert not schema(document, "DivesOut").is_valid({"dives": [{"id": broken["id"], "unreadable": True}]})


def test_the_list_by_phase_names_it_too(at: Site, script: Script) -> None:
    """Its phase is known from its columns."""
    broken = script.file()
    damage(at, broken["id"])

    assert [row["id"] for row in script.get("/dives?phase=filed").json["dives"]] == [broken["id"]]  # type: ignore[index]
    assert script.get("/dives?phase=closed").json == {"dives": [], "next": None}
