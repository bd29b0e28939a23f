"""After a restore: an officer lets the clocks of their own club go on, and no other club's."""

from __future__ import annotations

from datetime import timedelta

from flask.testing import FlaskClient

from service.domain.dive import Phase
from service.domain.dive.commands import Hold
from service.domain.people import CLOCK
from service.operations.admin_roles import AdminRole
from service.operations.recording import act
from service.operations.recovering import CONFIRMED
from service.store import log
from tests.web.desk.crowd import crowd
from tests.web.desk.entering import enter, post
from tests.web.desk.test_board import dive_in
from tests.web.installation import Site
from tests.web.other_club import add_far_club

HELD = "/admin/board/held"


def hold(at: Site, dive_id: str) -> None:
    """What the first sweep on a copy does to an open dive."""
    now = at.clock.at
    act(at.service, dive_id, Hold(CLOCK, now - timedelta(hours=1), now, now + timedelta(minutes=10)))


def test_an_officer_who_knows_who_is_in_the_water_lets_the_clocks_go_on(at: Site, client: FlaskClient) -> None:
    """What was due meanwhile follows at once; the club's log says who it was, and a second press does nothing."""
    at.clock.forward(-30)
    dive = at.filed()
    at.clock.forward(30)
    wet = dive_in(at, minutes_ago=60)
    hold(at, wet.id)
    at.clock.forward(6)
    enter(client, AdminRole.OFFICER)

    board = client.get("/admin/board").text
    page = client.get(HELD).text
    done = post(client, HELD)
    again = post(client, HELD)

    assert "1 dive is asked before contacts are alerted" in board
    assert "the party is asked first; contacts are alerted from 10:10 on" in board
    assert f"Dive {wet.reference}" in page
    assert "1 clock goes on." in done.text
    assert "Nothing was held up any more." in again.text
    assert at.now_of(wet).phase is Phase.ALERT
    assert at.now_of(dive).phase is Phase.FILED
    entries = at.service.read(lambda session: log.entries(session, log.club_chain("skerry")))
    assert [(one.actor or {})["name"] for one in entries if one.kind == CONFIRMED] == ["Ove Strand"]


def test_no_other_clubs_clocks_go_on_by_it(at: Site, client: FlaskClient) -> None:
    """Their own admins know who is in their water."""
    add_far_club(at.service, at.clock.at)
    crowd(at.service, "far", 1, overdue=False)
    hold(at, f"{0:016x}")
    enter(client, AdminRole.OFFICER)

    assert "No dive of your club is held up." in client.get(HELD).text
    assert "Nothing was held up any more." in post(client, HELD).text
    far = at.service.read(lambda session: log.events(session, f"{0:016x}"))
    assert [type(event).__name__ for _, event in far] == ["Held"]


def test_a_viewer_only_looks(at: Site, client: FlaskClient) -> None:
    """The button is not there, and a post is refused."""
    wet = dive_in(at, minutes_ago=10)
    hold(at, wet.id)
    enter(client, AdminRole.VIEWER)

    assert "Let the clocks go on" not in client.get(HELD).text
    assert post(client, HELD).status_code == 403
    assert at.now_of(wet).waiting is not None
