"""Joining by oneself: whichever phone texts the code is proved, codes are bounded, and no diver's try is eaten."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain import codes
from service.operations import joining
from service.operations.joining import JoinRefused, JoinState
from service.operations.people import PersonRead, PersonTyped
from service.operations.plan_reading import NamedPhone
from service.store import inbound, people
from service.store.tables import JoinRow, PersonRow
from tests.operations.stage import ANNA, BRAM, CLEO, CLUB, EDDA, OURS, STRANGER, Stage

UNA = PersonTyped("Una Fell", "", contacts=(NamedPhone("Cleo Marsh", "07700 900011"),))
ANOTHER = "+447700900098"


def begun(stage: Stage, typed: PersonTyped = UNA) -> str:
    """The token of a page on which the form was taken."""
    token = joining.begin(stage.service, CLUB, typed)
    assert isinstance(token, str), token
    return token


def state(stage: Stage, token: str) -> JoinState:
    """How far it is."""
    found = joining.state(stage.service, CLUB, token)
    assert found is not None
    return found


def person(stage: Stage, phone: str) -> PersonRow | None:
    """What the club knows of a phone."""
    return stage.service.read(lambda session: people.by_phone(session, CLUB, phone))


def test_whichever_phone_texts_the_code_is_known_from_then_on(stage: Stage) -> None:
    """From form to a dive: the code by text, the answer says what to text, and that starts a dive."""
    token = begun(stage)
    assert person(stage, STRANGER) is None

    [answer] = stage.text(STRANGER, state(stage, token).code)

    assert answer == (
        "Skerry Bay Divers: you are known here now, Una Fell. Going in? Text IN, the site, the minutes and how many:"
        " IN KELP 50 P2"
    )
    known = person(stage, STRANGER)
    assert known is not None
    assert (known.name, known.joined, known.verified_at) == ("Una Fell", "self", stage.clock.at)
    assert known.consent_at == stage.clock.at
    assert state(stage, token).proved_phone == STRANGER
    answers = stage.text(STRANGER, "IN LANTERN 50 P1")
    assert any("Told now: Cleo Marsh." in one for one in answers)
    stage.text(STRANGER, "out")
    [entry] = [one for one in stage.entries(chain=f"club:{CLUB}") if one.kind == "person_joined"]
    assert entry.detail == {"person": known.id, "new": True}


@pytest.mark.parametrize("written", ["{0}", "{0} thanks", "code {0}", "{1} {2}"])
def test_a_code_is_understood_however_it_is_typed(quick_stage: Stage, written: str) -> None:
    """As the page shows it, as one number, with a word around it."""
    token = begun(quick_stage)
    code = state(quick_stage, token).code

    quick_stage.text(STRANGER, written.format(code, code[:4], code[4:]))

    assert person(quick_stage, STRANGER) is not None


def test_a_code_is_used_once_and_lasts_ten_minutes(quick_stage: Stage) -> None:
    """At nine minutes it proves, a second phone it does not, and another one at ten proves nothing."""
    first, second = begun(quick_stage), begun(quick_stage)
    used, late = state(quick_stage, first).code, state(quick_stage, second).code

    quick_stage.clock.at += timedelta(minutes=9)
    quick_stage.text(STRANGER, used)
    [again] = quick_stage.text(ANOTHER, used)
    quick_stage.clock.at += timedelta(minutes=1)
    [over] = quick_stage.text(ANOTHER, late)

    assert person(quick_stage, STRANGER) is not None
    assert "that joining code is not one of ours now" in again
    assert "that joining code is not one of ours now" in over
    assert person(quick_stage, ANOTHER) is None
    assert state(quick_stage, second).over


def test_wrong_codes_to_join_take_no_try_from_a_diver(stage: Stage) -> None:
    """After six of them no more are tried for an hour, and the diver's own code still starts the dive."""
    dive = stage.file()
    answers = [stage.text(BRAM, f"0{number:06}{codes.check_digit(f'0{number:06}')}")[0] for number in range(6)]

    assert "that joining code is not one of ours now" in answers[4]
    assert "too many wrong codes" in answers[5]
    counted = stage.service.read(
        lambda session: inbound.wrong_codes_since(session, OURS, BRAM, stage.clock.at - timedelta(hours=1))
    )
    assert counted == 0
    stage.text(BRAM, dive.start_code)
    assert stage.dive(dive.id).live
    stage.text(ANNA, "out 2")


def test_no_code_to_join_can_be_one_of_a_dive(quick_stage: Stage) -> None:
    """It begins with 0, has the check digit, and is hit by neither a wrong digit nor by two that are swapped."""
    code = state(quick_stage, begun(quick_stage)).code

    assert re.fullmatch(r"0\d{7}", code)
    assert codes.is_valid(code)
    for place in range(len(code)):
        wrong = [code[:place] + digit + code[place + 1 :] for digit in "0123456789" if digit != code[place]]
        assert not any(codes.is_valid(one) for one in wrong)
    assert not any(codes.make_code(number, length).startswith("0") for length in (6, 7, 8) for number in (0, 1, 89_999))


def test_the_database_holds_no_code_and_no_token(quick_stage: Stage) -> None:
    """Hashes alone, so that a copy of it opens nothing."""
    token = begun(quick_stage)

    row = quick_stage.service.read(lambda session: session.query(JoinRow).one())

    values = [str(getattr(row, column.name)) for column in JoinRow.__table__.columns]
    assert not any(token in value or state(quick_stage, token).code in value for value in values)


def test_a_known_phone_that_joins_again_keeps_its_name_and_notes(quick_stage: Stage) -> None:
    """Contacts and language are those of today; who texted STOP gets our texts again."""
    quick_stage.text(ANNA, "STOP")

    quick_stage.text(ANNA, state(quick_stage, begun(quick_stage)).code)

    known = person(quick_stage, ANNA)
    assert known is not None
    assert (known.name, known.joined, len(known.usual_contacts)) == ("Anna Holt", None, 1)
    assert "you are known here now" in quick_stage.last_to(ANNA)


def test_who_joins_with_their_own_number_as_a_contact_has_that_one_left_out(quick_stage: Stage) -> None:
    """The form cannot know it before the phone is proved."""
    own = PersonTyped("Una Fell", "", contacts=(NamedPhone("Me", STRANGER), NamedPhone("Dov Lind", "07700900012")))

    quick_stage.text(STRANGER, state(quick_stage, begun(quick_stage, own)).code)

    known = person(quick_stage, STRANGER)
    assert known is not None
    assert [one["name"] for one in known.usual_contacts] == ["Dov Lind"]


def test_who_had_opted_out_and_joins_is_told_of_open_dives_again(stage: Stage) -> None:
    """A contact of an alarm that passed them by gets it at once, as after START."""
    dive = stage.dive_in()
    stage.text(CLEO, "STOP")
    stage.wait(minutes=66)
    assert not any("OVERDUE" in body for body in stage.to(CLEO))

    answers = stage.text(CLEO, state(stage, begun(stage, replace(UNA, contacts=(NamedPhone("Edda", EDDA),)))).code)

    assert any("OVERDUE: Anna Holt" in body for body in answers)
    assert stage.dive(dive.id).unreachable == ()


def test_a_form_without_a_contact_is_not_taken(quick_stage: Stage) -> None:
    """One text from the beach would reach nobody."""
    read = joining.begin(quick_stage.service, CLUB, PersonTyped("", ""))

    assert isinstance(read, PersonRead)
    assert set(read.wrong) == {"name", "contact_1"}


def test_a_club_takes_so_many_forms_an_hour(quick_stage: Stage) -> None:
    """A script cannot fill the database; an hour later it goes on."""
    for _ in range(joining.FORMS_MAX):
        begun(quick_stage)

    refused = joining.begin(quick_stage.service, CLUB, UNA)
    quick_stage.clock.at += timedelta(minutes=61)

    assert refused == JoinRefused(joining.NOT_NOW)
    begun(quick_stage)


# A code by text


def sent_code(stage: Stage, phone: str) -> str:
    """The code in the last text to a phone."""
    found = re.search(r"your code to join is (\d{4}) (\d{4})\.", stage.last_to(phone))
    assert found is not None
    return found[1] + found[2]


def test_who_cannot_text_is_sent_a_code_and_types_it(stage: Stage) -> None:
    """The phone that the code went to is the one that is proved."""
    token = begun(stage)

    assert joining.send_code(stage.service, CLUB, token, "07700 900011") is None  # a contact's phone, so known
    stage.courier.carry()
    assert joining.type_code(stage.service, CLUB, token, sent_code(stage, "+447700900011")) is None

    assert state(stage, token).proved_phone == "+447700900011"


def test_five_wrong_tries_end_the_page(quick_stage: Stage) -> None:
    """The right code is none then, neither typed nor texted."""
    token = begun(quick_stage)
    joining.send_code(quick_stage.service, CLUB, token, "07700900011")
    quick_stage.courier.carry()

    said = [joining.type_code(quick_stage.service, CLUB, token, "00000000") for _ in range(5)]

    assert said[0] == JoinRefused("That is not the code. 4 tries are left.")
    assert said[4] == JoinRefused(joining.OVER)
    right = sent_code(quick_stage, "+447700900011")
    assert joining.type_code(quick_stage.service, CLUB, token, right) == JoinRefused(joining.OVER)
    quick_stage.text(STRANGER, state(quick_stage, token).code)
    assert person(quick_stage, STRANGER) is None


def test_codes_by_text_are_bounded_by_number_and_never_leave_the_country(quick_stage: Stage) -> None:
    """Three a day to one number whoever asks; a number abroad, or no number, gets none."""
    outcomes = [joining.send_code(quick_stage.service, CLUB, begun(quick_stage), "07700900011") for _ in range(4)]

    assert outcomes[:3] == [None, None, None]
    assert outcomes[3] is not None
    assert "enough codes for a day" in outcomes[3].words
    for typed, words in (
        ("+33 6 12 34 56 78", "own country"),
        ("07700 9000", "too short"),
        ("999", "emergency number"),
    ):
        refused = joining.send_code(quick_stage.service, CLUB, begun(quick_stage), typed)
        assert refused is not None
        assert words in refused.words


def test_one_club_sends_so_many_codes_an_hour(quick_stage: Stage) -> None:
    """Whatever the numbers: the main way costs nothing, and is still open."""
    tokens = [begun(quick_stage) for _ in range(joining.SENT_BY_CLUB_MAX + 1)]
    outcomes = [
        joining.send_code(quick_stage.service, CLUB, token, f"077009002{number:02}")
        for number, token in enumerate(tokens)
    ]

    assert outcomes[:-1] == [None] * joining.SENT_BY_CLUB_MAX
    assert outcomes[-1] is not None
    assert "Text the code to us instead" in outcomes[-1].words


def test_a_page_of_another_club_or_of_none_opens_nothing(quick_stage: Stage) -> None:
    """A token belongs to one club."""
    token = begun(quick_stage)

    assert joining.state(quick_stage.service, "other", token) is None
    assert joining.state(quick_stage.service, CLUB, "made up") is None
    with pytest.raises(LookupError):
        joining.type_code(quick_stage.service, "other", token, "00000000")
    with pytest.raises(LookupError):
        joining.begin(quick_stage.service, "other", UNA)
