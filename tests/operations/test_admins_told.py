"""An admin who took part in an alarm, or to whom it was handed up, hears that it is over."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from service.domain.dive import Dive
from service.domain.dive import commands as do
from service.domain.people import Actor, Role, Via
from service.operations.recording import act
from service.store import admins
from service.store.tables import AdminRow
from tests.operations.away import Keeping, gone
from tests.operations.stage import ANNA, BEGIN_AT, CLEO, CLUB, FINN, Stage

GUS = "+447700900041"
OVER = "2 divers OUT. It is over."


@pytest.fixture
def overdue(stage: Stage) -> Dive:
    """A dive whose first contact is alerted; the club has a second admin, who has a phone too."""
    return in_alarm(stage)


def in_alarm(stage: Stage) -> Dive:
    """The same on any stage."""
    gus = {"name": "Gus Orr", "email": "gus@skerry.example", "phone": GUS, "password_hash": "nobody signs in"}
    stage.service.write(lambda session: admins.add(session, club_id=CLUB, now=stage.clock.at, **gus))
    dive = stage.dive_in()
    stage.wait(minutes=65)
    return dive


def admin_id(stage: Stage, phone: str) -> str:
    """Of the admin with that phone."""
    rows = stage.service.read(lambda session: admins.admins_to_tell(session, CLUB))
    return next(row.id for row in rows if row.phone == phone)


@pytest.mark.parametrize("words", ["OK", "CALLED", "ON SCENE"])
def test_who_answered_by_text_hears_the_end_and_no_other_admin_does(stage: Stage, overdue: Dive, words: str) -> None:
    """Rescue may be on its way on their word, and it is theirs to send back."""
    stage.text(FINN, f"{words} {overdue.reference}")

    stage.text(ANNA, "OUT 2")

    assert OVER in stage.last_to(FINN)
    assert ("Rescue was called: tell them now that it is over." in stage.last_to(FINN)) is (words == "CALLED")
    assert stage.to(GUS) == []


@pytest.mark.parametrize("command", [do.Acknowledge, do.ReportCalled, do.RaiseNow], ids=["acts", "called", "raises"])
def test_who_took_part_at_the_desk_hears_the_end(stage: Stage, overdue: Dive, command: type) -> None:
    """They are not at the desk any more."""
    by = Actor(Role.ADMIN, "Finn Aske", Via.PAGE, f"admin-{admin_id(stage, FINN)}", words="a button")
    act(stage.service, overdue.id, command(by))

    stage.text(CLEO, f"SAFE 2 {overdue.reference}")

    assert "2 divers SAFE. It is over." in stage.last_to(FINN)
    assert stage.to(GUS) == []


def test_who_acts_hears_what_contacts_hear(stage: Stage, overdue: Dive) -> None:
    """Where somebody was seen, that rescue is called: whoever acts is who needs it, and no other admin is woken."""
    stage.text(FINN, f"OK {overdue.reference}")

    stage.text(ANNA, "we are both on the rocks by the point")
    heard = stage.last_to(FINN)
    stage.text(CLEO, f"CALLED {overdue.reference}")

    assert 'Anna Holt says "we are both on the rocks by the point"' in heard
    assert "RESCUE CALLED" in stage.last_to(FINN)
    assert "https://dive.example/alarm/" in stage.last_to(FINN)
    assert stage.to(GUS) == []


def test_who_says_it_is_not_told_it(stage: Stage, overdue: Dive) -> None:
    """Their answer is all that they get."""
    stage.text(FINN, f"OK {overdue.reference}")

    assert len(stage.text(FINN, f"CALLED {overdue.reference}")) == 1


def test_who_ends_it_is_answered_and_told_nothing_more(stage: Stage, overdue: Dive) -> None:
    """They know already."""
    stage.text(FINN, f"OK {overdue.reference}")

    answers = stage.text(FINN, f"SAFE 2 {overdue.reference}")

    assert len(answers) == 1


def test_who_had_alarms_and_ends_it_at_the_desk_hears_it_on_their_phone(stage: Stage, overdue: Dive) -> None:
    """The desk proves no phone; whoever holds theirs has the alarm."""
    stage.text(FINN, f"OK {overdue.reference}")
    stage.text(ANNA, "we are both on the rocks by the point")
    assert "on the rocks" in stage.last_to(FINN)

    by = Actor(Role.ADMIN, "Finn Aske", Via.PAGE, f"admin-{admin_id(stage, FINN)}", words="a button")
    act(stage.service, overdue.id, do.ReportSafe(by, 2, None))
    stage.turn()

    assert "the dive is over. Said by Finn Aske." in stage.last_to(FINN)


def test_after_the_hand_up_every_admin_hears_it_once(stage: Stage, overdue: Dive) -> None:
    """Who answered is one of them."""
    stage.wait(minutes=60)
    stage.text(FINN, f"OK {overdue.reference}")

    stage.text(ANNA, "OUT 2")

    assert [sum(OVER in body for body in stage.to(phone)) for phone in (FINN, GUS)] == [1, 1]


def out_of_office(row: AdminRow) -> None:
    """They are an admin no more."""
    row.disabled_at = BEGIN_AT


def without_phone(row: AdminRow) -> None:
    """They take their phone out of their account."""
    row.phone = None


@pytest.mark.parametrize("leaves", [out_of_office, without_phone])
def test_who_was_handed_the_alarm_and_is_no_admin_to_tell_any_more_hears_it_too(
    unchecked: Stage, leaves: Callable[[AdminRow], None]
) -> None:
    """They were told to act, and nobody would have told them to stop.

    The checker knows no phone that an admin had before, so it is not asked.
    """
    in_alarm(unchecked)
    unchecked.wait(minutes=60)
    gus_id = admin_id(unchecked, GUS)
    unchecked.service.write(lambda session: leaves(session.get_one(AdminRow, gus_id)))

    unchecked.text(ANNA, "OUT 2")

    assert OVER in unchecked.last_to(GUS)


def test_the_end_in_an_outage_reaches_them_too(keeping: Keeping) -> None:
    """The keeper has their phone in its snapshot."""
    stage = keeping.stage
    dive = in_alarm(stage)
    stage.text(FINN, f"CALLED {dive.reference}")
    keeping.look()
    with gone(stage.engine):
        keeping.hears(ANNA, "OUT 2")
        assert sum(OVER in body for body in stage.to(FINN)) == 1
    keeping.look()
    stage.turn()

    assert not any(OVER in body for body in stage.to(GUS))
