"""Sites with all their details: kept, taken along by a dive, written over; and their tides."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.domain.place.club_site import ClubSite
from service.domain.place.conditions import Current
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePoint
from service.domain.place.tide import TidalExtreme, TideWindow
from service.store import sites, tides
from service.store.codec import UnreadableError
from service.store.tables import SiteRow
from tests.store.examples import CLUB, NOW, add_club

HOUR = timedelta(hours=1)
COVE = Position(47.12345, -20.54321)
STEPS = SitePoint(
    PointKind.EXIT, "West steps", COVE, ease=2, notes="Weed", window=TideWindow(1.2, None, 3, 2.5), vehicles=True
)
SITE = ClubSite(
    code="COVE",
    name="Lantern Cove",
    position=COVE,
    zone="Atlantic/Azores",
    rescue_call="07700 900999",
    non_emergency_call="07700 900998",
    aliases=("the cove",),
    access="Path",
    notes="Swell from the west",
    current=Current(70, 0.5),
    points=(STEPS, SitePoint(PointKind.SIGNAL, "Gate"), SitePoint(PointKind.ENTRY, "Beach", Position(47.12, -20.54))),
    shoreline=(Position(47.12, -20.54), Position(47.13, -20.55)),
)
TIDES = tuple(TidalExtreme(NOW + number * 6 * HOUR, 4.0 if number % 2 else 1.0, number % 2 == 1) for number in range(8))


def kept(session: Session, site: ClubSite = SITE, club_id: str = CLUB) -> SiteRow:
    """The row of a site that has all its details."""
    assert site.zone is not None
    assert site.rescue_call is not None
    there = sites.by_code(session, club_id, site.code)
    return sites.keep(session, club_id, site, there, zone=site.zone, rescue_call=site.rescue_call)


def test_a_new_site_does_not_take_the_place_of_one_that_was_made_meanwhile(session: Session) -> None:
    """Whoever saw none of that code is told, so that nobody's site is gone unseen."""
    kept(session)

    with pytest.raises(IntegrityError):
        sites.keep(session, CLUB, replace(SITE, name="Another"), None, zone="Europe/London", rescue_call="999")


def test_a_site_comes_back_with_everything(session: Session) -> None:
    """Points in their order, windows, line and current."""
    row = kept(session)
    session.expire_all()

    assert sites.club_site(session, row) == SITE


def test_writing_a_site_again_leaves_nothing_of_the_old_one_but_grace_and_tides(session: Session) -> None:
    """The file is the whole site; who still uses the old one is not touched, since the row stays the same."""
    first = kept(session)
    first.grace = {"grace": "PT25M"}
    tides.replace(session, first.id, TIDES)
    bare = ClubSite("COVE", "Cove", Position(47, -20), "UTC", "112", points=(SitePoint(PointKind.EXIT, "Ladder"),))

    again = kept(session, bare)
    session.expire_all()

    assert again.id == first.id
    assert sites.club_site(session, again) == bare
    assert sites.grace_for(session, CLUB, again.id).grace == timedelta(minutes=25)
    assert tides.between(session, again.id) == TIDES


def test_a_retired_site_that_is_written_again_is_in_use(session: Session) -> None:
    """Its code was never free for another."""
    kept(session).retired_at = NOW
    session.flush()
    assert sites.find(session, CLUB, "cove") is None

    kept(session)

    assert sites.find(session, CLUB, "cove") is not None


def test_a_code_belongs_to_its_club(session: Session) -> None:
    """Writing one club's site leaves another's of the same code alone."""
    add_club(session, "other", "+447700900501")
    ours, theirs = kept(session), kept(session, replace(SITE, name="Their cove"), "other")

    assert ours.id != theirs.id
    assert sites.by_code(session, CLUB, "cove") is ours
    assert sites.by_code(session, "other", "COVE") is theirs
    assert sites.by_code(session, CLUB, "SLIP") is None


def test_a_dive_takes_along_the_site_with_the_tides_around_it(session: Session) -> None:
    """Everything that the alarm and the pack need later, and no tide that cannot matter."""
    row = kept(session)
    tides.replace(session, row.id, TIDES)

    plan = sites.plan_of(session, row, (NOW + 6 * HOUR, NOW + 18 * HOUR))

    assert (plan.name, plan.code, plan.zone, plan.position) == ("Lantern Cove", "COVE", "Atlantic/Azores", COVE)
    assert (plan.rescue_call, plan.non_emergency_call) == ("07700 900999", "07700 900998")
    assert (plan.access, plan.current) == ("Path", Current(70, 0.5))
    assert (plan.points, plan.shoreline) == (SITE.points, SITE.shoreline)
    assert plan.tides == TIDES[1:4]
    assert plan.entry == Position(47.12, -20.54)


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param({"current": {"set_deg": 400, "drift_kn": 1}}, id="a current of no sea"),
        pytest.param({"current": {"drift_kn": 1}}, id="half a current"),
    ],
)
def test_a_damaged_site_is_an_error_and_not_a_guess(session: Session, damage: dict[str, object]) -> None:
    """It is named as unreadable, not passed over."""
    row = kept(session)
    for name, value in damage.items():
        setattr(row, name, value)
    session.flush()

    with pytest.raises(UnreadableError):
        sites.plan_of(session, row, (NOW, NOW))


def test_a_damaged_window_is_an_error_too(session: Session) -> None:
    """An exit that is taken for open when it is not is worse than none."""
    row = kept(session)
    sites.points(session, row.id)[0].window = {"min_height_m": "low"}
    session.flush()

    with pytest.raises(UnreadableError):
        sites.club_site(session, row)


def test_a_list_of_tides_takes_the_place_of_its_own_stretch_only(session: Session) -> None:
    """A new month does not take away the old one."""
    row = kept(session)
    tides.replace(session, row.id, TIDES)
    shifted = tuple(replace(one, at=one.at + HOUR / 2) for one in TIDES[2:5])

    tides.replace(session, row.id, shifted)

    assert tides.between(session, row.id) == (*TIDES[:3], *shifted, *TIDES[5:])


def test_a_site_has_one_height_at_one_time(session: Session) -> None:
    """Two of them would make the curve a matter of chance."""
    row = kept(session)
    tides.add(session, row.id, TIDES[:1])

    with pytest.raises(IntegrityError), session.begin_nested():
        tides.add(session, row.id, TIDES[:1])
