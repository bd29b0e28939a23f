"""Sheets to print: fetched from the desk and from a diver's page, and never of another club."""

from __future__ import annotations

import pypdfium2
import pytest
from flask.testing import FlaskClient

from service.operations.admin_roles import AdminRole
from tests.web.desk.entering import enter
from tests.web.installation import Site

LETTER, A4 = (612, 792), (595, 842)


def page_of(client: FlaskClient, path: str) -> tuple[str, tuple[int, int]]:
    """The words and the size of the page behind an address."""
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    assert answer.content_type == "application/pdf"
    assert answer.headers["Cache-Control"] == "no-store"
    with pypdfium2.PdfDocument(answer.data) as opened:
        width, height = opened.get_page_size(0)
        text = opened[0].get_textpage()
        words = " ".join(text.get_text_range().split())
        text.close()
    return words, (round(width), round(height))


def test_a_sign_has_what_the_club_knows_of_the_site(at: Site, client: FlaskClient) -> None:
    """Its code, the club's number, whom to call, and the position in two forms; a viewer may print it."""
    assert at.club_id
    enter(client, AdminRole.VIEWER)

    words, size = page_of(client, "/admin/paper/sign.pdf?site=LANTERN&language=en&paper=a4")

    assert size == A4
    for told in (
        "IN LANTERN 50 P2",
        "+44 7700 900000",
        "112, ask for sea rescue",
        "47.12345,-20.54321",
        "Lantern Steps",
    ):
        assert told in words, told
    assert "47°07.407'N 020°32.593'W" in words


def test_cards_come_with_or_without_a_site_in_each_language(at: Site, client: FlaskClient) -> None:
    """With one, whom to call is printed; without, there is room to write it."""
    assert at.club_id
    enter(client)

    german, size = page_of(client, "/admin/paper/contact-card.pdf?site=LANTERN&language=de&paper=letter")
    blank, _ = page_of(client, "/admin/paper/contact-card.pdf?site=")
    plan, _ = page_of(client, "/admin/paper/plan-card.pdf?site=LANTERN&language=fr")

    assert size == LETTER
    assert "Sie sind Kontakt an Land" in german
    assert "112, ask for sea rescue" in german
    assert "112" not in blank
    assert "Plongeurs à l'eau" in plan
    assert "Lantern Steps" in plan


@pytest.mark.parametrize(
    "path",
    [
        "/admin/paper/sign.pdf?site=NOWHERE",
        "/admin/paper/sign.pdf?site=LANTERN&paper=a3",
        "/admin/paper/sign.pdf?site=LANTERN&language=xx",
        "/admin/paper/plan-card.pdf?site=NOWHERE",
        "/admin/paper/contact-card.pdf?site=NOWHERE",
        "/admin/paper/dives/0123456789abcdef/plan-card.pdf",
    ],
)
def test_what_is_not_there_is_not_printed(client: FlaskClient, at: Site, path: str) -> None:
    """An address that somebody made up gives no half-empty sheet."""
    assert at.club_id
    enter(client)

    assert client.get(path).status_code == 404


def test_a_filed_plan_has_its_card_at_the_desk_and_on_the_divers_page(at: Site, client: FlaskClient) -> None:
    """Filled in, and the link is on the page."""
    dive = at.filed()
    diver = at.dive_path(dive)

    words, _ = page_of(client, f"{diver}/plan-card.pdf?paper=letter&language=en")
    assert f'href="{diver}/plan-card.pdf?paper=a4&amp;language=en"' in client.get(diver).text
    enter(client)
    desk_words, _ = page_of(client, f"/admin/paper/dives/{dive.id}/plan-card.pdf?paper=letter")

    assert words == desk_words
    for told in (dive.reference, "Lantern Steps", "Anna Holt", "Bram Vik", "Cleo Marsh"):
        assert told in words, told
    assert dive.finish_code not in words


def test_nobody_prints_without_signing_in(at: Site, client: FlaskClient) -> None:
    """Whoever is not at the desk is asked to sign in."""
    assert at.club_id

    assert client.get("/admin/paper/sign.pdf?site=LANTERN").status_code == 303


def test_what_is_printed_is_linked_where_it_belongs(at: Site, client: FlaskClient) -> None:
    """A site's page leads to its sign, and a dive's page to its card."""
    dive = at.filed()
    enter(client)

    assert 'href="/admin/paper/sign.pdf?site=LANTERN"' in client.get("/admin/sites/LANTERN/files").text
    assert f'href="/admin/paper/dives/{dive.id}/plan-card.pdf"' in client.get(f"/admin/dives/{dive.id}").text
