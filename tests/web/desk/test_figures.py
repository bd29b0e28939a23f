"""Figures at the desk: what is chosen is what is shown, and each table is there for a spreadsheet."""

from __future__ import annotations

import csv
import io

import pytest
from flask.testing import FlaskClient

from service.domain.dive.commands import Acknowledge, Finish, Start, Tick
from service.domain.people import Actor, Role, Via
from service.operations.admin_roles import AdminRole
from service.operations.recording import act
from tests.web.desk.entering import enter
from tests.web.installation import Site
from tests.web.reading import Page

FIGURES = "/admin/figures"
ANNA = Actor(Role.DIVER, "Anna Holt", Via.PAGE, key="diver-0", words="In")
CLEO = Actor(Role.CONTACT, "Cleo Marsh", Via.PAGE, key="contact-0", words="OK")


def false_alarm(at: Site) -> None:
    """A dive whose party says OUT 25 minutes after due out: alert after 15, answer two minutes later."""
    dive = at.filed()
    act(at.service, dive.id, Start(ANNA))
    at.clock.forward(65)
    act(at.service, dive.id, Tick())
    at.clock.forward(2)
    act(at.service, dive.id, Acknowledge(CLEO))
    at.clock.forward(8)
    act(at.service, dive.id, Finish(ANNA))


def table(client: FlaskClient, query: str) -> dict[str, list[str]]:
    """A table as CSV: its rows by their first cell."""
    answer = client.get(f"{FIGURES}.csv?{query}")
    assert answer.status_code == 200
    assert answer.mimetype == "text/csv"
    return {row[0]: row[1:] for row in csv.reader(io.StringIO(answer.data.decode("utf-8-sig")))}


def test_the_page_says_in_words_what_it_draws(at: Site, client: FlaskClient) -> None:
    """One dive, overdue, a false alarm, with its times; each chart has its table on the page."""
    false_alarm(at)
    enter(client, AdminRole.VIEWER)

    page = client.get(FIGURES).text

    assert "1 dive filed from 2027-05-03 to 2027-06-01: 1 overdue, 1 alarm, 1 of them false." in page
    assert "Alert to first answer: half within 2 min 0 s" in page
    assert '<th scope="row">The party said OUT after the alert</th><td>1</td>' in page
    for section in page.split('<section class="table"')[1:]:
        assert "<table" in section or "Nothing in this period" in section
    assert "Drills and the daily canary dive are in no figure." in page


def test_each_table_is_there_as_csv_with_lengths_in_seconds(at: Site, client: FlaskClient) -> None:
    """Under a name with the period in it."""
    false_alarm(at)
    enter(client)

    assert table(client, "table=dives")["Alarms"] == ["1"]
    assert table(client, "table=alarms")["The party said OUT after the alert"] == ["1"]
    assert table(client, "table=times")["Alert to stand-down"] == ["1", "600", "600", "600"]
    assert table(client, "table=periods")["2027-06-01"] == ["1", "1", "1"]
    assert table(client, "table=ways")["Texts"][:3] == ["0", "0", "0"]
    assert "What" in table(client, "table=lateness")
    assert "Gateway" in table(client, "table=gateways")
    disposition = client.get(f"{FIGURES}.csv?table=dives").headers["Content-Disposition"]
    assert disposition == 'attachment; filename="dives-2027-05-03-2027-06-01.csv"'
    assert client.get(f"{FIGURES}.csv?table=none").status_code == 404


@pytest.mark.parametrize(
    ("query", "filed"),
    [
        ("range=30", 1),
        ("range=12m", 1),
        ("range=own&first=2027-06-01&last=2027-06-01", 1),
        ("range=own&first=2027-06-02&last=2027-06-03", 0),
        ("range=30&site=LANTERN", 1),
        ("range=nonsense", 1),
    ],
)
def test_the_period_and_the_site_are_chosen(at: Site, client: FlaskClient, query: str, filed: int) -> None:
    """And stay chosen on the page and in the links to its tables."""
    at.filed()
    enter(client)

    page = client.get(f"{FIGURES}?{query}").text

    assert f"{filed} dive" in page
    assert table(client, query)["Filed"] == [str(filed)]


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("first=&last=", "Give both days"),
        ("first=2027-06-01&last=yesterday", "Give both days"),
        ("first=2027-06-02&last=2027-06-01", "The last day is before the first."),
        ("first=2020-06-02&last=2027-06-01", "Choose two years at most."),
        ("first=0001-01-01&last=0001-01-02", "Choose days between 2000 and 2999."),
        ("first=9999-12-30&last=9999-12-31", "Choose days between 2000 and 2999."),
    ],
)
def test_a_period_that_cannot_be_says_why(client: FlaskClient, query: str, words: str) -> None:
    """What was chosen stays."""
    enter(client)

    answer = client.get(f"{FIGURES}?range=own&{query}")

    assert answer.status_code == 422
    assert words in answer.text
    typed = {one.get("name"): one.get("value") for one in Page(answer.text).all("input")}
    assert typed["first"] == query.partition("&")[0].removeprefix("first=")
    assert client.get(f"{FIGURES}.csv?range=own&{query}").status_code == 422


@pytest.mark.parametrize("query", ["site=NOWHERE", "site=LANTERN'--"])
def test_a_site_that_is_not_the_clubs_has_no_figures(client: FlaskClient, query: str) -> None:
    """As if it were not there."""
    enter(client)

    assert client.get(f"{FIGURES}?{query}").status_code == 404
    assert client.get(f"{FIGURES}.csv?{query}").status_code == 404


def test_a_leap_day_has_figures_of_twelve_months(at: Site, client: FlaskClient) -> None:
    """From the first of February of the year before, which has no 29th."""
    at.clock.at = at.clock.at.replace(year=2028, month=2, day=29)
    enter(client)

    assert "from 2027-02-01 to 2028-02-29" in client.get(f"{FIGURES}?range=12m").text
