"""A contact's page of a dive that cannot be read: what is left of it, whom to call, in their language."""

from __future__ import annotations

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select, update
from sqlalchemy.exc import OperationalError

from service.domain.dive.commands import Start
from service.operations.recording import act
from service.store.tables import DiveRow, MessageRow, PersonRow
from tests.web.installation import ANNA, CLEO, Site
from tests.web.test_alarm_page import ANNA_BY_TEXT, AlarmPage
from tests.web.test_api_unreadable import damage


@pytest.fixture
def page(at: Site, client: FlaskClient) -> AlarmPage:
    """The first contact's page of a dive under way that cannot be read any more."""
    dive = at.filed()
    act(at.service, dive.id, Start(ANNA_BY_TEXT))
    path = at.alarm_path(dive)
    damage(at, dive.id)
    return AlarmPage(at, client, dive, path)


def told(at: Site) -> list[str]:
    """What the club's admins are told of it."""
    found = select(MessageRow.body).where(MessageRow.step.startswith("unread-"))
    return list(at.service.read(lambda session: session.execute(found).scalars().all()))


def test_it_says_what_is_known_and_whom_to_call_and_the_admins_hear_of_it_once(page: AlarmPage) -> None:
    """It was the page of any error, of which nothing could be read but to act on the text."""
    answer = page.client.get(page.path)
    page.client.get(page.path)

    assert answer.status_code == 500
    site = page.dive.plan.site.name
    for words in ("Anna Holt and 1 more", site, "Due out", "Raise the alarm by", page.dive.reference):
        assert words in answer.text
    assert f"In doubt call rescue directly, now: <strong>{page.dive.plan.site.rescue_call}</strong>" in answer.text
    assert f'href="tel:{ANNA}"' in answer.text
    assert "The admins of Skerry Bay Divers are told" in answer.text
    assert [f"the page of dive {page.dive.reference} cannot be shown" in body for body in told(page.at)] == [True]


def test_an_answer_on_it_is_none_and_it_says_so(page: AlarmPage) -> None:
    """Whoever has called rescue must not believe that the others know."""
    answer = page.client.post(page.path, data={"do": "called", "reference": page.dive.reference, "version": "1"})

    assert answer.status_code == 500
    assert "what you pressed was not kept: answer by text instead" in answer.text


def test_it_speaks_the_readers_language(page: AlarmPage) -> None:
    """As the lead's usual contacts have it; a fault of ours is no time for a foreign language."""
    contacts = [{"name": "Cleo Marsh", "phone": CLEO, "language": "de"}]
    german = update(PersonRow).where(PersonRow.phone == ANNA).values(usual_contacts=contacts)
    page.at.service.write(lambda session: session.execute(german))

    shown = page.shown

    assert '<p class="lead" lang="de">' in shown
    assert "STÖRUNG" in shown.upper()


def test_of_one_that_is_over_it_says_since_when(page: AlarmPage) -> None:
    """And calls nobody out."""
    now = page.at.clock.now()
    over = update(DiveRow).where(DiveRow.id == page.dive.id).values(phase="closed", closed_at=now, outcome="surfaced")
    page.at.service.write(lambda session: session.execute(over))

    shown = page.shown

    assert "<dt>Over</dt>" in shown
    assert "may be overdue" not in shown


def test_it_is_shown_also_where_nobody_can_be_told(page: AlarmPage, monkeypatch: pytest.MonkeyPatch) -> None:
    """A database that takes no writing is no reason to show less."""

    def away(*_: object) -> None:
        raise OperationalError("", {}, Exception("read-only"))

    monkeypatch.setattr("service.web.alarm_page.tell_of_unread", away)

    assert "are told that this page" not in page.shown
    assert "In doubt call rescue directly" in page.shown
