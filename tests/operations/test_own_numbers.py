"""A club's number for texts is nobody's phone: whatever we sent there would come back to ourselves, unheard."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.domain.plan import Level
from service.operations import drill_people, joining, people_files
from service.operations import people as known
from service.operations.filing import PlanFiled, PlanRefused, file_plan, preview
from service.operations.gateway import OwnNumber
from service.operations.joining import JoinRefused
from service.operations.people import PersonRead, PersonTyped
from service.operations.people_changing import change_person
from service.operations.people_files import Does
from service.operations.plan_reading import NamedPhone
from service.store import clubs
from tests.operations.stage import ANNA, BRAM, BY_ANNA, CLEO, CLUB, OURS, Stage, plan
from tests.operations.test_joining import begun
from tests.operations.test_people import added, id_of, sitting
from tests.operations.test_starting_by_text import set_person

OURS_AT_HOME = "07700 900500"
THEIRS = "+447700900600"
SECOND = "+447700900700"
OWN = "This is the club's own number for texts. Give the person's own phone."
OF_A_CLUB = "This is a club's number for texts, not a person's. Give the person's own phone."

NUMBERS = pytest.mark.parametrize(
    ("number", "words"),
    [(OURS, OWN), (OURS_AT_HOME, OWN), ("0044 7700 900500", OWN), (THEIRS, OF_A_CLUB), ("07700 900700", OF_A_CLUB)],
)


@pytest.fixture
def two_clubs(quick_stage: Stage) -> Stage:
    """The club, with a second gateway that sends from a number of its own, and another one with its own number."""
    quick_stage.sends_from(
        OwnNumber("first", OURS), OwnNumber("second", SECOND, OURS), OwnNumber("third", "SKERRY BAY", OURS)
    )

    def work(session: Session) -> None:
        clubs.add(
            session,
            club_id="other",
            name="Other Club",
            country="GB",
            zone="Europe/London",
            receiving_number=THEIRS,
            rescue_call="999",
        )

    quick_stage.service.write(work)
    return quick_stage


def of(name: str, number: str) -> NamedPhone:
    """Somebody with that number."""
    return NamedPhone(name, number)


@NUMBERS
@pytest.mark.parametrize(
    ("field", "name"), [("contacts", "Cleo Marsh"), ("lead", "Anna Holt"), ("party", "Bram Vik")], ids=str
)
def test_no_plan_is_filed_with_it(two_clubs: Stage, number: str, words: str, field: str, name: str) -> None:
    """As the phone of a contact, of the lead or of another diver; the preview says so too."""
    person = of(name, number)
    changes: dict[str, Any] = {field: person if field == "lead" else (person,)}

    outcomes = [
        file_plan(two_clubs.service, CLUB, plan(**changes), BY_ANNA),
        preview(two_clubs.service, CLUB, plan(**changes), BY_ANNA),
    ]

    for outcome in outcomes:
        assert isinstance(outcome, PlanRefused)
        refused = [(one.field, one.words) for one in outcome.checks if one.level is Level.REFUSE]
        assert refused == [(field, words if field == "lead" else f"{name}: {words}")]
    assert two_clubs.all_dives() == []


def test_a_number_next_to_it_is_a_persons(two_clubs: Stage) -> None:
    """The last digit counts."""
    contact = of("Cleo Marsh", f"{OURS[:-1]}1")

    assert isinstance(file_plan(two_clubs.service, CLUB, plan(contacts=(contact,)), BY_ANNA), PlanFiled)


@pytest.mark.parametrize("text", ["IN LANTERN 50 P2", "PLAN LANTERN 1100 50 P2"])
def test_no_text_starts_or_files_a_dive_whose_usual_contact_it_is(two_clubs: Stage, text: str) -> None:
    """One that was kept before it was refused, or that became a club's number since; the answer says what to do."""
    set_person(two_clubs, ANNA, usual_contacts=[{"name": "Cleo Marsh", "phone": OURS}])

    [answer] = two_clubs.text(ANNA, text)

    assert "Cleo Marsh: This is the club's own number for texts" in answer
    assert two_clubs.all_dives() == []


@NUMBERS
def test_nobody_is_kept_with_it(two_clubs: Stage, number: str, words: str) -> None:
    """Neither as a person's own phone nor as that of a usual contact, when they are added or changed."""
    finn = sitting(two_clubs)
    before = len(known.names(two_clubs.service, CLUB))
    theirs = PersonTyped("Una Fell", number)
    contact = PersonTyped("Una Fell", "07700 900088", contacts=(of("Ivo Reed", number),))

    for typed, wrong in ((theirs, {"phone": words}), (contact, {"contact_1": f"Contact 1: {words}"})):
        refused = known.add_person(two_clubs.service, finn, typed)
        assert isinstance(refused, PersonRead)
        assert refused.wrong == wrong
        changed = change_person(two_clubs.service, finn, id_of(two_clubs, BRAM), typed, "")
        assert isinstance(changed, PersonRead)
        assert changed.wrong == wrong
    assert len(known.names(two_clubs.service, CLUB)) == before
    added(two_clubs, finn)


@NUMBERS
def test_no_list_brings_it_in(two_clubs: Stage, number: str, words: str) -> None:
    """The line is refused with its reason, and left out."""
    lines = f"name;phone;contact_1_name;contact_1_phone\nUna Fell;{number};;\nUte Fell;07700 900088;Ivo Reed;{number}\n"

    looked = people_files.look_at(two_clubs.service, sitting(two_clubs), lines.encode())

    assert [line.does for line in looked.lines] == [Does.REFUSED, Does.REFUSED]
    assert [line.words for line in looked.lines] == [words, f"Contact 1: {words}"]


@NUMBERS
def test_nobody_joins_with_it(two_clubs: Stage, number: str, words: str) -> None:
    """Not as a contact; and no code is texted to it."""
    form = PersonTyped("Una Fell", "", contacts=(of("Cleo Marsh", number),))

    refused = joining.begin(two_clubs.service, CLUB, form)

    assert isinstance(refused, PersonRead)
    assert refused.wrong["contact_1"] == f"Contact 1: {words}"
    assert joining.send_code(two_clubs.service, CLUB, begun(two_clubs), number) == JoinRefused(words)


def test_a_drill_leaves_it_out_and_says_so(two_clubs: Stage) -> None:
    """A contact who was kept with it before is no contact of a drill."""
    set_person(
        two_clubs,
        ANNA,
        usual_contacts=[
            {"name": "Ivo Reed", "phone": OURS},
            {"name": "Una Fell", "phone": SECOND},
            {"name": "Cleo Marsh", "phone": CLEO},
        ],
    )

    roll = drill_people.who_can(two_clubs.service, sitting(two_clubs))

    assert {("Ivo Reed", f"Ivo Reed: {OWN}"), ("Una Fell", f"Una Fell: {OF_A_CLUB}")} <= set(roll.left_out)
    assert not {OURS, SECOND} & {one.person.phone for one in roll.contacts}
