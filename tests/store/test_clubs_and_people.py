"""Clubs, sites, people, admins and tokens: each club sees its own."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.domain.grace import FinishNeeds, GracePeriods
from service.store import admins, clubs, people, sites, tokens
from service.store.codec import UnreadableError
from service.store.sites import NewPoint
from service.store.tables import SiteRow
from tests.store.examples import ANNA, BRAM, CLEO, CLUB, NOW, NUMBER, add_club, minutes

OTHER = "other"
OTHER_NUMBER = "+447700900501"


@pytest.fixture
def two_clubs(session: Session) -> Session:
    """A session with a second club."""
    add_club(session, OTHER, OTHER_NUMBER)
    return session


def site(session: Session, code: str = "LANTERN", name: str = "Lantern Cove", **changes: object) -> SiteRow:
    """A site."""
    fields: dict[str, object] = {
        "club_id": CLUB,
        "code": code,
        "name": name,
        "zone": "Europe/London",
        "lat": 47.12345,
        "lon": -20.54321,
        "rescue_call": "07700 900999",
    }
    return sites.add(session, **(fields | changes))  # type: ignore[arg-type]


def admin_of(session: Session, email: str, **changes: object) -> str:
    """The id of a new admin."""
    fields: dict[str, object] = {
        "club_id": CLUB,
        "name": "Finn Aske",
        "phone": "+447700900021",
        "password_hash": "hash",
        "now": NOW,
    }
    return admins.add(session, email=email, **(fields | changes)).id  # type: ignore[arg-type]


def test_a_club_is_found_by_its_id_and_its_receiving_number(two_clubs: Session) -> None:
    """A text that comes in says by its receiver which club is meant."""
    one = clubs.by_receiving_number(two_clubs, NUMBER)

    assert one is not None
    assert (one.id, one.name, one.country, one.settings) == (CLUB, "Skerry Bay Divers", "GB", {})
    assert clubs.get(two_clubs, OTHER) is clubs.by_receiving_number(two_clubs, OTHER_NUMBER)
    assert clubs.get(two_clubs, "none") is None
    assert clubs.by_receiving_number(two_clubs, ANNA) is None
    assert {club.id for club in clubs.listing(two_clubs)} == {CLUB, OTHER}


@pytest.mark.parametrize("words", ["LANTERN", "lantern", "  Lantern   cove ", "LANTERN COVE", "the cove", "The Cove"])
def test_a_site_is_found_by_code_name_or_alias_however_it_is_written(session: Session, words: str) -> None:
    """Cold fingers do not care about capitals or spaces."""
    one = site(session, aliases=("the cove",))
    site(session, "SLIP", "North Slip")

    assert sites.find(session, CLUB, words) is one


def test_a_code_counts_before_a_name_and_a_name_before_an_alias(session: Session) -> None:
    """The nearest meaning wins."""
    by_alias = site(session, "ONE", "First", aliases=("second", "third", "fourth"))
    by_name = site(session, "TWO", "Second", aliases=("third",))
    by_code = site(session, "THIRD", "Other")

    assert sites.find(session, CLUB, "third") is by_code
    assert sites.find(session, CLUB, "second") is by_name
    assert sites.find(session, CLUB, "fourth") is by_alias


def test_words_that_name_two_sites_name_none(session: Session) -> None:
    """A rescue must not be sent to a guess."""
    site(session, "ONE", "First", aliases=("the beach",))
    site(session, "TWO", "Second", aliases=("The Beach",))

    assert sites.find(session, CLUB, "the beach") is None
    assert sites.find(session, CLUB, "") is None


def test_a_site_of_another_club_or_out_of_use_is_not_found(two_clubs: Session) -> None:
    """Nobody files a plan for a place that the club does not offer."""
    theirs = site(two_clubs, club_id=OTHER)
    retired = site(two_clubs, "SLIP", "North Slip")
    retired.retired_at = NOW
    two_clubs.flush()

    assert sites.find(two_clubs, CLUB, "LANTERN") is None
    assert sites.find(two_clubs, CLUB, "SLIP") is None
    assert sites.listing(two_clubs, CLUB) == []
    assert sites.get(two_clubs, CLUB, theirs.id) is None
    assert sites.get(two_clubs, OTHER, theirs.id) is theirs
    assert sites.get(two_clubs, CLUB, retired.id) is retired


def test_two_sites_of_a_club_cannot_have_one_code(two_clubs: Session) -> None:
    """Codes are kept in capitals, so that case makes no second site."""
    site(two_clubs)
    site(two_clubs, club_id=OTHER)

    with pytest.raises(IntegrityError), two_clubs.begin_nested():
        site(two_clubs, "lantern", "Another")


def test_points_come_back_in_their_order_with_what_is_known(session: Session) -> None:
    """The best exit is named first; a point without a position is still a name."""
    given = (
        NewPoint("exit", "West steps", 47.12301, -20.5461, "Slippery"),
        NewPoint("exit", "Boat shed"),
        NewPoint("hazard", "Outfall"),
    )
    one = site(session, points=given)

    found = [
        NewPoint(point.kind, point.name, point.lat, point.lon, point.notes) for point in sites.points(session, one.id)
    ]

    assert tuple(found) == given
    assert sites.points(session, "none") == []


def test_grace_periods_are_the_sites_over_the_clubs_over_the_defaults(session: Session) -> None:
    """Each period by itself: a site that changes one keeps the club's others."""
    plain = site(session)
    special = site(session, "SLIP", "North Slip", grace={"grace": "PT25M"})
    assert sites.grace_for(session, CLUB, plain.id) == GracePeriods()

    club = clubs.get(session, CLUB)
    assert club is not None
    club.grace = {"grace": "PT20M", "finish_needs": "code"}
    session.flush()

    assert sites.grace_for(session, CLUB, None).grace == minutes(20)
    assert sites.grace_for(session, CLUB, plain.id).grace == minutes(20)
    found = sites.grace_for(session, CLUB, special.id)
    assert (found.grace, found.finish_needs) == (minutes(25), FinishNeeds.CODE)
    assert found.distress_after == minutes(30)


def test_grace_periods_of_a_site_of_another_club_do_not_hold(two_clubs: Session) -> None:
    """Settings never leak from club to club."""
    theirs = site(two_clubs, club_id=OTHER, grace={"grace": "PT90M"})

    assert sites.grace_for(two_clubs, CLUB, theirs.id) == GracePeriods()


def test_stored_grace_periods_that_are_none_are_unreadable(session: Session) -> None:
    """A damaged setting is an error, not a guess."""
    one = site(session, grace={"grace": "soon"})

    with pytest.raises(UnreadableError):
        sites.grace_for(session, CLUB, one.id)


def test_a_person_is_found_by_phone_within_their_club(two_clubs: Session) -> None:
    """A plan by text needs to know the sender and their usual contacts."""
    people.add(two_clubs, club_id=CLUB, name="Anna Holt", phone=ANNA, usual_contacts=(("Cleo Marsh", CLEO),))
    people.add(two_clubs, club_id=OTHER, name="Anna H.", phone=ANNA)

    one = people.by_phone(two_clubs, CLUB, ANNA)

    assert one is not None
    assert (one.name, one.usual_contacts) == ("Anna Holt", [{"name": "Cleo Marsh", "phone": CLEO}])
    assert people.by_phone(two_clubs, CLUB, BRAM) is None
    assert [person.name for person in people.listing(two_clubs, OTHER)] == ["Anna H."]
    with pytest.raises(IntegrityError), two_clubs.begin_nested():
        people.add(two_clubs, club_id=CLUB, name="Somebody", phone=ANNA)


def test_a_usual_contact_is_found_by_phone_within_the_club_alone(two_clubs: Session) -> None:
    """By the whole number: one that begins alike is somebody else's."""
    people.add(two_clubs, club_id=CLUB, name="Anna Holt", phone=ANNA, usual_contacts=(("Cleo Marsh", CLEO),))

    assert people.is_usual_contact(two_clubs, CLUB, CLEO)
    assert not people.is_usual_contact(two_clubs, OTHER, CLEO)
    assert not people.is_usual_contact(two_clubs, CLUB, CLEO[:-1])
    assert not people.is_usual_contact(two_clubs, CLUB, ANNA)


def test_many_people_are_changed_at_once_and_those_of_another_club_stay(two_clubs: Session) -> None:
    """Each in the columns that are given for them, as a list that a club imports has it."""
    ours = [people.keep(two_clubs, CLUB, f"+4477009006{n:02d}", {"name": f"Diver {n}"}).id for n in range(6)]
    theirs = people.keep(two_clubs, OTHER, "+447700900699", {"name": "Far"}).id
    contacts = [{"name": "Cleo Marsh", "phone": CLEO}]

    changed = people.change_all(
        two_clubs,
        CLUB,
        [
            *((one, {"usual_contacts": contacts}) for one in ours[:5]),
            (ours[5], {"notes": "key"}),
            (theirs, {"notes": ""}),
        ],
    )

    assert changed == 6
    known = {row.id: (row.usual_contacts, row.notes) for row in people.listing(two_clubs, CLUB)}
    assert [known[one] for one in ours] == [*[(contacts, None)] * 5, ([], "key")]
    [far] = people.listing(two_clubs, OTHER)
    assert far.notes is None


def test_an_admin_signs_in_by_address_in_whatever_case(session: Session) -> None:
    """Phones like to begin addresses with a capital."""
    admin_id = admin_of(session, " Finn@Example.invalid ")

    one = admins.by_email(session, "FINN@example.INVALID")

    assert one is not None
    assert (one.id, one.email) == (admin_id, "finn@example.invalid")
    assert admins.get(session, admin_id) is one
    assert admins.by_email(session, "dov@example.invalid") is None
    with pytest.raises(IntegrityError), session.begin_nested():
        admin_of(session, "finn@example.invalid")


def test_a_disabled_admin_is_gone(session: Session) -> None:
    """No way in, and no message."""
    admin_id = admin_of(session, "finn@example.invalid")

    admins.disable(session, admin_id, NOW)
    admins.disable(session, admin_id, NOW + minutes(5))
    admins.disable(session, "none", NOW)

    assert admins.get(session, admin_id) is None
    assert admins.by_email(session, "finn@example.invalid") is None
    assert admins.admins_to_tell(session, CLUB) == []


def test_those_admins_are_told_who_have_a_phone_in_this_club(two_clubs: Session) -> None:
    """When nobody answers an alarm, they are the last to hear."""
    second = admin_of(two_clubs, "b@example.invalid", now=NOW + timedelta(seconds=1))
    first = admin_of(two_clubs, "a@example.invalid")
    admin_of(two_clubs, "no-phone@example.invalid", phone=None)
    admin_of(two_clubs, "theirs@example.invalid", club_id=OTHER)

    assert [admin.id for admin in admins.admins_to_tell(two_clubs, CLUB)] == [first, second]


def test_a_token_opens_its_club_until_it_is_revoked(session: Session) -> None:
    """Only the hash is looked up."""
    token = tokens.add(session, club_id=CLUB, name="board", token_hash="h1", now=NOW)

    one = tokens.find(session, "h1")
    assert one is not None
    assert (one.club_id, one.name, one.created_at) == (CLUB, "board", NOW)
    assert tokens.find(session, "h2") is None

    tokens.revoke(session, token.id, NOW)
    assert tokens.find(session, "h1") is None
