"""The list of dives in pages: what is live is on the first, and no dive is lost on the way to the last."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.operations import pages
from tests.web.installation import PUBLIC_URL, Site
from tests.web.other_club import FAR_TOKEN, add_far_club
from tests.web.test_api import Script, assert_problem


@pytest.fixture
def script(client: FlaskClient) -> Script:
    """A script of the seeded club."""
    return Script(client)


@pytest.fixture(autouse=True)
def four_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages of four, so that few dives fill some."""
    monkeypatch.setattr(pages, "LISTED_MAX", 4)


def filed(at: Site, script: Script, count: int) -> list[str]:
    """So many dives, a minute apart; the first filed first."""
    found = []
    for number in range(count):
        lead = {"name": "Edda Rowe", "phone": f"+4477009003{number:02}"}
        found.append(script.file(lead=lead, party=[])["id"])
        at.clock.forward(1)
    return found


def page(script: Script, address: str) -> tuple[list[str], str | None]:
    """The dives of a page, and the address of the next."""
    answer: dict[str, Any] = script.client.get(address, headers=script.headers).json
    return [dive["id"] for dive in answer["dives"]], answer["next"]


def read_all(script: Script, address: str, between: Callable[[], object] = lambda: None) -> list[list[str]]:
    """All pages from there, and what happens between two of them."""
    found: list[list[str]] = []
    following: str | None = address
    while following is not None:
        assert len(found) < 20
        dives, following = page(script, following.removeprefix(PUBLIC_URL))
        found.append(dives)
        between()
    return found


def test_the_pages_hold_every_dive_latest_filed_first(at: Site, script: Script) -> None:
    """`next` is a whole address, and null on the last."""
    ids = filed(at, script, 9)

    found = read_all(script, "/api/v1/dives")

    assert found == [ids[:4:-1], ids[4:0:-1], ids[:1]]
    _, following = page(script, "/api/v1/dives")
    assert following is not None
    assert following.startswith(f"{PUBLIC_URL}/api/v1/dives?after=")


@pytest.mark.parametrize(("count", "sizes"), [(0, [0]), (3, [3]), (4, [4]), (5, [4, 1]), (8, [4, 4])])
def test_a_page_is_the_last_where_nothing_is_behind_it(at: Site, script: Script, count: int, sizes: list[int]) -> None:
    """At each boundary."""
    filed(at, script, count)

    assert [len(one) for one in read_all(script, "/api/v1/dives")] == sizes


def test_a_dive_that_is_live_is_on_the_first_page_however_long_ago_it_was_filed(at: Site, script: Script) -> None:
    """A booking system files a summer of plans: who reads one page sees who is in the water, and again later."""
    ids = filed(at, script, 9)
    script.post(f"/dives/{ids[0]}/start")
    script.post(f"/dives/{ids[2]}/raise")

    found = read_all(script, "/api/v1/dives")

    assert found == [[ids[2], ids[0], ids[8], ids[7]], ids[6:2:-1], ids[2::-1]]


def test_more_live_dives_than_a_page_holds_are_all_read(at: Site, script: Script) -> None:
    """The first page has as many as it can, and the others come at their place."""
    ids = filed(at, script, 7)
    for dive_id in ids:
        script.post(f"/dives/{dive_id}/start")

    found = read_all(script, "/api/v1/dives")

    assert found[0] == [*ids[:3:-1], ids[3]]
    assert {dive_id for one in found for dive_id in one} == set(ids)


@pytest.mark.parametrize("deeds", [["start"], ["start", "finish"], ["raise"], ["call-off"], ["call-off", "raise"]])
def test_what_happens_while_the_pages_are_read_loses_no_dive(at: Site, script: Script, deeds: list[str]) -> None:
    """Whatever becomes of each of them between any two pages, all are read."""
    ids = filed(at, script, 13)
    left = [(dive_id, deed) for dive_id in ids for deed in deeds]

    def between() -> None:
        filed_meanwhile = script.file(lead={"name": "Gus Orr", "phone": "+447700900399"}, party=[])
        assert filed_meanwhile
        for _ in range(3 * len(deeds)):
            if left:
                dive_id, deed = left.pop(0)
                assert script.post(f"/dives/{dive_id}/{deed}").status_code == 200

    found = read_all(script, "/api/v1/dives", between)

    assert {dive_id for one in found for dive_id in one} >= set(ids)


def test_the_dives_of_a_phase_are_paged_too(at: Site, script: Script) -> None:
    """The address of the next page goes on asking for it."""
    ids = filed(at, script, 9)
    for dive_id in ids[::2]:
        script.post(f"/dives/{dive_id}/start")

    found = read_all(script, "/api/v1/dives?phase=in_water")

    assert found == [[ids[8], ids[6], ids[4], ids[2]], [ids[0]]]


@pytest.mark.parametrize(
    ("query", "field", "words"),
    [
        ("phse=alert", "phse", "There is no such field."),
        ("phase=alert&phase=distress", "phase", "Give it once."),
        ("after=1-a&after=1-b", "after", "Give it once."),
    ],
)
def test_a_query_that_is_not_understood_is_refused(script: Script, query: str, field: str, words: str) -> None:
    """422: of a mistyped phase all dives were given, and of two phases those of the first, as if that were all."""
    document = assert_problem(script.get(f"/dives?{query}"), 422)

    assert document["errors"] == [{"field": field, "words": words}]


@pytest.mark.parametrize("after", ["", "x", "-1-a", "1-", "1-%27", "9" * 17 + "-a", "1-a-b", "9999999999999999-A"])
def test_a_place_that_is_none_of_ours_is_refused(script: Script, after: str) -> None:
    """422, rather than the first page once more, which a script would read for ever."""
    document = assert_problem(script.get(f"/dives?after={after}"), 422)

    assert document["errors"][0]["field"] == "after"


def test_a_place_of_another_clubs_list_shows_nothing_of_it(at: Site, script: Script, client: FlaskClient) -> None:
    """A place is a moment and an id, and opens no dive."""
    add_far_club(at.service, at.clock.now())
    filed(at, script, 5)
    _, following = page(script, "/api/v1/dives")
    assert following is not None

    far = Script(client, {"Authorization": f"Bearer {FAR_TOKEN}"})

    assert page(far, following.removeprefix(PUBLIC_URL)) == ([], None)
