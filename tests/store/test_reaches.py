"""What a club knows of its contacts' phones: only of those that a plan named, and each club for itself."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.domain.standing import Reach
from service.store import reaches
from tests.store.examples import CLEO, CLUB, DOV, NOW, add_club, minutes

OTHER = "other"
LATER = NOW + minutes(5)


def of(session: Session, phone: str = CLEO, club_id: str = CLUB) -> Reach | None:
    """What that club knows of that phone; None where it keeps nothing."""
    return reaches.find(session, club_id, [phone]).get(phone)


def test_nothing_is_kept_of_a_phone_that_no_plan_named(session: Session) -> None:
    """Whatever reaches it, and whatever it says."""
    reaches.note_delivered(session, CLUB, CLEO, NOW)
    reaches.note_word(session, CLUB, CLEO, NOW)
    reaches.note_asked(session, CLUB, [CLEO], NOW)

    assert of(session) is None


def test_a_named_phone_is_kept_once_and_what_is_known_stays(session: Session) -> None:
    """The next plan with it forgets nothing."""
    reaches.know(session, CLUB, [CLEO, CLEO])
    reaches.note_delivered(session, CLUB, CLEO, NOW)

    reaches.know(session, CLUB, [DOV, CLEO])

    assert (of(session), of(session, DOV)) == (Reach(reached_at=NOW), Reach())


def test_being_asked_is_noted_once(session: Session) -> None:
    """The first time stays."""
    reaches.know(session, CLUB, [CLEO, DOV])
    reaches.note_asked(session, CLUB, [CLEO], NOW)

    reaches.note_asked(session, CLUB, [CLEO, DOV], LATER)
    reaches.note_asked(session, CLUB, [], LATER)

    assert [of(session, phone) for phone in (CLEO, DOV)] == [Reach(asked_at=NOW), Reach(asked_at=LATER)]


def test_a_word_reaches_further_than_a_delivery(session: Session) -> None:
    """Whoever writes was reached; what they decide is a word as well, and the earlier decision stays beside it."""
    reaches.know(session, CLUB, [CLEO])
    reaches.note_word(session, CLUB, CLEO, NOW)
    assert of(session) == Reach(reached_at=NOW, answered_at=NOW)

    reaches.decide(session, CLUB, CLEO, "agreed", NOW)
    reaches.decide(session, CLUB, CLEO, "declined", LATER)

    assert of(session) == Reach(agreed_at=NOW, declined_at=LATER, reached_at=LATER, answered_at=LATER)


def test_whoever_decides_is_kept_from_then_on(session: Session) -> None:
    """Also where their plan was filed before anything was kept."""
    reaches.decide(session, CLUB, CLEO, "declined", NOW)

    assert of(session) == Reach(declined_at=NOW, reached_at=NOW, answered_at=NOW)


def test_each_club_knows_its_own(session: Session) -> None:
    """One phone, two clubs, nothing passes between them."""
    add_club(session, OTHER, "+447700900501")
    reaches.know(session, CLUB, [CLEO])
    reaches.know(session, OTHER, [CLEO])

    reaches.decide(session, OTHER, CLEO, "declined", NOW)
    reaches.note_word(session, CLUB, CLEO, LATER)

    assert of(session) == Reach(reached_at=LATER, answered_at=LATER)
    assert of(session, club_id=OTHER) == Reach(declined_at=NOW, reached_at=NOW, answered_at=NOW)


def test_holding_gives_what_finding_gives(session: Session) -> None:
    """It only keeps others from writing meanwhile."""
    reaches.know(session, CLUB, [CLEO, DOV])
    reaches.note_word(session, CLUB, DOV, NOW)

    assert reaches.hold(session, CLUB, [DOV, CLEO]) == reaches.find(session, CLUB, [CLEO, DOV])
