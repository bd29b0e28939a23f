"""What is typed about a contact: ways, e-mail and language, and what is said where the service cannot use them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import select, update

from service.domain.people import Channel
from service.domain.plan import Contact, Level
from service.operations.contact_reading import NamedPhone, read_email
from service.operations.filing import PlanFiled, PlanRefused, file_plan, preview
from service.store.tables import ClubRow, DiveRow, PersonRow
from tests.operations.stage import ANNA, BY_ANNA, CLEO, CLUB, DOV, Stage, plan

TEXT, CALL, EMAIL = Channel
HARBOUR = "+441632960123"
EVERY_WAY = frozenset(Channel)
TEXTS = frozenset({TEXT})


def result(stage: Stage, channels: frozenset[Channel], *contacts: NamedPhone) -> PlanFiled | PlanRefused:
    """What becomes of a plan with these contacts, where the service has these ways."""
    return file_plan(replace(stage.service, channels=channels), CLUB, plan(contacts=contacts), BY_ANNA)


def contact(stage: Stage, channels: frozenset[Channel], **typed: Any) -> Contact:
    """The one contact of a plan that is taken."""
    filed = result(stage, channels, NamedPhone(**({"name": "Cleo Marsh", "phone": CLEO} | typed)))
    assert isinstance(filed, PlanFiled), filed
    return filed.dive.plan.contacts[0]


def advice(stage: Stage, channels: frozenset[Channel], **typed: Any) -> list[str]:
    """What is said about the contacts of a plan that is taken, but for what is said of every single one."""
    filed = result(stage, channels, NamedPhone(**({"name": "Cleo Marsh", "phone": CLEO} | typed)))
    assert isinstance(filed, PlanFiled), filed
    about = [check.words for check in filed.checks if check.field == "contacts"]
    return [words for words in about if "One contact only" not in words and "of your contacts" not in words]


@pytest.mark.parametrize(
    ("channels", "typed", "ways"),
    [
        (TEXTS, {}, (TEXT,)),
        (EVERY_WAY, {}, (TEXT, CALL)),
        (EVERY_WAY, {"email": "cleo@example.org"}, (TEXT, CALL, EMAIL)),
        (EVERY_WAY, {"phone": HARBOUR}, (CALL,)),
        (EVERY_WAY, {"phone": HARBOUR, "email": "cleo@example.org"}, (CALL, EMAIL)),
        (TEXTS, {"phone": HARBOUR}, (TEXT,)),
        (TEXTS, {"email": "cleo@example.org"}, (TEXT,)),
        (EVERY_WAY, {"ways": ("call", "text")}, (CALL, TEXT)),
        (EVERY_WAY, {"ways": ("Text", " text ")}, (TEXT,)),
        (TEXTS, {"ways": ("call", "text")}, (TEXT,)),
    ],
)
def test_the_ways_of_a_contact_are_those_given_or_the_usual_ones(
    stage: Stage, channels: frozenset[Channel], typed: dict[str, Any], ways: tuple[Channel, ...]
) -> None:
    """Text, then call, then e-mail; a landline is called; what the service has not is left out."""
    assert contact(stage, channels, **typed).channels == ways


@pytest.mark.parametrize(
    ("channels", "typed", "words"),
    [
        (TEXTS, {"ways": ("call",)}, "This service makes no voice calls. Choose text, with a mobile number."),
        (EVERY_WAY, {"email": "c@example.org", "ways": ("email",)}, "An e-mail alone may be read too late."),
        (EVERY_WAY, {"ways": ("text", "email")}, "Give an e-mail address, or leave e-mail out of the ways."),
        (EVERY_WAY, {"ways": ("pigeon",)}, '"pigeon" is no way to reach somebody: the ways are text, call and email.'),
        (EVERY_WAY, {"email": "cleo at home"}, "This is no e-mail address. Check it, or leave it empty."),
        (EVERY_WAY, {"language": "tlh"}, "Messages can be in en, es, fr, de, it: choose one of these."),
        (EVERY_WAY, {"phone": "12"}, "This number is too short"),
    ],
)
def test_what_cannot_be_used_is_refused_with_what_to_do(
    stage: Stage, channels: frozenset[Channel], typed: dict[str, Any], words: str
) -> None:
    """By the name of the contact, so that it is clear whose it is."""
    refused = result(stage, channels, NamedPhone(**({"name": "Cleo Marsh", "phone": CLEO} | typed)))

    assert isinstance(refused, PlanRefused)
    [check] = [check for check in refused.checks if check.level is Level.REFUSE]
    assert check.field == "contacts"
    assert check.words.startswith(f"Cleo Marsh: {words}")


@pytest.mark.parametrize(
    ("channels", "typed", "words"),
    [
        (TEXTS, {"phone": HARBOUR}, ["Cleo Marsh has a landline, which may take no texts."]),
        (EVERY_WAY, {"phone": HARBOUR, "ways": ("text",)}, ["Cleo Marsh has a landline, which may take no texts."]),
        (EVERY_WAY, {"phone": HARBOUR}, []),
        (TEXTS, {"ways": ("call", "text")}, ["This service makes no voice calls, so Cleo Marsh is told by text."]),
        (TEXTS, {"email": "cleo@example.org"}, ["This service sends no e-mails, so Cleo Marsh gets none."]),
        (EVERY_WAY, {}, []),
    ],
)
def test_what_the_service_cannot_do_is_said_while_the_diver_is_dry(
    stage: Stage, channels: frozenset[Channel], typed: dict[str, Any], words: list[str]
) -> None:
    """The plan is taken: somebody is told all the same."""
    said = advice(stage, channels, **typed)

    assert len(said) == len(words)
    assert all(found.startswith(expected) for found, expected in zip(said, words, strict=True))


def test_every_wrong_contact_is_named(stage: Stage) -> None:
    """All at once, not one after another."""
    refused = result(
        stage,
        EVERY_WAY,
        NamedPhone("Cleo Marsh", CLEO, "not one"),
        NamedPhone("", DOV, language="xx"),
        NamedPhone("Edda"),
    )

    assert isinstance(refused, PlanRefused)
    names = [check.words.partition(":")[0] for check in refused.checks if check.level is Level.REFUSE]
    assert names == ["Cleo Marsh", "A contact", "Edda"]


def test_an_address_is_kept_as_it_goes_into_an_envelope() -> None:
    """Without blanks, with a domain that every mail server reads; nothing typed is no address."""
    assert read_email("  Cleo.Marsh@Example.ORG ") == "Cleo.Marsh@example.org"
    assert (
        read_email("cleo@b\N{LATIN SMALL LETTER U WITH DIAERESIS}cher.example.org") == "cleo@xn--bcher-kva.example.org"
    )
    assert read_email("") is read_email(None) is read_email("  ") is None


def keep_settings(stage: Stage, settings: dict[str, str]) -> None:
    """What the club has set."""
    keep = update(ClubRow).where(ClubRow.id == CLUB).values(settings=settings)
    stage.service.write(lambda session: session.execute(keep))


def test_a_person_without_a_language_has_that_of_the_club(stage: Stage) -> None:
    """Else English; what the settings hold that is no language of ours is none."""
    for kept, language in (({}, "en"), ({"language": "fr"}, "fr"), ({"language": "tlh"}, "en")):
        keep_settings(stage, kept)
        filed = result(stage, TEXTS, NamedPhone("Cleo Marsh", CLEO), NamedPhone("Dov Lind", DOV, language="DE "))
        assert isinstance(filed, PlanFiled)
        assert [one.language for one in filed.dive.plan.contacts] == [language, "de"]
        assert {one.language for one in filed.dive.plan.party} == {language}


def test_a_diver_may_have_a_language_too(stage: Stage) -> None:
    """And one that we do not have is refused."""
    request = plan(lead=NamedPhone("Anna Holt", ANNA, language="es"))
    filed = file_plan(stage.service, CLUB, request, BY_ANNA)
    assert isinstance(filed, PlanFiled)
    assert filed.dive.lead.language == "es"

    refused = file_plan(stage.service, CLUB, plan(lead=NamedPhone("Anna Holt", ANNA, language="tlh")), BY_ANNA)
    assert isinstance(refused, PlanRefused)
    assert ("lead", "Messages can be in en, es, fr, de, it: choose one of these.") in [
        (check.field, check.words) for check in refused.checks
    ]


def test_what_holds_for_a_dive_is_what_the_service_could_when_it_was_filed(stage: Stage) -> None:
    """A gateway that is set up later calls nobody of a dive that was filed before."""
    stage.opens_every_way()
    assert stage.file().calls
    assert not file_plan(replace(stage.service, channels=TEXTS), CLUB, plan(), BY_ANNA).dive.calls  # type: ignore[union-attr]


def test_the_usual_contacts_of_a_plan_by_text_have_their_ways(stage: Stage) -> None:
    """As the club keeps them for the diver."""
    stage.opens_every_way()
    kept = [
        {"name": "Cleo Marsh", "phone": CLEO, "email": "c@example.org", "language": "it", "ways": ["text", "email"]}
    ]
    change = update(PersonRow).where(PersonRow.club_id == CLUB, PersonRow.phone == ANNA).values(usual_contacts=kept)
    stage.service.write(lambda session: session.execute(change))

    stage.text(ANNA, "PLAN, LANTERN, now, 50, P2")
    every = stage.service.read(lambda session: list(session.execute(select(DiveRow.id)).scalars()))

    [cleo] = stage.dive(every[-1]).plan.contacts
    assert (cleo.language, cleo.email, cleo.channels) == ("it", "c@example.org", (TEXT, EMAIL))


def test_a_preview_shows_what_is_said_to_a_landline_and_no_e_mail(stage: Stage) -> None:
    """Before filing, word for word; the e-mail says the same and more."""
    request = plan(contacts=(NamedPhone("Harbour office", HARBOUR, "harbour@example.org"),))

    seen = preview(replace(stage.service, channels=EVERY_WAY), CLUB, request, BY_ANNA)

    assert not isinstance(seen, PlanRefused)
    [(name, text)] = seen.contact_texts
    assert name == "Harbour office"
    assert text.startswith("This is Linetender, for Skerry Bay Divers. Please write this down.")
