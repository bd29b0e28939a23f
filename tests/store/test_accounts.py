"""What accounts lean on when two come at the same moment, on both databases: a link, a code, a try, the last owner."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.domain.dive.events import AlarmRaised, Closed, Outcome
from service.operations.accounts import change_role
from service.operations.admin_roles import AdminRole
from service.operations.own_account import RefusedError
from service.operations.service import Service
from service.operations.signing_in import as_signed_in
from service.store import admin_invitations, admin_sessions, admins, board_screens, known_browsers, second_factors
from service.store.club_alarms import alarm_since
from service.store.engine import reading, run, writing
from service.store.tries import WINDOW
from tests.store.examples import BY_ANNA, CLUB, NOW, add_dive, apply, filed, minutes, started
from tests.store.test_at_once import all_at_once

WEEK = timedelta(days=7)


class Still:
    """A clock that stands."""

    def now(self) -> datetime:
        """Always the same."""
        return NOW


def add_admin(session: Session, email: str = "finn@example.invalid", role: str = "owner") -> str:
    """An admin of the club; gives the id."""
    row = admins.add(session, club_id=CLUB, name="Finn", email=email, phone=None, password_hash="-", now=NOW, role=role)
    return row.id


def test_an_invitation_is_accepted_by_one_of_many(engine: Engine) -> None:
    """Whoever is second finds it taken."""
    with writing(engine) as session:
        invitation = admin_invitations.add(
            session,
            club_id=CLUB,
            email="Ida@Example.Invalid ",
            role="viewer",
            token_hash="h",
            invited_by="Finn",
            now=NOW,
            ends_at=NOW + WEEK,
        ).id

    took = all_at_once(lambda _: run(engine, lambda session: admin_invitations.accept(session, invitation, NOW)))

    assert sorted(took) == [False, False, True]
    with reading(engine) as session:
        assert admin_invitations.find(session, "h", NOW) is None


def test_a_screen_becomes_one_browser_of_many(engine: Engine) -> None:
    """The others are told that the link is used up."""
    with writing(engine) as session:
        screen = board_screens.add(
            session, club_id=CLUB, name="Bar", link_hash="h", made_by="Finn", now=NOW, link_ends_at=NOW + WEEK
        ).id

    took = all_at_once(
        lambda number: run(engine, lambda session: board_screens.open_on(session, screen, f"cookie-{number}", NOW))
    )

    assert sorted(took) == [False, False, True]


def test_a_code_is_taken_once_by_many(engine: Engine) -> None:
    """Each step, and each recovery code."""
    with writing(engine) as session:
        admin_id = add_admin(session)
        second_factors.begin(session, admin_id, "sealed", NOW)
        assert second_factors.confirm(session, admin_id, 41, NOW)
        second_factors.renew_recovery_codes(session, admin_id, ["h0", "h1"])
        code = second_factors.recovery_code(session, admin_id, 1)
        assert code is not None
        code_id = code.id

    steps = all_at_once(lambda _: run(engine, lambda session: second_factors.use_step(session, admin_id, 42)))
    codes = all_at_once(lambda _: run(engine, lambda session: second_factors.use_recovery_code(session, code_id, NOW)))

    assert (sorted(steps), sorted(codes)) == ([False, False, True], [False, False, True])
    with writing(engine) as session:
        assert not second_factors.use_step(session, admin_id, 41)
        assert second_factors.recovery_codes_left(session, admin_id) == 1


def test_many_tries_at_once_are_no_more_than_one_after_another(engine: Engine) -> None:
    """Four are counted, whoever asks; a quarter of an hour after the first there are four again."""
    with writing(engine) as session:
        admin_id = add_admin(session)
        second_factors.begin(session, admin_id, "sealed", NOW)
        known_browsers.add(session, token_hash="b", admin_id=admin_id, now=NOW, ends_at=NOW + WEEK)

    def try_both(_: int) -> list[bool]:
        def one(session: Session) -> list[bool]:
            return [
                second_factors.take_try(session, admin_id, NOW, 4),
                known_browsers.take_try(session, "b", NOW, 4),
            ]

        return [*run(engine, one), *run(engine, one)]

    taken = [may for tries in all_at_once(try_both) for may in tries]

    assert sum(taken) == 8
    with writing(engine) as session:
        assert not second_factors.take_try(session, admin_id, NOW + WINDOW - minutes(1), 4)
        assert second_factors.take_try(session, admin_id, NOW + WINDOW, 4)
        assert known_browsers.take_try(session, "b", NOW + WINDOW, 4)
        known_browsers.renew(session, "b", NOW + WEEK)
        found = known_browsers.find(session, "b", admin_id, NOW)
        assert found is not None
        assert (found.tries, found.tries_since_at) == (0, None)


def test_two_owners_who_make_each_other_less_at_once_leave_one(engine: Engine) -> None:
    """The second is told that it would be the last."""
    service = Service(engine, Still(), "http://dives.test", "web-test")
    with writing(engine) as session:
        ids = [add_admin(session), add_admin(session, "gus@example.invalid")]
        owners = [as_signed_in(session, row) for row in admins.listing(session, CLUB)]

    def lower(number: int) -> bool:
        other = ids[1] if owners[number].admin_id == ids[0] else ids[0]
        try:
            return change_role(service, owners[number], other, AdminRole.VIEWER) is not None
        except RefusedError:
            return False

    assert sorted(all_at_once(lower, 2)) == [False, True]
    with reading(engine) as session:
        assert sorted(row.role for row in admins.listing(session, CLUB)) == ["owner", "viewer"]


def test_sessions_end_by_admin_by_handle_and_all_but_one(session: Session) -> None:
    """A handle names one session of one admin; the beginning of a handle names none."""
    finn, gus = add_admin(session), add_admin(session, "gus@example.invalid")
    for number, admin_id in enumerate((finn, finn, finn, gus)):
        token_hash = f"{number}" * 64
        admin_sessions.add(session, token_hash=token_hash, admin_id=admin_id, now=NOW, ends_at=NOW + WEEK)

    assert not admin_sessions.end_by_handle(session, finn, "3" * 16)
    assert not admin_sessions.end_by_handle(session, finn, "0" * 15)
    assert admin_sessions.end_by_handle(session, finn, "0" * 16)
    assert admin_sessions.end_all(session, finn, "1" * 64) == 1
    assert [one.token_hash[0] for one in admin_sessions.listing(session, finn)] == ["1"]
    assert admin_sessions.last_seen(session, CLUB) == {finn: NOW, gus: NOW}


def alarm(session: Session, dive_id: str, begins_min: float, ends_min: float | None) -> None:
    """A dive whose alarm was up between two moments, in minutes from now."""
    number = dive_id[1:]
    dive = add_dive(session, filed(dive_id, f"10000{number}", f"20000{number}"))
    dive = apply(session, dive, started())
    dive = apply(session, dive, AlarmRaised(NOW + minutes(begins_min), BY_ANNA))
    if ends_min is not None:
        closed = Closed(NOW + minutes(ends_min), outcome=Outcome.STOOD_DOWN, by=BY_ANNA, count=3)
        apply(session, dive, closed)


@pytest.mark.parametrize(
    ("alarms", "since_min"),
    [
        ([], None),
        ([(-30, None)], -30),
        ([(-30, -10)], None),
        ([(-90, -30), (-60, None)], -90),
        ([(-90, -70), (-60, None)], -60),
        ([(-120, -80), (-90, -50), (-60, None)], -120),
        ([(-60, None), (-20, None)], -60),
        ([(-60, -30), (-60, None)], -60),
        ([(-90, -30), (-60, -20), (-60, None)], -90),
    ],
    ids=["none", "one", "one that is over", "overlapping", "with a gap", "a chain", "two", "at once", "at once later"],
)
def test_an_alarm_is_up_since_the_first_of_those_that_follow_without_a_gap(
    session: Session, alarms: list[tuple[float, float | None]], since_min: float | None
) -> None:
    """So long nobody at the desk is signed out by time."""
    for number, (begins_min, ends_min) in enumerate(alarms):
        alarm(session, f"d{number}", begins_min, ends_min)

    expected = None if since_min is None else NOW + minutes(since_min)
    assert alarm_since(session, CLUB, NOW) == expected
    assert alarm_since(session, "elsewhere", NOW) is None
