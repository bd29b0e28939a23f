"""The plan form about the place and the water: positions as understood, ways out, cross-checks, medical notes."""

from __future__ import annotations

import html

import pytest
from flask.testing import FlaskClient

from service.domain.cross_checks import CAUTION
from service.domain.plan import Check, Level
from service.operations.pages import list_dives
from service.web.advice import advice
from tests.web.installation import Site, fill
from tests.web.reading import Page

PLACE = {"site": "other", "place_name": "North skerry", "place_rescue": "112"}
DEEP = {"depth": "40", "gas_cylinder": "12", "gas_fill": "200", "gas_reserve": "50", "gas_rate": "20", "water": "6"}


@pytest.mark.parametrize(
    ("typed", "understood"),
    [
        ("47.1231, -20.544", "47.12310 N, 20.54400 W (decimal degrees)"),
        ("47 07.386 N 020 32.640 W", "47.12310 N, 20.54400 W"),
        ("4FF4+6CR", "47.12"),
        ("geo:47.1231,-20.544", "47.12310 N, 20.54400 W"),
        ("27T WN 34600 18900", "N, 20.5"),
        ("47.12,-20.54", "(decimal degrees). So few figures may be 670 m (0.36 NM) off: give more."),
    ],
)
def test_a_position_is_shown_as_it_was_understood_before_it_is_sent(
    at: Site, client: FlaskClient, typed: str, understood: str
) -> None:
    """Beside its field, named for a screen reader, in any form; a short plus code is looked for near the club."""
    status, page = fill(client, "preview", **PLACE, place_position=typed)

    (field,) = [one for one in Page(page).all("input") if one.get("id") == "place_position"]
    reading = html.unescape(page.partition('id="place_position-reading">')[2].partition("<")[0])
    assert status == 200
    assert reading.startswith("Understood as ")
    assert understood in reading
    assert "place_position-reading" in field["aria-describedby"]
    assert field["value"] == typed
    assert list_dives(at.service, at.club_id).dives == ()


def test_a_position_that_is_not_one_has_no_reading(client: FlaskClient) -> None:
    """Only its error."""
    _, page = fill(client, "preview", **PLACE, place_position="91.1234, -5.2")

    assert "place_position-reading" not in page
    assert "Latitude 91.1234 is impossible" in page


@pytest.mark.parametrize(
    ("typed", "degrees"), [("9", 9), ("12,5", 12.5), ("-1", -1), ("\u22121 \N{DEGREE SIGN}C", -1), ("12 c", 12)]
)
def test_the_water_temperature_is_read_with_its_sign(at: Site, client: FlaskClient, typed: str, degrees: float) -> None:
    """A comma, a degree sign, or a typographic minus are as people write it."""
    status, _ = fill(client, water=typed)

    (dive,) = list_dives(at.service, at.club_id).dives
    assert status == 200
    assert dive.plan.water_c == degrees


@pytest.mark.parametrize(
    ("typed", "words"), [("cold", "degrees Celsius, such as 12"), ("50", "-2 to 40"), ("--1", "such as 12")]
)
def test_a_water_temperature_that_cannot_be_is_said_beside_its_field(
    at: Site, client: FlaskClient, typed: str, words: str
) -> None:
    """And what was typed stays."""
    status, page = fill(client, water=typed)

    (wrong,) = [one for one in Page(page).all("input") if one.get("aria-invalid")]
    assert status == 422
    assert (wrong["name"], wrong["value"]) == ("water", typed)
    assert words in page
    assert list_dives(at.service, at.club_id).dives == ()


def test_medical_notes_are_kept_with_the_tick(at: Site, client: FlaskClient) -> None:
    """The diver has allowed it, so a rescuer reads it."""
    fill(client, medical="Anna: asthma", share_medical="yes")

    (dive,) = list_dives(at.service, at.club_id).dives
    assert dive.plan.medical == "Anna: asthma"


def test_medical_notes_are_not_kept_without_it_and_that_is_said(at: Site, client: FlaskClient) -> None:
    """Before filing too, while the tick can still be set; nothing typed is lost."""
    _, seen = fill(client, "preview", medical="Anna: asthma")
    fill(client, medical="Anna: asthma")

    (dive,) = list_dives(at.service, at.club_id).dives
    assert dive.plan.medical is None
    assert "you did not allow that rescuers read them" in seen
    (tick,) = [one for one in Page(seen).all("input") if one.get("name") == "share_medical"]
    assert "checked" not in tick
    assert 'value="Anna: asthma"' in seen


def test_the_tick_stays_through_the_preview(client: FlaskClient) -> None:
    """Its fold is open then."""
    _, seen = fill(client, "preview", medical="Anna: asthma", share_medical="yes")

    (tick,) = [one for one in Page(seen).all("input") if one.get("name") == "share_medical"]
    assert "checked" in tick


def test_long_medical_notes_are_refused_beside_their_field(client: FlaskClient) -> None:
    """They go whole into the pack."""
    status, page = fill(client, medical="a" * 301, share_medical="yes")

    (wrong,) = [one["name"] for one in Page(page).all("input") if one.get("aria-invalid")]
    assert (status, wrong) == (422, "medical")


def test_cross_checks_are_a_group_of_their_own_with_source_and_one_caution(client: FlaskClient) -> None:
    """They block nothing; the caution is said once, and what could not be checked in one line."""
    status, page = fill(client, "preview", **DEEP)

    group = html.unescape(page.partition("<summary>Cross-checks: ")[2].partition("</details>")[0])
    assert status == 200
    assert group.startswith("3 to look at")
    assert group.count(CAUTION) == 1
    assert "None of them keeps you from filing." in group
    assert "US Navy Diving Manual" in group
    assert "Not cross-checked:" in group
    thoughts = page.partition("Worth a thought")[2].partition("</ul>")[0]
    assert "US Navy" not in thoughts


def test_a_plan_with_nothing_found_keeps_its_cross_checks_folded(client: FlaskClient) -> None:
    """What was not checked is one tap away."""
    _, page = fill(client, "preview")

    (fold,) = [one for one in page.split("<details") if "<summary>Cross-checks" in one]
    assert "nothing found" in fold
    assert not fold.startswith(" open")


def test_the_filed_page_has_the_advice_too(client: FlaskClient) -> None:
    """In the same groups."""
    status, page = fill(client, **DEEP)

    assert status == 200
    assert "<summary>Cross-checks: 3 to look at" in page


def test_the_ways_out_are_listed_as_the_one_to_make_for_first(client: FlaskClient) -> None:
    """With distance, bearing and swim; the ones of the plan are named so."""
    _, page = fill(client, "preview")

    ways = html.unescape(page.partition("<h3>Ways out at Lantern Steps")[2].partition("</ol>")[0])
    assert ways.index("North slip") < ways.index("Ladder")
    assert "planned" in ways
    assert "towards 3" in ways
    assert "position not known" in ways
    assert ", if you went in now" in ways


def test_a_place_without_exits_has_no_list_of_them(client: FlaskClient) -> None:
    """There is nothing to list."""
    _, page = fill(client, "preview", **PLACE, place_position="47.1231, -20.544")

    assert "Ways out" not in page


def test_advice_is_told_apart_by_what_it_is() -> None:
    """A refusal is no advice; a cross-check ends with its caution, and what was not checked has a field of its own."""
    found = advice(
        (
            Check(Level.REFUSE, "site", "No."),
            Check(Level.ADVISE, "party", "You dive alone."),
            Check(Level.ADVISE, "gas", f"Too little. It takes all of it. Source: Boyle's law. {CAUTION}"),
            Check(Level.ADVISE, "cross_checks", "Not cross-checked: tide."),
        )
    )

    assert found.thoughts == ("You dive alone.",)
    assert [(one.words, one.source) for one in found.cross_checks] == [
        ("Too little. It takes all of it.", "Boyle's law")
    ]
    assert found.unchecked == "Not cross-checked: tide."
