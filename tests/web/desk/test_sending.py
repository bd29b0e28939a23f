"""The bounds on sending at the desk: what holds, what was used, what was held off, and who may change it."""

from __future__ import annotations

import re

import pytest
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from service.domain.sending import SendingLimits
from service.operations.admin_roles import AdminRole
from service.operations.gateway import InboundText
from service.operations.inbound import answer_text
from service.operations.receiving import receive_text
from service.operations.sending_settings import SETTING, limits_of
from service.store import clubs, log
from service.store.log import Entry
from tests.web.desk.entering import enter, post
from tests.web.installation import PLAN_FORM, RECEIVING, Site

SENDING = "/admin/sending"
USUAL = {"number_day": "40", "club_hour": "300", "club_day": "1500", "drills_day": "60"}


def limits(at: Site) -> SendingLimits:
    """What holds for the club."""

    def work(session: Session) -> SendingLimits:
        club = clubs.get(session, at.club_id)
        assert club is not None
        return limits_of(club)

    return at.service.read(work)


def mark(client: FlaskClient) -> str:
    """What the form carries of what holds."""
    found = re.search(r'name="made_from" value="([0-9a-f]+)"', client.get(SENDING).text)
    assert found is not None
    return found[1]


def changed(at: Site) -> list[Entry]:
    """The entries that say so."""
    entries = at.service.read(lambda session: log.entries(session, log.club_chain(at.club_id)))
    return [entry for entry in entries if entry.kind == "sending_changed"]


def test_only_an_owner_sees_and_changes_them(client: FlaskClient) -> None:
    """They are about money."""
    enter(client, AdminRole.OFFICER)

    assert client.get(SENDING).status_code == 403
    assert post(client, SENDING, **USUAL).status_code == 403


def test_an_owner_changes_bounds_and_the_log_has_before_and_after(at: Site, client: FlaskClient) -> None:
    """Saved as they are, nothing is noted."""
    enter(client)
    typed = USUAL | {"club_hour": "100", "countries": "de, fr", "part_price": "0,04", "currency": "gbp"}

    answer = post(client, SENDING, made_from=mark(client), **typed)

    assert answer.location == f"{SENDING}?saved=yes"
    assert (limits(at).club_hour, limits(at).countries, str(limits(at).part_price)) == (100, ("DE", "FR"), "0.04")
    [entry] = changed(at)
    assert entry.detail is not None
    assert entry.detail["before"]["club_hour"] == 300
    assert entry.detail["after"]["countries"] == ["DE", "FR"]
    shown = client.get(SENDING).text
    assert "Also Germany, France." in shown
    assert "about 0.00 GBP" in shown
    post(client, SENDING, made_from=mark(client), **typed)
    assert len(changed(at)) == 1


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"club_hour": "19"}, "Give a whole number from 20 to 100000."),
        ({"number_day": "many"}, "Give a whole number from 5 to 1000."),
        ({"club_hour": "2000"}, "This is more than in a whole day."),
        ({"number_day": "1000", "club_day": "60", "club_hour": "50"}, "This is more than the club sends in a day."),
        ({"countries": "DE, Narnia"}, "NARNIA is no country."),
        ({"countries": "ZZ"}, "ZZ is no country."),
        ({"part_price": "cheap"}, "Give an amount in digits"),
        ({"part_price": "0"}, "Give an amount in digits"),
        ({"month_spend": "50"}, "Give what one text costs"),
        ({"currency": "POUND"}, "Give the three letters"),
    ],
)
def test_what_cannot_be_is_refused_and_stays_in_the_form(
    at: Site, client: FlaskClient, typed: dict[str, str], words: str
) -> None:
    """With what to do; nothing changes."""
    enter(client)

    answer = post(client, SENDING, made_from=mark(client), **(USUAL | typed))

    assert answer.status_code == 422
    assert words in answer.text
    assert all(f'value="{value}"' in answer.text for value in typed.values())
    assert limits(at) == SendingLimits()


def test_who_was_slower_is_told(at: Site, client: FlaskClient) -> None:
    """The bounds are shown as they are now."""
    enter(client)
    before = mark(client)
    post(client, SENDING, made_from=before, **(USUAL | {"club_hour": "100"}))

    answer = post(client, SENDING, made_from=before, **(USUAL | {"club_hour": "200"}))

    assert answer.status_code == 409
    assert "Another owner changed the bounds meanwhile" in answer.text
    assert limits(at).club_hour == 100


def test_what_is_held_off_is_shown(at: Site, client: FlaskClient) -> None:
    """A plan by the form is refused with words and stays in it; an answer to a stranger is not sent."""
    enter(client)
    settings = {SETTING: {"club_hour": 0}}
    at.service.write(lambda session: setattr(clubs.get(session, at.club_id), "settings", settings))
    seen = client.post("/plan", data={**PLAN_FORM, "do": "preview"})
    nonce = re.search(r'name="nonce" value="([^"]+)"', seen.text)
    assert nonce is not None

    refused = client.post("/plan", data={**PLAN_FORM, "do": "file", "nonce": nonce[1]})
    text = InboundText("shore", "t-1", "+447700900599", RECEIVING, "what is this", {}, at.clock.now())
    inbound_id = receive_text(at.service, text, authentic=True)
    assert inbound_id is not None
    answer_text(at.service, inbound_id)

    assert refused.status_code == 429
    assert "Nothing was filed: the club has sent as many texts this hour" in refused.text
    assert 'value="Anna Holt"' in refused.text
    shown = client.get(SENDING).text
    assert "Plans by the open form: the hour was used up" in shown
    assert "Answers to phones without a dive: the hour was used up" in shown


@pytest.mark.parametrize("kept", [None, "nonsense", {"club_hour": "ten", "countries": "DE", "part_price": "x"}])
def test_settings_that_cannot_be_read_are_as_usual(at: Site, client: FlaskClient, kept: object) -> None:
    """No slip in a settings column keeps a plan from being filed."""
    at.service.write(lambda session: setattr(clubs.get(session, at.club_id), "settings", {SETTING: kept}))

    assert limits(at) == SendingLimits()
    assert client.post("/plan", data={**PLAN_FORM, "do": "preview"}).status_code == 200
