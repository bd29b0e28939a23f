"""The rescue call on every page that somebody in a hurry taps: the right number, or none."""

from __future__ import annotations

import re

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update

from service.domain.dialling import NO_NUMBER
from service.domain.dive.commands import Start, Tick
from service.domain.people import Actor, Role, Via
from service.domain.wording import LinkKind
from service.operations.recording import act
from service.store.tables import ClubRow, DiveRow, SiteRow
from tests.web.desk.entering import enter, post
from tests.web.installation import ANNA, BRAM, CLEO, DOV, Site, fill
from tests.web.test_plan_place import PLACE

BY = Actor(Role.DIVER, "Anna Holt", Via.PAGE, key="diver-0", phone=ANNA, words="In")


def dialled(page: str) -> set[str]:
    """All that a tap on the page dials, but the phones of the people."""
    return set(re.findall(r'href="tel:([^"]*)"', page)) - {ANNA, BRAM, CLEO, DOV}


@pytest.mark.parametrize(
    ("country", "call", "numbers"),
    [
        ("GB", "112 (24 h), ask for the coastguard", {"112"}),
        ("GB", "MRCC 01632 960112 - 999", {"01632960112"}),
        ("GB", "MRCC +44 (0)1632 960112", {"+441632960112"}),
        ("GB", "112 24/7", set()),
        ("GB", "VHF 16 01632 960112", set()),
        ("DK", "32 12 34 56, sea rescue", {"32123456"}),
        ("GB", "32 12 34 56, sea rescue", set()),
    ],
)
def test_every_page_dials_the_number_of_the_rescue_call_or_none(
    at: Site, client: FlaskClient, country: str, call: str, numbers: set[str]
) -> None:
    """A contact's, the pack, the diver's and the desk's, of a dive that can be read and of one that cannot."""
    at.service.write(lambda session: session.execute(update(SiteRow).values(rescue_call=call)))
    dive = at.filed()
    at.service.write(lambda session: session.execute(update(ClubRow).values(country=country)))
    act(at.service, dive.id, Start(BY))
    at.clock.forward(90)
    act(at.service, dive.id, Tick())
    paths = [
        at.alarm_path(dive),
        at.path(dive, "contact-0", LinkKind.HANDOVER),
        f"{at.dive_path(dive)}/sos",
        f"/admin/dives/{dive.id}",
    ]
    enter(client)

    pages = {path: client.get(path).text for path in paths}
    at.service.write(lambda session: session.execute(update(DiveRow).values(state="{")))
    pages["unread"] = client.get(paths[-1]).text

    assert "cannot be read" in pages["unread"]
    for path, page in pages.items():
        assert call in page, path
        assert dialled(page) == numbers, path


@pytest.mark.parametrize(("call", "times"), [("112 24/7", 1), ("harbour office", 1), ("112, 24/7", 0), ("", 0)])
def test_a_rescue_call_of_a_plan_that_cannot_be_dialled_is_said_before_it_is_sent(
    client: FlaskClient, call: str, times: int
) -> None:
    """It is advice, since the words are sent as they are; the club's own call is the club's to mend."""
    status, page = fill(client, "preview", **PLACE | {"place_position": "47.1231,-20.544", "place_rescue": call})

    assert status == 200
    assert page.count(NO_NUMBER) == times


@pytest.mark.parametrize(("call", "times"), [("999 - 24 hours", 0), ("999 24 hours", 1)])
def test_the_form_of_a_site_says_when_its_rescue_call_cannot_be_dialled(
    client: FlaskClient, call: str, times: int
) -> None:
    """While it is typed, before anything is saved."""
    enter(client)
    page = post(client, "/admin/sites/LANTERN", do="draw", code="LANTERN", name="Lantern Steps", rescue_call=call)

    assert page.status_code == 200
    assert page.text.count(NO_NUMBER) == times
