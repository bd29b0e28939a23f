"""Somebody is changed at the desk: their new number goes where the old one was, and two admins lose nothing unseen."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.operations import people as known
from service.operations.people import PersonRead, PersonTyped
from service.operations.people_changing import PersonChanged, PersonStale, change_person
from service.operations.plan_reading import NamedPhone
from service.operations.signing_in import SignedIn
from tests.operations.stage import ANNA, BRAM, CLUB, EDDA, Stage, plan
from tests.operations.test_people import IVO, UNA, added, id_of, of, sitting

NEW = "+447700900066"
IVO_HIMSELF = PersonTyped("Ivo Reed", IVO)


@pytest.fixture
def finn(quick_stage: Stage) -> SignedIn:
    """The club's admin at the desk."""
    return sitting(quick_stage)


def una_counting_on(stage: Stage, admin: SignedIn, *contacts: NamedPhone) -> str:
    """Una, with these contacts."""
    return added(stage, admin, PersonTyped("Una Fell", UNA, contacts=contacts))


def changed(stage: Stage, admin: SignedIn, person_id: str, typed: PersonTyped) -> PersonChanged:
    """What came of a change that was taken, made from how they stand."""
    outcome = change_person(stage.service, admin, person_id, typed, of(stage, person_id).mark)
    assert isinstance(outcome, PersonChanged), outcome
    return outcome


def test_who_counts_on_somebody_counts_on_their_new_number(stage: Stage) -> None:
    """An alarm would have gone to a number that they have no more."""
    admin = sitting(stage)
    una = una_counting_on(stage, admin, NamedPhone("ivo  reed", IVO, "ivo@example.org", "de"), NamedPhone("E", EDDA))
    ivo = added(stage, admin, IVO_HIMSELF)

    outcome = changed(stage, admin, ivo, replace(IVO_HIMSELF, phone=NEW))

    assert outcome == PersonChanged(followed=("Una Fell",))
    first, second = of(stage, una).contacts
    assert (first.phone, first.email, first.language, second.phone) == (NEW, "ivo@example.org", "de", EDDA)
    stage.text(UNA, "IN LANTERN 50 P1")
    assert (stage.to(IVO), len(stage.to(NEW)) > 0) == ([], True)
    entries = [entry for entry in stage.entries(chain=f"club:{CLUB}") if entry.kind == "person_changed"]
    assert [entry.detail for entry in entries] == [
        {"person": ivo, "fields": ["phone"]},
        {"person": una, "fields": ["usual_contacts"]},
    ]


def test_a_new_name_with_the_new_number_is_known_again(quick_stage: Stage, finn: SignedIn) -> None:
    """By the name of before, or by that of now."""
    una = una_counting_on(quick_stage, finn, NamedPhone("Ivo Fell", IVO))
    ivo = added(quick_stage, finn, IVO_HIMSELF)

    changed(quick_stage, finn, ivo, PersonTyped("Ivo Fell", NEW))

    assert of(quick_stage, una).contacts[0].phone == NEW


def test_under_another_name_the_number_stays_and_is_named(quick_stage: Stage, finn: SignedIn) -> None:
    """Two may have shared a phone."""
    una = una_counting_on(quick_stage, finn, NamedPhone("Grandfather", IVO))
    ivo = added(quick_stage, finn, IVO_HIMSELF)

    outcome = changed(quick_stage, finn, ivo, replace(IVO_HIMSELF, phone=NEW))

    assert outcome == PersonChanged(elsewhere=(("Una Fell", "Grandfather"),))
    assert of(quick_stage, una).contacts[0].phone == IVO


def test_who_has_both_numbers_keeps_the_new_one_once(quick_stage: Stage, finn: SignedIn) -> None:
    """Nobody is told twice of one alarm."""
    una = una_counting_on(quick_stage, finn, NamedPhone("Ivo Reed", IVO), NamedPhone("Ivo Reed", NEW))
    ivo = added(quick_stage, finn, IVO_HIMSELF)

    changed(quick_stage, finn, ivo, replace(IVO_HIMSELF, phone=NEW))

    assert [one.phone for one in of(quick_stage, una).contacts] == [NEW]


def test_the_open_dives_that_keep_the_old_number_are_named(quick_stage: Stage, finn: SignedIn) -> None:
    """Of a diver as of a contact, and not those that are over."""
    over = quick_stage.dive_in()
    quick_stage.text(ANNA, "OUT 2")
    quick_stage.sleep(1)
    ivo = added(quick_stage, finn, IVO_HIMSELF)
    open_dive = quick_stage.file(plan(contacts=(NamedPhone("Ivo Reed", IVO),)))
    bram = id_of(quick_stage, BRAM)

    of_contact = changed(quick_stage, finn, ivo, replace(IVO_HIMSELF, phone=NEW))
    of_diver = changed(quick_stage, finn, bram, PersonTyped("Bram Vik", "07700 900067"))

    assert of_contact.open_dives == of_diver.open_dives == (open_dive.reference,)
    assert quick_stage.dive(over.id).closed_at is not None
    assert quick_stage.dive(open_dive.id).contacts[0].phone == IVO


def test_another_phone_has_to_be_proved_anew(quick_stage: Stage, finn: SignedIn) -> None:
    """What the one before it was proves nothing."""
    person_id = added(quick_stage, finn)
    row = {"verified_at": quick_stage.clock.at}
    quick_stage.service.write(lambda session: known.people.change(session, CLUB, person_id, row))

    changed(quick_stage, finn, person_id, PersonTyped("Una Fell", "07700 900086"))

    assert of(quick_stage, person_id).verified_at is None


def test_of_two_admins_who_change_somebody_the_second_is_told(quick_stage: Stage, finn: SignedIn) -> None:
    """What the first saved stands: a number that was put right would have become the wrong one again."""
    una = una_counting_on(quick_stage, finn, NamedPhone("Ivo Reed", IVO))
    made_from = of(quick_stage, una).mark
    first = PersonTyped("Una Fell", UNA, contacts=(NamedPhone("Ivo Reed", NEW),))
    second = PersonTyped("Una Fell", UNA, notes="Has a key", contacts=(NamedPhone("Ivo Reed", IVO),))
    changed(quick_stage, finn, una, first)

    outcome = change_person(quick_stage.service, finn, una, second, made_from)

    assert outcome == PersonStale()
    assert (of(quick_stage, una).contacts[0].phone, of(quick_stage, una).notes) == (NEW, None)
    assert changed(quick_stage, finn, una, second) == PersonChanged()


def test_what_is_wrong_is_told_before_anything_else(quick_stage: Stage, finn: SignedIn) -> None:
    """Whoever mends it is told afterwards that somebody was quicker."""
    una = una_counting_on(quick_stage, finn, NamedPhone("Ivo Reed", IVO))

    outcome = change_person(quick_stage.service, finn, una, PersonTyped("Una Fell", "12"), "of before")

    assert isinstance(outcome, PersonRead)
    assert "phone" in outcome.wrong
