"""The demo club: complete, invented, and the same however often it is seeded."""

from __future__ import annotations

import re
from datetime import timedelta

import argon2
import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.domain.grace import GracePeriods
from service.domain.local_time import is_zone
from service.domain.place.site import PointKind
from service.domain.place.tide import TidalExtreme, check_extremes, gaps, height_at
from service.store import admins, clubs, people, sites, tides
from service.store.engine import writing
from service.store.schema import migrate
from service.store.seed import CLUB_ID, Seeded, seed
from service.store.tables import AdminRow, ClubRow, PersonRow, SitePointRow, SiteRow
from tests.store.examples import NOW, minutes

FICTION = re.compile(r"\+447700900\d{3}")  # Ofcom's numbers for drama


@pytest.fixture
def fresh(empty_engine: Engine) -> Engine:
    """A database at the current schema with nothing in it."""
    migrate(empty_engine)
    return empty_engine


def counted(session: Session) -> dict[str, int]:
    """How many rows there are of everything that is seeded."""
    rows = (AdminRow, ClubRow, PersonRow, SitePointRow, SiteRow)
    return {row.__tablename__: session.execute(select(func.count()).select_from(row)).scalar_one() for row in rows}


def test_seeding_twice_is_seeding_once(fresh: Engine) -> None:
    """A demo that is started again keeps what it had, also what somebody changed."""
    with writing(fresh) as session:
        first = seed(session, NOW, admin_password="practice")
        before = counted(session)
        club = clubs.get(session, CLUB_ID)
        assert club is not None
        club.rescue_call = "07700 900998"

    with writing(fresh) as session:
        second = seed(session, NOW + minutes(60), admin_password="other")

        assert second == first
        assert counted(session) == before
        club = clubs.get(session, CLUB_ID)
        assert club is not None
        assert club.rescue_call == "07700 900998"
        assert _admin_password_is(session, "practice")


def _admin_password_is(session: Session, password: str) -> bool:
    admin = admins.by_email(session, "finn@example.invalid")
    assert admin is not None
    return argon2.PasswordHasher().verify(admin.password_hash, password)


def test_the_demo_club_has_what_a_first_dive_needs(fresh: Engine) -> None:
    """Sites with two exits and a way for an ambulance, divers with usual contacts, an admin who can be told."""
    with writing(fresh) as session:
        seeded = seed(session, NOW, admin_password="practice")
        club = clubs.by_receiving_number(session, "+447700900500")

        assert club is not None
        assert (club.id, club.name, club.country) == (seeded.club_id, "Skerry Bay Divers", "GB")
        assert is_zone(club.zone)
        assert seeded.sites == ("LANTERN", "SLIP", "KELP")
        for code in seeded.sites:
            site = sites.find(session, club.id, code)
            assert site is not None
            details = sites.club_site(session, site)
            kinds = [point.kind for point in details.points]
            assert kinds.count(PointKind.EXIT) >= 2
            assert {"entry", "vehicle_access", "parking", "signal"} <= set(kinds)
            assert all(point.ease for point in details.points if point.kind is PointKind.EXIT)
            assert all(point.vehicles for point in details.points if point.kind is PointKind.VEHICLE_ACCESS)
            assert len(details.shoreline) > 5
            assert details.current is not None
            assert details.non_emergency_call == "07700 900998 (practice harbour office)"
            assert sites.grace_for(session, club.id, site.id) == GracePeriods()
        anna = people.by_phone(session, club.id, "+447700900001")
        assert anna is not None
        assert [one["name"] for one in anna.usual_contacts] == ["Cleo Marsh", "Dov Lind", "Edda Rowe"]
        assert [admin.name for admin in admins.admins_to_tell(session, club.id)] == ["Finn Aske"]
        assert _admin_password_is(session, "practice")


@pytest.mark.parametrize("later", [timedelta(0), timedelta(days=11), timedelta(days=400)], ids=str)
def test_the_demo_has_tides_whenever_it_is_started(fresh: Engine, later: timedelta) -> None:
    """A good list from two days ago to four weeks ahead, also when the demo is started again much later."""
    now = NOW + later
    with writing(fresh) as session:
        seed(session, NOW, admin_password="practice")
    with writing(fresh) as session:
        seed(session, now, admin_password="practice")
        site = sites.find(session, CLUB_ID, "LANTERN")
        assert site is not None
        everything = tides.between(session, site.id)
        coming = tides.between(session, site.id, (now, now + timedelta(days=27)))

    assert check_extremes(everything) == ()
    assert gaps(coming) == ()
    assert len(coming) > 100
    assert all(0 < one.height_m < 6 for one in everything)
    assert height_at(everything, now) is not None


def test_a_list_of_tides_that_somebody_gave_stays_alone(fresh: Engine) -> None:
    """Ours are invented: they must not mix with any others."""
    with writing(fresh) as session:
        seed(session, NOW, admin_password="practice")
        site = sites.find(session, CLUB_ID, "KELP")
        assert site is not None
        ours = tides.between(session, site.id)
        theirs = [TidalExtreme(one.at + minutes(7), one.height_m, one.high) for one in ours]
        tides.replace(session, site.id, theirs)
        tides.replace(session, site.id, [])
        given = tides.between(session, site.id)

    with writing(fresh) as session:
        seed(session, NOW + minutes(600), admin_password="practice")

        assert tides.between(session, site.id) == given


def test_every_number_of_the_demo_is_fiction_and_every_place_in_mid_ocean(fresh: Engine) -> None:
    """Nobody real is ever texted or looked for."""
    with writing(fresh) as session:
        seeded: Seeded = seed(session, NOW, admin_password="practice")
        places = [
            (row.lat, row.lon) for kind in (SiteRow, SitePointRow) for row in session.execute(select(kind)).scalars()
        ]

    assert all(FICTION.fullmatch(phone) for _, phone in seeded.people)
    assert FICTION.fullmatch(seeded.receiving_number)
    assert len(seeded.people) == 6
    assert all(47 < lat < 47.2 and -20.6 < lon < -20.4 for lat, lon in places)
