"""Changing grace periods: what is kept, what is refused, what is in the log, and what is set back."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.dive import Phase
from service.domain.grace import GracePeriods, NeverStarted
from service.operations.admin_roles import AdminRole
from service.operations.grace_settings import CHANGED, Contradicted, GraceView, Saved, Stale, grace_view, save, undo
from service.operations.setting_changes import CHANGED_SINCE, NOT_THERE, NotUndone
from service.operations.signing_in import SignedIn
from service.store import clubs, log, seed, seed_sites, sites
from service.store.codec import dump_grace
from tests.operations.stage import CLUB, Stage
from tests.store.test_at_once import all_at_once

FINN = SignedIn("finn", "Finn Aske", CLUB, seed.CLUB_NAME, seed.ZONE, AdminRole.OWNER)
SITE = seed_sites.SITES[0].code
OTHER = seed_sites.SITES[1].code


def mins(count: float) -> timedelta:
    """A length of time."""
    return timedelta(minutes=count)


def view(stage: Stage, code: str | None = None) -> GraceView:
    """How they stand."""
    found = grace_view(stage.service, CLUB, code)
    assert found is not None
    return found


def put(stage: Stage, code: str | None = None, **given: object) -> Saved:
    """Save these, by a form that was made just now."""
    saved = save(stage.service, FINN, code, given, view(stage, code).mark)  # type: ignore[arg-type]
    assert isinstance(saved, Saved)
    return saved


def holding(stage: Stage, code: str) -> GracePeriods:
    """What a dive filed now for that site would have."""

    def look(session: object) -> GracePeriods:
        row = sites.by_code(session, CLUB, code)  # type: ignore[arg-type]
        return sites.grace_for(session, CLUB, row.id if row else None)  # type: ignore[arg-type]

    return stage.service.read(look)


def test_only_what_differs_is_kept(stage: Stage) -> None:
    """What is as usual is no setting of the club's, and follows the usual when that changes."""
    put(stage, grace=mins(20), distress_after=mins(40), heads_up_before=mins(10), never_started=NeverStarted.LAPSE)

    assert view(stage).own.keys() == {"grace", "distress_after", "never_started"}
    assert view(stage).holds.grace == mins(20)
    assert holding(stage, SITE).distress_after == mins(40)


def test_a_site_follows_the_club_but_for_its_own(stage: Stage) -> None:
    """Each period is the site's, else the club's, else the usual one."""
    put(stage, grace=mins(20), distress_after=mins(40))
    put(stage, SITE, distress_after=mins(50), grace=mins(20))

    assert view(stage, SITE).own.keys() == {"distress_after"}
    assert (holding(stage, SITE).grace, holding(stage, SITE).distress_after) == (mins(20), mins(50))
    assert holding(stage, OTHER).distress_after == mins(40)
    put(stage, grace=mins(25), distress_after=mins(40))
    assert holding(stage, SITE).grace == mins(25)


def test_what_contradicts_is_refused_with_what_would_be_right(stage: Stage) -> None:
    """Nothing is saved, and nothing is in the log."""
    refused = save(stage.service, FINN, None, {"distress_after": mins(15)}, view(stage).mark)

    assert isinstance(refused, Contradicted)
    assert [(one.setting, one.right[:9]) for one in refused.found] == [("distress_after", "More than")]
    assert (view(stage).own, view(stage).history) == ({}, ())


def test_what_would_contradict_at_a_site_is_refused_and_the_site_named(stage: Stage) -> None:
    """The club's may be well by themselves and not with what a site has of its own."""
    put(stage, SITE, distress_after=mins(20))

    refused = save(stage.service, FINN, None, {"grace": mins(25), "distress_after": mins(40)}, view(stage).mark)

    assert isinstance(refused, Contradicted)
    assert refused.found == ()
    assert [(site.code, one.setting) for site, one in refused.elsewhere] == [(SITE, "distress_after")]


def test_the_second_of_two_admins_sees_what_the_first_did(stage: Stage) -> None:
    """A form that was made before the change is refused, at the club and at a site that follows it."""
    early, early_at_site = view(stage).mark, view(stage, SITE).mark
    put(stage, grace=mins(20))

    for code, mark in ((None, early), (SITE, early_at_site)):
        refused = save(stage.service, FINN, code, {"grace": mins(30)}, mark)
        assert isinstance(refused, Stale)
        assert refused.view.mark != mark
    assert view(stage).holds.grace == mins(20)


def test_of_two_admins_in_the_same_instant_one_saves(stage: Stage) -> None:
    """The other finds a form that was made before, and nothing is lost without being seen."""
    mark = view(stage).mark
    wanted = ({"grace": mins(20)}, {"heads_up_before": mins(15)})

    outcomes = all_at_once(lambda number: save(stage.service, FINN, None, wanted[number], mark), count=2)

    assert sorted(type(outcome).__name__ for outcome in outcomes) == ["Saved", "Stale"]
    assert len(view(stage).own) == len(view(stage).history) == 1


def test_saving_what_stands_is_no_change(stage: Stage) -> None:
    """And leaves no entry."""
    put(stage, grace=mins(20))

    assert put(stage, grace=mins(20)) == Saved(None)
    assert len(view(stage).history) == 1


def test_a_change_is_in_the_clubs_chain_with_before_and_after(stage: Stage) -> None:
    """With who did it."""
    put(stage, grace=mins(20))
    put(stage, SITE, grace=mins(10))

    entries = stage.service.read(lambda session: log.latest(session, log.club_chain(CLUB), CHANGED, 10))

    assert [entry.detail for entry in entries] == [
        {"site": SITE, "before": {}, "after": {"grace": "PT600S"}},
        {"before": {}, "after": {"grace": "PT1200S"}},
    ]
    assert {(entry.actor or {})["name"] for entry in entries} == {FINN.name}
    assert [change.about for change in view(stage, SITE).history] == [SITE]
    assert [change.about for change in view(stage).history] == [None]


def test_a_change_can_be_set_back_and_that_too(stage: Stage) -> None:
    """What was before holds again, by an entry of its own."""
    put(stage, grace=mins(20))
    changed = put(stage, grace=mins(30), distress_after=mins(45))

    undone = undo(stage.service, FINN, None, changed.seq or 0)

    assert isinstance(undone, Saved)
    assert view(stage).own == {"grace": "PT1200S"}
    assert view(stage).history[0].undoes == changed.seq
    undo(stage.service, FINN, None, undone.seq or 0)
    assert view(stage).holds.grace == mins(30)


def test_only_the_last_change_can_be_set_back(stage: Stage) -> None:
    """Where another came between, it stays, and so does one that is not there or is of a site."""
    first = put(stage, grace=mins(20))
    put(stage, grace=mins(30), distress_after=mins(45))

    assert undo(stage.service, FINN, None, first.seq or 0) == NotUndone(CHANGED_SINCE)
    assert undo(stage.service, FINN, None, 999) == NotUndone(NOT_THERE)
    assert undo(stage.service, FINN, SITE, first.seq or 0) == NotUndone(NOT_THERE)
    assert view(stage).holds.grace == mins(30)


def test_what_was_before_is_not_set_back_where_it_no_longer_holds_together(stage: Stage) -> None:
    """A site may have come by periods of its own meanwhile."""
    longer = put(stage, grace=mins(10), distress_after=mins(25))
    put(stage, SITE, distress_after=mins(12))

    refused = undo(stage.service, FINN, None, longer.seq or 0)

    assert isinstance(refused, Contradicted)
    assert [site.code for site, _ in refused.elsewhere] == [SITE]
    assert view(stage).holds.grace == mins(10)


def test_an_open_dive_keeps_its_own_and_is_named(stage: Stage) -> None:
    """Settings travel with the dive: a change touches none that is filed, and says which those are."""
    dive = stage.file()
    put(stage, grace=mins(40), distress_after=mins(50))

    assert stage.dive(dive.id).grace == GracePeriods()
    assert [one.reference for one in view(stage).untouched] == [dive.reference]
    assert (view(stage).open_count, view(stage, OTHER).open_count) == (1, 0)


@pytest.mark.parametrize("code", ["NOWHERE", ""], ids=["unknown", "empty"])
def test_a_site_that_is_not_there_changes_nothing(stage: Stage, code: str) -> None:
    """Nor does one of another club, which is not there either."""
    assert grace_view(stage.service, CLUB, code) is None
    assert save(stage.service, FINN, code, {}, "") is None
    assert undo(stage.service, FINN, code, 1) is None


def test_a_club_that_is_not_there_is_an_error(stage: Stage) -> None:
    """A signed-in admin always has one."""
    with pytest.raises(LookupError):
        grace_view(stage.service, "nobody")


def test_periods_from_before_there_were_bounds_go_on_to_hold(stage: Stage) -> None:
    """A dive is filed with them and runs by them; the page has the words for what is to be mended, and takes it."""
    longer = GracePeriods(distress_after=mins(200), hand_up_after=mins(400), next_contact_every=mins(40))
    own = {name: value for name, value in dump_grace(longer).items() if value != dump_grace(GracePeriods())[name]}
    stage.service.write(lambda session: clubs.set_grace(session, CLUB, own))

    dive = stage.dive_in()
    stage.wait(minutes=50 + 200 + 5)

    assert dive.grace == view(stage).holds == longer
    assert stage.dive(dive.id).phase is Phase.DISTRESS
    refused = save(stage.service, FINN, None, {"grace": mins(20), **_of(longer)}, view(stage).mark)
    assert isinstance(refused, Contradicted)
    assert {one.setting for one in refused.found} == {"next_contact_every", "distress_after", "hand_up_after"}
    put(stage, grace=mins(20))
    assert holding(stage, SITE) == replace(GracePeriods(), grace=mins(20))


def _of(periods: GracePeriods) -> dict[str, timedelta]:
    return {name: getattr(periods, name) for name in ("distress_after", "hand_up_after", "next_contact_every")}


@pytest.mark.parametrize("code", [None, SITE], ids=["the club's", "a site's"])
def test_a_nought_too_many_is_refused_for_a_club_and_a_site(stage: Stage, code: str | None) -> None:
    """Nothing of it is saved."""
    refused = save(stage.service, FINN, code, {"next_contact_every": mins(50)}, view(stage, code).mark)

    assert isinstance(refused, Contradicted)
    assert [(one.setting, one.right) for one in refused.found] == [("next_contact_every", "30 minutes or less.")]
    assert holding(stage, SITE) == GracePeriods()
