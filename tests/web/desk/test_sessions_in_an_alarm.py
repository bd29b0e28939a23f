"""Nobody at the desk is asked for a password in the middle of an alarm."""

from __future__ import annotations

from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update

from service.domain.dive import Dive
from service.domain.dive.commands import RaiseNow, ReportSafe, Start
from service.domain.people import Actor, Role, Via
from service.operations.recording import act
from service.operations.signing_in import IDLE_MAX, LASTS, PUT_OFF_MAX
from service.store.tables import DiveRow
from tests.operations.away import read_only
from tests.web.desk.entering import enter
from tests.web.installation import Site
from tests.web.other_club import add_far_club

BY = Actor(Role.DIVER, "Anna Holt", Via.PAGE, key="diver-0", words="In")
MINUTE = timedelta(minutes=1)


def in_alarm(at: Site) -> Dive:
    """A dive whose alarm is up from now on."""
    dive = at.filed()
    act(at.service, dive.id, Start(BY))
    act(at.service, dive.id, RaiseNow(BY, "They are late"))
    return dive


def end(at: Site, dive: Dive) -> None:
    """Somebody says that both are out."""
    cleo = Actor(Role.CONTACT, "Cleo Marsh", Via.PAGE, key="contact-0", words="SAFE 2")
    act(at.service, dive.id, ReportSafe(cleo, 2))


def is_in(client: FlaskClient) -> bool:
    """Whether this browser is still signed in."""
    return client.get("/admin/messages").status_code == 200


def test_a_session_that_nobody_used_goes_on_until_the_alarm_is_over(at: Site, client: FlaskClient) -> None:
    """The alarm began before the twelve hours were over; once it is over, so is the session."""
    enter(client)
    at.clock.at += IDLE_MAX - MINUTE
    dive = in_alarm(at)
    at.clock.at += timedelta(hours=6)

    during = is_in(client)
    # The page that was just opened counts as use, so only one whose page asks by itself is at its end now.
    at.clock.at += IDLE_MAX
    end(at, dive)

    assert (during, is_in(client)) == (True, False)


@pytest.mark.parametrize(("path", "accept"), [("", "*/*"), ("?live", "*/*"), ("/standing", "application/json")])
def test_a_page_of_a_dive_that_is_left_open_is_no_use(at: Site, client: FlaskClient, path: str, accept: str) -> None:
    """Its script asks every few seconds, so that else a browser nobody sits at would stay in for a week."""
    enter(client)
    dive = at.filed()

    for _ in range(3):
        at.clock.at += IDLE_MAX / 3 - MINUTE
        assert client.get(f"/admin/dives/{dive.id}{path}", headers={"Accept": accept}).status_code == 200
    at.clock.at += 3 * MINUTE

    assert not is_in(client)


def test_the_end_after_a_week_is_put_off_until_the_alarm_is_over(at: Site, client: FlaskClient) -> None:
    """However long somebody has been at the desk."""
    enter(client)
    for _ in range(int(LASTS / timedelta(hours=6)) - 1):
        at.clock.at += timedelta(hours=6)
        assert is_in(client)
    at.clock.at += timedelta(hours=5, minutes=59)
    dive = in_alarm(at)

    at.clock.at += timedelta(hours=3)
    during = is_in(client)
    end(at, dive)

    assert (during, is_in(client)) == (True, False)


@pytest.mark.parametrize(("later", "still"), [(PUT_OFF_MAX - MINUTE, True), (PUT_OFF_MAX, False)])
def test_it_is_put_off_for_a_day_at_most(at: Site, client: FlaskClient, later: timedelta, still: bool) -> None:  # noqa: FBT001 - a parameter of pytest
    """An alarm that nobody ends must not keep a browser signed in for ever."""
    enter(client)
    at.clock.at += IDLE_MAX - MINUTE
    in_alarm(at)

    at.clock.at += MINUTE + later

    assert is_in(client) is still


def test_an_alarm_brings_no_session_back_that_was_over(at: Site, client: FlaskClient) -> None:
    """It began after the end."""
    enter(client)
    at.clock.at += IDLE_MAX + MINUTE
    in_alarm(at)

    assert not is_in(client)


def test_alarms_that_overlap_are_one_to_the_desk(at: Site, client: FlaskClient) -> None:
    """The second began after the session's end, during the first, which is over by now."""
    enter(client)
    at.clock.at += IDLE_MAX - MINUTE
    first = in_alarm(at)
    at.clock.at += 30 * MINUTE
    in_alarm(at)
    at.clock.at += 30 * MINUTE
    end(at, first)
    at.clock.at += MINUTE

    assert is_in(client)


def test_of_two_alarms_that_began_together_the_end_of_one_shuts_nobody_out(at: Site, client: FlaskClient) -> None:
    """Plans for the same hour are overdue at the same moment; the other alarm goes on, and so does the session."""
    enter(client)
    at.clock.at += IDLE_MAX - MINUTE
    first, _ = in_alarm(at), in_alarm(at)
    at.clock.at += 30 * MINUTE
    end(at, first)

    assert is_in(client)


def test_a_database_that_takes_no_writes_shuts_nobody_out(at: Site, client: FlaskClient) -> None:
    """Its disk is full: who is in the water, and whom to call, is still to be read; who may not is still sent away."""
    enter(client)
    dive = in_alarm(at)
    at.clock.at += 10 * MINUTE

    paths = (f"/admin/dives/{dive.id}", "/admin/people", "/admin/messages")
    with read_only(at.service.engine):
        pages = [client.get(path).status_code for path in paths]
        stranger = at.app.test_client().get(paths[0])

    assert pages == [200, 200, 200]
    assert stranger.status_code == 303


def test_an_alarm_of_another_club_keeps_nobody_signed_in(at: Site, client: FlaskClient) -> None:
    """Whose dive it is decides."""
    enter(client)
    at.clock.at += IDLE_MAX - MINUTE
    dive = in_alarm(at)
    add_far_club(at.service, at.clock.now())
    of_far = update(DiveRow).where(DiveRow.id == dive.id).values(club_id="far")
    at.service.write(lambda session: session.execute(of_far))
    at.clock.at += 2 * MINUTE

    assert not is_in(client)


def test_a_board_that_asks_by_itself_is_not_signed_out_before_the_alarm_is_over(
    at: Site, client: FlaskClient, board: str
) -> None:
    """Its asking is no use of the session: without an alarm it ends like any, in one it goes on."""
    enter(client)
    dive = None
    seen = []
    for hours in range(20):
        seen.append(client.get(board, headers={"Accept": "text/event-stream"}).status_code)
        at.clock.at += timedelta(hours=1)
        if hours == 10:
            dive = in_alarm(at)
    assert dive is not None
    end(at, dive)

    assert seen == [200] * 20
    assert client.get(board, headers={"Accept": "text/event-stream"}).status_code == 401


def test_a_board_that_asks_by_itself_keeps_nobody_signed_in_on_a_calm_day(
    at: Site, client: FlaskClient, board: str
) -> None:
    """A desk that was left open with the board on it is signed out after twelve hours."""
    enter(client)
    for _ in range(12):
        at.clock.at += timedelta(hours=1)
        last = client.get(board, headers={"Accept": "text/event-stream"}).status_code

    assert last == 401
