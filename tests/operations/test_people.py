"""People at the desk: kept, changed, found, asked, merged, and in and out as a list."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from service.domain.standing import Standing
from service.operations import people as known
from service.operations import people_files, people_merging
from service.operations.admin_roles import AdminRole
from service.operations.people import Person, PersonRead, PersonTyped
from service.operations.people_asking import IN_AN_HOUR_MAX, AskOutcome, ask_contact
from service.operations.people_changing import PersonChanged, change_person
from service.operations.people_files import Does, ImportPlan
from service.operations.plan_reading import NamedPhone
from service.operations.signing_in import SignedIn
from service.store import admins, reaches
from tests.operations.stage import ANNA, BRAM, CLEO, CLUB, DOV, EDDA, Stage

UNA = "+447700900088"
TYPED = PersonTyped("Una Fell", "07700 900088", "de", "Key holder", (NamedPhone("Ivo Reed", "07700 900087"),))
IVO = "+447700900087"


@pytest.fixture
def finn(quick_stage: Stage) -> SignedIn:
    """The club's admin at the desk."""
    return sitting(quick_stage)


def sitting(stage: Stage) -> SignedIn:
    """The club's admin at the desk."""
    [row] = stage.service.read(lambda session: admins.admins_to_tell(session, CLUB))
    return SignedIn(row.id, row.name, CLUB, "Skerry Bay Divers", "Europe/London", AdminRole.OWNER)


def added(stage: Stage, admin: SignedIn, typed: PersonTyped = TYPED) -> str:
    """The id of somebody who was taken."""
    found = known.add_person(stage.service, admin, typed)
    assert isinstance(found, str), found
    return found


def of(stage: Stage, person_id: str) -> Person:
    """A person as the desk shows them."""
    found = known.one(stage.service, CLUB, person_id)
    assert found is not None
    return found


def named(stage: Stage, search: str = "") -> list[str]:
    """Who is found."""
    return [person.name for person in known.listing(stage.service, CLUB, search)[0]]


def kinds(stage: Stage) -> list[str]:
    """What the club's chain says of people."""
    return [entry.kind for entry in stage.entries(chain=f"club:{CLUB}") if entry.kind.startswith(("p", "contact_"))]


def id_of(stage: Stage, phone: str) -> str:
    """The id of whoever has that phone."""
    return next(person.id for person in known.listing(stage.service, CLUB)[0] if person.phone == phone)


def test_somebody_is_added_changed_and_removed_and_the_log_has_ids_alone(quick_stage: Stage, finn: SignedIn) -> None:
    """Nothing personal in the chain, so that nothing of it has to be erased."""
    person_id = added(quick_stage, finn)
    assert of(quick_stage, person_id).contacts[0].words == "not asked yet"

    mark = of(quick_stage, person_id).mark
    assert change_person(quick_stage.service, finn, person_id, PersonTyped("Una Fell", UNA), mark) == PersonChanged()
    known.note_consent(quick_stage.service, finn, person_id, given=True)
    assert of(quick_stage, person_id).consent_at == quick_stage.clock.at
    assert known.remove_person(quick_stage.service, finn, person_id)

    assert named(quick_stage, "una") == []
    assert kinds(quick_stage) == ["person_added", "person_changed", "person_consent", "person_removed"]
    details = str([entry.detail for entry in quick_stage.entries(chain=f"club:{CLUB}")])
    assert "Una" not in details
    assert "900088" not in details


WRONG = [
    ("no name", PersonTyped(" ", UNA), "name", "Give a name"),
    ("a long name", PersonTyped("x" * 61, UNA), "name", "60 characters"),
    ("no phone", PersonTyped("Una", ""), "phone", "Give a phone number"),
    ("a known phone", PersonTyped("Una", "07700 900001"), "phone", "Another person of the club"),
    ("a language that we lack", PersonTyped("Una", UNA, "xx"), "language", "choose one of these"),
    ("long notes", PersonTyped("Una", UNA, "", "x" * 301), "notes", "300 characters"),
    ("a contact with no name", PersonTyped("Una", UNA, contacts=(NamedPhone("", CLEO),)), "contact_1", "give a name"),
    (
        "a contact with no number",
        PersonTyped("Una", UNA, contacts=(NamedPhone("Cleo", CLEO), NamedPhone("Dov", "12"))),
        "contact_2",
        "too short",
    ),
    (
        "a bad address",
        PersonTyped("Una", UNA, contacts=(NamedPhone("Cleo", CLEO, "cleo"),)),
        "contact_1",
        "no e-mail address",
    ),
    (
        "a contact twice",
        PersonTyped("Una", UNA, contacts=(NamedPhone("Cleo", CLEO), NamedPhone("C", CLEO))),
        "contact_1",
        "same number",
    ),
    ("themselves", PersonTyped("Una", UNA, contacts=(NamedPhone("Me", UNA),)), "contact_1", "their own contact"),
]


@pytest.mark.parametrize(("typed", "field", "words"), [row[1:] for row in WRONG], ids=[row[0] for row in WRONG])
def test_what_cannot_be_kept_is_said_field_by_field(
    quick_stage: Stage, finn: SignedIn, typed: PersonTyped, field: str, words: str
) -> None:
    """And nothing is kept."""
    read = known.add_person(quick_stage.service, finn, typed)

    assert isinstance(read, PersonRead)
    assert words in read.wrong[field]
    assert kinds(quick_stage) == []


@pytest.mark.parametrize(
    ("search", "found"),
    [
        ("ANNA", ["Anna Holt"]),
        ("07700 900002", ["Bram Vik"]),
        ("900002", ["Bram Vik"]),
        ("+447700900013", ["Anna Holt", "Bram Vik", "Edda Rowe"]),
        ("edda", ["Anna Holt", "Bram Vik", "Edda Rowe"]),
        ("nobody", []),
    ],
)
def test_people_are_found_by_name_and_number_their_contacts_too(
    quick_stage: Stage, search: str, found: list[str]
) -> None:
    """At home or with the country's code, whole or a part."""
    assert named(quick_stage, search) == found


def test_a_person_shows_how_far_each_contact_can_be_relied_upon(stage: Stage) -> None:
    """On both databases: agreed, declined, opted out, and who names them."""
    stage.text(DOV, "DECLINE")
    stage.text(EDDA, "STOP")

    anna = of(stage, id_of(stage, ANNA))
    cleo = of(stage, id_of(stage, CLEO))

    assert [one.standing for one in anna.contacts] == [Standing.AGREED, Standing.DECLINED, Standing.OPTED_OUT]
    assert [name for _, name in cleo.named_by] == ["Anna Holt"]
    assert cleo.standing_words == "agreed"
    assert anna.standing_words == ""


def test_a_club_of_thousands_is_listed_three_hundred_at_a_time(quick_stage: Stage) -> None:
    """The page says how many more there are; a search finds whoever is not on it."""

    def many(session: Session) -> None:
        for number in range(1_000):
            contacts = [{"name": f"C {place}", "phone": f"+4477005{number:03}{place:02}"} for place in range(6)]
            values = {"name": f"Z {number:04}", "usual_contacts": contacts}
            known.people.keep(session, CLUB, f"+44770060{number:04}", values)

    quick_stage.service.write(many)

    shown, more = known.listing(quick_stage.service, CLUB)

    assert (len(shown), more) == (known.LISTED_MAX, 1_005 - known.LISTED_MAX)
    assert named(quick_stage, "Z 0999") == ["Z 0999"]


# Asking


def test_a_contact_is_asked_by_text_and_their_word_counts(stage: Stage) -> None:
    """Before there is any dive: one text, AGREE, and the desk shows it."""
    finn = sitting(stage)
    person_id = added(stage, finn)

    outcome = ask_contact(stage.service, finn, person_id, IVO)
    stage.courier.carry()
    [text] = stage.to(IVO)
    stage.text(IVO, "AGREE")

    assert outcome == AskOutcome(asked=True, words="Ivo Reed is asked by text and answers AGREE or DECLINE.")
    assert text == (
        "Skerry Bay Divers: Una Fell named you as a shore contact. You get the plan when they go in. If they are not"
        " out in time we text you: call them, then rescue. Reply AGREE or DECLINE."
    )
    assert of(stage, person_id).contacts[0].standing is Standing.AGREED
    stage.text(UNA, "IN LANTERN 50 P1")
    assert sum("named you as a shore contact" in body for body in stage.to(IVO)) == 1
    stage.text(UNA, "out")


def test_nobody_is_asked_over_and_over(quick_stage: Stage, finn: SignedIn) -> None:
    """Once in thirty days and three times in all, whoever names them."""
    person_id = added(quick_stage, finn)
    said = []
    for days in (0, 29, 31, 31, 31):
        quick_stage.clock.at += timedelta(days=days)
        outcome = ask_contact(quick_stage.service, finn, person_id, IVO)
        assert outcome is not None
        said.append((outcome.asked, outcome.words))

    assert [asked for asked, _ in said] == [True, False, True, True, False]
    assert "less than 30 days ago" in said[1][1]
    assert "asked 3 times" in said[4][1]


@pytest.mark.parametrize(
    ("word", "words"), [("DECLINE", "declined"), ("STOP", "opted out"), ("AGREE", "has agreed already")]
)
def test_who_has_decided_is_not_asked(quick_stage: Stage, finn: SignedIn, word: str, words: str) -> None:
    """What they said holds, and the desk says how it can change."""
    quick_stage.text(DOV, word)

    outcome = ask_contact(quick_stage.service, finn, id_of(quick_stage, ANNA), DOV)

    assert outcome is not None
    assert not outcome.asked
    assert words in outcome.words


def test_one_club_asks_so_many_in_an_hour(quick_stage: Stage, finn: SignedIn) -> None:
    """A list of hundreds cannot be turned into hundreds of texts at once."""
    outcomes = []
    for number in range(IN_AN_HOUR_MAX + 1):
        contact = NamedPhone(f"Contact {number}", f"077009003{number:02}")
        person_id = added(quick_stage, finn, PersonTyped(f"P {number}", f"077009004{number:02}", contacts=(contact,)))
        outcomes.append(ask_contact(quick_stage.service, finn, person_id, f"+4477009003{number:02}"))

    assert [one.asked for one in outcomes if one] == [True] * IN_AN_HOUR_MAX + [False]


def test_only_a_contact_of_that_person_can_be_asked(quick_stage: Stage, finn: SignedIn) -> None:
    """Not any number that somebody posts, nor one of nobody, nor for another club's admin."""
    person_id = added(quick_stage, finn)
    far = SignedIn(finn.admin_id, "Gus Orr", "far", "Far Reef", "Europe/London", AdminRole.OWNER)

    assert ask_contact(quick_stage.service, finn, person_id, CLEO) is None
    assert ask_contact(quick_stage.service, finn, "nobody", IVO) is None
    assert ask_contact(quick_stage.service, far, person_id, IVO) is None


# Merging


def test_two_entries_of_one_person_become_one(stage: Stage) -> None:
    """Contacts, notes and language of both, the phone that was chosen, also where others count on it."""
    finn = sitting(stage)
    second = PersonTyped("anna  holt", "07700 900077", "fr", "Left-handed", (NamedPhone("Ivo Reed", IVO),))
    other_id, anna_id = added(stage, finn, second), id_of(stage, ANNA)
    counting = added(stage, finn, PersonTyped("Una", UNA, contacts=(NamedPhone("Anna", ANNA), NamedPhone("Dov", DOV))))
    [twins], _ = people_merging.candidates(stage.service, CLUB)
    assert {twins.first[0], twins.second[0]} == {anna_id, other_id}

    assert people_merging.merge(stage.service, finn, anna_id, other_id, other_phone=True)

    anna = of(stage, anna_id)
    assert (anna.name, anna.phone, anna.language, anna.notes) == ("Anna Holt", "+447700900077", "fr", "Left-handed")
    assert [one.name for one in anna.contacts] == ["Cleo Marsh", "Dov Lind", "Edda Rowe", "Ivo Reed"]
    assert [one.phone for one in of(stage, counting).contacts] == ["+447700900077", DOV]
    assert known.one(stage.service, CLUB, other_id) is None
    assert people_merging.candidates(stage.service, CLUB)[0] == ()
    assert kinds(stage)[-1] == "people_merged"


def test_nobody_becomes_their_own_contact_by_merging(quick_stage: Stage, finn: SignedIn) -> None:
    """Two entries that name each other, and somebody who counts on both."""
    other_id = added(quick_stage, finn, PersonTyped("Anna Holt", UNA, contacts=(NamedPhone("Anna", ANNA),)))
    both = added(
        quick_stage, finn, PersonTyped("Ivo", IVO, contacts=(NamedPhone("A", ANNA), NamedPhone("Anna Holt", UNA)))
    )

    people_merging.merge(quick_stage.service, finn, id_of(quick_stage, ANNA), other_id, other_phone=False)

    assert [one.phone for one in of(quick_stage, id_of(quick_stage, ANNA)).contacts] == [CLEO, DOV, EDDA]
    assert [one.phone for one in of(quick_stage, both).contacts] == [ANNA]


def test_merging_needs_two_people_of_the_club(quick_stage: Stage, finn: SignedIn) -> None:
    """Not one with themselves, not one with nobody, and not by another club's admin."""
    anna_id, far = id_of(quick_stage, ANNA), SignedIn("x", "Gus", "far", "Far", "Europe/London", AdminRole.OWNER)

    assert not people_merging.merge(quick_stage.service, finn, anna_id, anna_id, other_phone=False)
    assert not people_merging.merge(quick_stage.service, finn, anna_id, "nobody", other_phone=False)
    assert not people_merging.merge(quick_stage.service, far, anna_id, id_of(quick_stage, BRAM), other_phone=False)


# Lists

LIST = """name;phone;language;contact_1_name;contact_1_phone
Una Fell;07700 900088;de;Ivo Reed;07700 900087
Anna Holt;07700 900001;fr;;
Bram Vik;07700 900002;;;
Nobody;12;;;
Una again;+447700900088;;;
"""


def looked_at(stage: Stage, admin: SignedIn, text: str = LIST) -> ImportPlan:
    """What a list would do."""
    return people_files.look_at(stage.service, admin, text.encode())


def test_a_list_is_shown_line_by_line_and_then_taken_over_whole(stage: Stage) -> None:
    """Added, changed, as it is, refused and why; nothing happens before it is confirmed, and it is confirmed once."""
    finn = sitting(stage)
    plan = looked_at(stage, finn)
    assert [(line.number, line.does) for line in plan.lines] == [
        (2, Does.ADD),
        (3, Does.CHANGE),
        (4, Does.NOTHING),
        (5, Does.REFUSED),
        (6, Does.REFUSED),
    ]
    assert plan.lines[1].words == "language becomes fr"
    assert "too short" in plan.lines[3].words
    assert plan.lines[4].words == "the same phone is in line 2 already"
    assert named(stage, "una") == []

    assert people_files.confirm(stage.service, finn, plan.mark) is None

    una = of(stage, id_of(stage, UNA))
    assert (una.joined, una.language, una.contacts[0].phone) == ("import", "de", IVO)
    anna = of(stage, id_of(stage, ANNA))
    assert (anna.language, len(anna.contacts)) == ("fr", 3)
    with pytest.raises(people_files.PeopleFileError, match="gone"):
        people_files.confirm(stage.service, finn, plan.mark)
    assert kinds(stage) == ["people_imported"]


def test_what_would_now_be_otherwise_is_shown_once_more(quick_stage: Stage, finn: SignedIn) -> None:
    """Somebody added Una meanwhile: the line changes her, which nobody has agreed to yet."""
    plan = looked_at(quick_stage, finn)
    added(quick_stage, finn, PersonTyped("Una Fell", UNA))

    otherwise = people_files.confirm(quick_stage.service, finn, plan.mark)

    assert otherwise is not None
    assert otherwise.lines[0].does is Does.CHANGE
    assert kinds(quick_stage) == ["person_added"]
    assert people_files.confirm(quick_stage.service, finn, otherwise.mark) is None


def test_a_list_that_fails_half_way_changes_nothing(
    quick_stage: Stage, finn: SignedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One transaction: the first line is not in without the second."""
    plan = looked_at(quick_stage, finn)
    assert [line.does for line in plan.lines[:2]] == [Does.ADD, Does.CHANGE]

    def fail(*_: object) -> bool:
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(people_files.people, "change_all", fail)
    with pytest.raises(RuntimeError, match="disk is full"):
        people_files.confirm(quick_stage.service, finn, plan.mark)

    assert named(quick_stage, "una") == []


def test_somebody_who_is_added_in_the_same_instant_is_not_written_over(
    quick_stage: Stage, finn: SignedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between reading the list and writing it: what it would now do is shown, and nothing of it is done."""
    plan, as_they_are = looked_at(quick_stage, finn), people_files._as_they_are

    def and_then_somebody_comes(session: Session, club_id: str) -> str:
        seen = as_they_are(session, club_id)
        monkeypatch.setattr(people_files, "_as_they_are", as_they_are)
        return f"{seen} of before"

    monkeypatch.setattr(people_files, "_as_they_are", and_then_somebody_comes)
    otherwise = people_files.confirm(quick_stage.service, finn, plan.mark)

    assert otherwise is not None
    assert named(quick_stage, "una") == []


def test_a_list_is_kept_for_half_an_hour_and_for_its_admin_alone(quick_stage: Stage, finn: SignedIn) -> None:
    """Then, or once given up, there is nothing to confirm."""
    plan = looked_at(quick_stage, finn)
    quick_stage.clock.at += timedelta(minutes=30)
    with pytest.raises(people_files.PeopleFileError):
        people_files.confirm(quick_stage.service, finn, plan.mark)

    plan = looked_at(quick_stage, finn)
    people_files.give_up(quick_stage.service, finn)
    with pytest.raises(people_files.PeopleFileError):
        people_files.confirm(quick_stage.service, finn, plan.mark)
    assert named(quick_stage, "una") == []


def test_what_is_exported_changes_nothing_when_it_is_imported(quick_stage: Stage, finn: SignedIn) -> None:
    """Every name, language, note and contact comes back as it went."""
    added(quick_stage, finn, PersonTyped("=Una", UNA, "de", "-", (NamedPhone("Ivo", IVO, "ivo@example.org", "it"),)))

    plan = looked_at(quick_stage, finn, people_files.export(quick_stage.service, finn).decode("utf-8-sig"))

    assert {line.does for line in plan.lines if line.phone != UNA} == {Does.NOTHING}
    assert kinds(quick_stage)[-1] == "people_exported"


FULL = (NamedPhone("Ivo Reed", IVO, "ivo@example.org", "de", ("text", "email")), NamedPhone("Edda Rowe", EDDA))
ONE_CONTACT = "name,phone,contact_1_name,contact_1_phone,contact_1_language\nUna Fell,{una},{contact},\n"


@pytest.mark.parametrize(
    ("contact", "phones", "words"),
    [
        (f"Ivo Reed,{IVO}", [IVO, EDDA], "known already as it is"),
        (f"Ivo Read,{IVO}", [IVO, EDDA], "contacts become Ivo Read, Edda Rowe"),
        (f"Ivo Reed,{DOV}", [DOV, EDDA], f"contacts become Ivo Reed, Edda Rowe, no longer Ivo Reed {IVO}"),
        (f"Edda Rowe,{EDDA}", [EDDA], f"contacts become Edda Rowe, no longer Ivo Reed {IVO}"),
        (",", [IVO, EDDA], "known already as it is"),
    ],
    ids=["the same", "another name", "another phone", "another contact", "nobody"],
)
def test_a_list_with_fewer_columns_takes_nothing_away(
    quick_stage: Stage, finn: SignedIn, contact: str, phones: list[str], words: str
) -> None:
    """Neither the contacts for whom it has no column, nor the e-mail and the language of one for whom it has some."""
    una = added(quick_stage, finn, replace(TYPED, contacts=FULL))

    plan = looked_at(quick_stage, finn, ONE_CONTACT.format(una=UNA, contact=contact))
    assert people_files.confirm(quick_stage.service, finn, plan.mark) is None

    assert plan.lines[0].words == words
    kept = of(quick_stage, una).contacts
    assert [one.phone for one in kept] == phones
    if kept[0].name.startswith("Ivo"):
        assert (kept[0].email, kept[0].language) == ("ivo@example.org", "de")
    quick_stage.text(UNA, "IN LANTERN 50 P1")
    assert [contact.phone for contact in quick_stage.all_dives()[0].contacts] == phones


def test_a_contact_asked_at_the_desk_is_known_as_asked(quick_stage: Stage) -> None:
    """So that the first plan that names them does not introduce them again."""
    finn = sitting(quick_stage)
    ask_contact(quick_stage.service, finn, added(quick_stage, finn), IVO)

    kept = quick_stage.service.read(lambda session: reaches.find(session, CLUB, [IVO]))

    assert kept[IVO].asked_at == quick_stage.clock.at
