"""A site edited by several at once, copied with its grace periods, and held while plans are filed."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.documents.site_reading import SiteFileError, SiteRead
from service.operations.admin_roles import AdminRole
from service.operations.filing import PlanFiled, PlanRefused, file_plan
from service.operations.signing_in import SignedIn
from service.operations.site_editing import SiteOpened, copy_site, open_site, retire_site, save_site
from service.operations.site_keeping import StaleSiteError
from service.store import admins, log, sites
from tests.operations.conftest import staged_on
from tests.operations.stage import BY_ANNA, CLUB, Stage, plan


def owner(stage: Stage) -> SignedIn:
    """The club's admin at the desk."""

    def work(session: Session) -> SignedIn:
        row = admins.listing(session, CLUB)[0]
        return SignedIn(row.id, row.name, CLUB, "Skerry Bay Divers", "Europe/London", AdminRole.OWNER)

    return stage.service.read(work)


def opened(stage: Stage, code: str = "LANTERN") -> SiteOpened:
    """A site as the desk shows it."""
    found = open_site(stage.service, CLUB, code)
    assert found is not None
    return found


def test_of_two_who_save_at_the_same_moment_one_is_told_what_the_other_did(stage: Stage) -> None:
    """Whoever is second sees it, however close they are; nothing is lost unseen."""
    by, seen = owner(stage), opened(stage)
    outcomes: list[object] = []

    def save(notes: str) -> None:
        read = SiteRead(replace(seen.site, notes=notes))
        try:
            outcomes.append(save_site(stage.service, by, read, of="LANTERN", opened=seen.mark))
        except StaleSiteError as stale:
            outcomes.append(stale)

    threads = [threading.Thread(target=save, args=(words,)) for words in ("Mine.", "Theirs.")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    [stale] = [one for one in outcomes if isinstance(one, StaleSiteError)]
    kept = opened(stage).site.notes
    assert kept in ("Mine.", "Theirs.")
    [meanwhile] = stale.meanwhile
    assert (meanwhile.by, [change.after for change in meanwhile.changes]) == (by.name, [kept])


@pytest.mark.postgres
def test_a_plan_is_filed_while_a_site_is_being_written(postgres_engine: Engine) -> None:
    """A hung desk keeps nobody's plan from being taken. SQLite has one writer at a time, and no row to hold."""
    with staged_on(postgres_engine) as stage:
        filed = _filed_meanwhile(stage)

    assert isinstance(filed, PlanFiled)


def _filed_meanwhile(stage: Stage) -> PlanFiled | PlanRefused:
    """What comes of a plan for a site whose row somebody holds."""
    entered, leave = threading.Event(), threading.Event()

    def hold(session: Session) -> None:
        row = sites.hold(session, CLUB, "LANTERN")
        assert row is not None
        row.notes = "Half written."
        session.flush()
        entered.set()
        leave.wait(30)

    thread = threading.Thread(target=stage.service.write, args=(hold,))
    thread.start()
    assert entered.wait(30)
    filed = file_plan(stage.service, CLUB, plan(), BY_ANNA)
    leave.set()
    thread.join()
    return filed


def test_a_copy_has_the_grace_periods_of_its_site(stage: Stage) -> None:
    """Else whoever dives there would be missed later than at the site next to it, and nobody had said so."""
    by = owner(stage)

    def own(session: Session) -> None:
        row = sites.by_code(session, CLUB, "LANTERN")
        assert row is not None
        row.grace = {"grace": "PT10M"}

    stage.service.write(own)

    copy_site(stage.service, by, "LANTERN", "EAST", "East Cove")

    assert opened(stage, "EAST").grace == opened(stage).grace
    assert opened(stage, "EAST").own_grace


def test_what_is_read_and_cannot_be_leaves_no_trace(stage: Stage) -> None:
    """Neither in the site nor in the log."""
    by, seen = owner(stage), opened(stage)
    taken = SiteRead(replace(seen.site, code="SLIP", notes="New."))

    with pytest.raises(SiteFileError, match="has a site SLIP already"):
        save_site(stage.service, by, taken, of="LANTERN", opened=seen.mark)

    assert opened(stage).site == seen.site
    assert [entry for entry in stage.entries(chain=log.club_chain(CLUB)) if entry.kind.startswith("site_")] == []


def test_a_dive_at_a_retired_site_is_alarmed_as_ever(stage: Stage) -> None:
    """With the site as it was filed with."""
    dive = stage.dive_in()
    assert retire_site(stage.service, owner(stage), "LANTERN") == ((dive.reference, "Anna Holt"),)

    stage.wait(minutes=66)

    assert "OVERDUE" in stage.last_to(dive.contacts[0].phone or "")
    assert "Lantern Cove" in stage.last_to(dive.contacts[0].phone or "")
    stage.text(dive.lead.phone or "", "OUT 2")
