"""The dives of a club as a list: a place in it is for ever, and no dive is lost between two pieces."""

from __future__ import annotations

import itertools

from sqlalchemy.orm import Session

from service.domain.dive.state import Phase
from service.store import dive_lists
from service.store.dive_lists import Listed
from tests.store.examples import CLUB, NOW, add_club, add_dive, apply, filed, minutes, started


def ids(found: list[Listed]) -> list[str]:
    """The dives that a piece has."""
    return [one.place.dive_id for one in found]


def test_the_listing_is_the_clubs_own_by_phase_latest_first(session: Session) -> None:
    """A club never sees another's dives."""
    add_club(session, "other", "+447700900501")
    add_dive(session, filed("d1", "11", "12"))
    apply(session, add_dive(session, filed("d2", "21", "22", at=NOW + minutes(1))), started())
    add_dive(session, filed("d3", "31", "32", club_id="other"), number="+447700900501")

    assert ids(dive_lists.listing(session, CLUB, None, 10)) == ["d2", "d1"]
    assert ids(dive_lists.listing(session, CLUB, Phase.IN_WATER, 10)) == ["d2"]
    assert ids(dive_lists.listing(session, CLUB, None, 1)) == ["d2"]
    assert ids(dive_lists.listing(session, CLUB, None, 10, without=["d2"])) == ["d1"]
    assert ids(dive_lists.listing(session, "other", None, 10)) == ["d3"]


def test_pieces_of_any_size_make_the_whole_list(session: Session) -> None:
    """Also where several dives were filed at the very same moment."""
    at = [NOW, NOW, NOW, NOW + minutes(1), NOW + minutes(1), NOW + minutes(2)]
    for number, filed_at in enumerate(at):
        add_dive(session, filed(f"d{number}", f"{number}1", f"{number}2", at=filed_at))
    whole = ["d5", "d3", "d4", "d0", "d1", "d2"]

    for size in range(1, 8):
        read: list[str] = []
        after = None
        for _ in itertools.repeat(None, 7):
            piece = dive_lists.listing(session, CLUB, None, size, after=after)
            read += ids(piece)
            if not piece:
                break
            after = piece[-1].place
        assert read == whole, size


def test_live_are_those_whose_clock_runs_or_that_are_in_alarm(session: Session) -> None:
    """A plan is not yet, and a dive that is over is no more; another club's never is."""
    add_club(session, "other", "+447700900501")
    add_dive(session, filed("d1", "11", "12"))
    apply(session, add_dive(session, filed("d2", "21", "22", at=NOW - minutes(1))), started())
    elsewhere = add_dive(session, filed("d3", "31", "32", club_id="other"), number="+447700900501")
    apply(session, elsewhere, started())

    assert ids(dive_lists.live(session, CLUB, 10)) == ["d2"]
    assert ids(dive_lists.live(session, "other", 10)) == ["d3"]
