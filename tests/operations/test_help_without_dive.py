"""Somebody calls for help with the database there, and no dive takes it up: the club's admins hear of it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from service.domain.dive import Phase
from service.operations.help_without_dive import STRANGERS_MAX
from service.store import admins, people
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, CLUB, DOV, FINN, STRANGER, Stage, plan
from tests.operations.test_help_then_gone import notes, set_club

RESCUE = "07700 900999 (practice rescue desk)"
KNOWN, GUS = "+447700900051", "+447700900041"
FROM_KNOWN = "Skerry Bay Divers: SOS from Ivo Reed, +44 7700 900051"
DO = f"No alarm is up for it: no contact knows. Call them, then rescue: {RESCUE}."


def told(stage: Stage, phone: str = FINN) -> list[str]:
    """What an admin was told of somebody in trouble."""
    return [body for body in stage.to(phone) if "SOS from" in body]


def know(stage: Stage, phone: str = KNOWN, **given: Any) -> None:
    """The club has a member of that phone, with no dive."""
    stage.service.write(lambda session: people.add(session, club_id=CLUB, name="Ivo Reed", phone=phone, **given))


def second_admin(stage: Stage, phone: str = GUS) -> None:
    """Another admin of the club."""
    gus = {"name": "Gus Orr", "email": "gus@skerry.example", "phone": phone, "password_hash": "nobody signs in"}
    stage.service.write(lambda session: admins.add(session, club_id=CLUB, now=stage.clock.at, **gus))


def test_a_member_without_a_dive_is_heard_by_every_admin_and_knows_it(stage: Stage) -> None:
    """By the same words as in an outage, before anything that is calm, and the club's log has it."""
    know(stage)
    second_admin(stage)

    [answer] = stage.text(KNOWN, "SOS Bram is under, Gull Rock")

    assert answer == (
        f"Skerry Bay Divers: no open dive for this phone. Only the club's admins are told. Call rescue now: {RESCUE}"
    )
    for phone in (FINN, GUS):
        assert told(stage, phone) == [f'{FROM_KNOWN}: "SOS Bram is under, Gull Rock". {DO}']
    assert notes(stage) == ["SOS with no dive; told 2 of the admins"]


@pytest.mark.parametrize(
    ("words", "heard"),
    [
        pytest.param("SOS", True, id="SOS"),
        pytest.param("we cannot find Bram", True, id="words of trouble"),
        pytest.param("HELP", False, id="what carriers answer asks what we are"),
        pytest.param("OUT", False, id="an end"),
        pytest.param("are you there", False, id="anything else"),
    ],
)
def test_what_is_a_call_for_help(quick_stage: Stage, words: str, *, heard: bool) -> None:
    """What would raise the alarm of a dive that runs, but for HELP, which the database can tell from one."""
    know(quick_stage)

    quick_stage.text(KNOWN, words)

    assert len(told(quick_stage)) == int(heard)


def test_words_of_trouble_before_the_start_are_heard_and_the_sender_told_what_would_alarm_contacts(
    stage: Stage,
) -> None:
    """Their IN may have been lost: the plan is named to the admins, and an SOS raises it."""
    dive = stage.file(plan(time_in_at=BEGIN_AT + timedelta(minutes=5)))
    before = len(stage.to(CLEO))

    [answer] = stage.text(ANNA, "we cannot find Bram")

    assert answer == (
        f"Skerry Bay Divers: dive {dive.reference} is not started. Only the club's admins are told."
        f" Contacts too? Text SOS. Call rescue now: {RESCUE}"
    )
    [words] = told(stage)
    assert words == (
        'Skerry Bay Divers: SOS from Anna Holt, +44 7700 900001: "we cannot find Bram".'
        f" Their dive {dive.reference} at Lantern Cove, planned for 10:05, is not started. {DO}"
    )
    assert len(stage.to(CLEO)) == before
    stage.text(ANNA, "SOS")
    assert stage.dive(dive.id).phase is Phase.ALERT


def test_a_plan_that_waits_for_its_in_is_named_without_a_time(quick_stage: Stage) -> None:
    """It may begin at any moment."""
    dive = quick_stage.file()

    quick_stage.text(BRAM, "buddy missing")

    assert f"Their dive {dive.reference} at Lantern Cove is not started." in told(quick_stage)[0]


def test_words_of_trouble_after_the_end_are_heard_and_open_nothing_by_themselves(stage: Stage) -> None:
    """Who was worried writes so after the stand-down too; an SOS opens the dive again, and the answer says it."""
    dive = stage.dive_in()
    stage.text(ANNA, "OUT")
    stage.sleep(5)

    [answer] = stage.text(CLEO, "Bram is still missing")

    assert f"dive {dive.reference} is over since 10:00. Only the club's admins are told. Contacts too?" in answer
    assert "SOS from Cleo Marsh, +44 7700 900011" in told(stage)[0]
    assert f"Their dive {dive.reference} at Lantern Cove is over since 10:00." in told(stage)[0]
    assert stage.dive(dive.id).phase is Phase.CLOSED
    stage.text(CLEO, "SOS")
    assert stage.dive(dive.id).phase is Phase.ALERT


def test_hours_after_a_dive_the_admins_hear_which_it_was(stage: Stage) -> None:
    """Who is ill of it is so within a day; no SOS opens it any more, so none is offered."""
    dive = stage.dive_in()
    stage.text(ANNA, "OUT")
    stage.sleep(180)

    [answer] = stage.text(ANNA, "SOS numb legs")
    [again] = stage.text(ANNA, f"SOS {dive.reference}")

    over = f"dive {dive.reference} is over since 10:00. Only the club's admins are told. Call rescue now: {RESCUE}"
    assert answer == again == f"Skerry Bay Divers: {over}"
    assert [f"Their dive {dive.reference} at Lantern Cove is over since 10:00." in one for one in told(stage)] == [
        True,
        True,
    ]


def test_where_an_alarm_goes_out_the_admins_get_nothing_beside_it(stage: Stage) -> None:
    """The ladder hands it up where nobody answers."""
    stage.dive_in()

    stage.text(ANNA, "SOS")
    stage.text(BRAM, "we cannot find Anna")

    assert told(stage) == []


def test_the_same_words_are_told_once_and_new_ones_three_times_an_hour(stage: Stage) -> None:
    """Two gateways bring one text, a thumb sends it twice; but who writes anew is heard, and the answer stays true."""
    know(stage)
    for words in ("SOS", "SOS", "SOS here", "we are lost", "SOS once more"):
        answer = stage.text(KNOWN, words)
        stage.sleep(0.5)

    assert [body.partition(": ")[2].partition('". ')[0] for body in told(stage)] == [
        f'SOS from Ivo Reed, +44 7700 900051: "{words}' for words in ("SOS", "SOS here", "we are lost")
    ]
    assert "Only the club's admins are told." in answer[0]
    assert notes(stage)[1] == "SOS with no dive; the admins were told within the hour"
    stage.sleep(61)
    assert "Only the club's admins are told." in stage.text(KNOWN, "SOS")[0]
    assert len(told(stage)) == 4


def test_strangers_are_heard_too_but_a_few_in_all_and_no_link_of_theirs_is_passed_on(stage: Stage) -> None:
    """A diver on a borrowed phone is one; whoever plays with the number keeps nobody from hearing a member."""
    know(stage)
    stage.text(STRANGER, "SOS look at https://bad.example/x or https://bad.example/y")
    assert '"SOS look at or"' in told(stage)[0]
    for number in range(STRANGERS_MAX):
        answer = stage.text(f"+4477009008{number:02}", "SOS")

    assert len(told(stage)) == STRANGERS_MAX
    assert "no dive for this phone, so nobody was told. Call rescue now" in answer[0]
    assert notes(stage)[-1] == "SOS with no dive; the admins were told enough of strangers this hour"
    stage.text(KNOWN, "SOS")
    assert len(told(stage)) == STRANGERS_MAX + 1


def test_the_place_in_a_strangers_link_is_passed_on(quick_stage: Stage) -> None:
    """It is where to look for them."""
    quick_stage.text(STRANGER, "SOS https://maps.example/?q=47.12345,-20.54321")

    assert '"SOS 47.12345,-20.54321"' in told(quick_stage)[0]


def test_who_is_a_contact_of_somebody_is_no_stranger(quick_stage: Stage) -> None:
    """By what the club keeps, also of a plan of long ago."""
    for number in range(STRANGERS_MAX):
        quick_stage.text(f"+4477009008{number:02}", "SOS")
    quick_stage.dive_in()
    quick_stage.text(ANNA, "OUT")
    quick_stage.sleep(30 * 60)
    before = len(told(quick_stage))

    quick_stage.text(DOV, "SOS for Anna")

    assert len(told(quick_stage)) == before + 1


def test_an_admin_who_calls_is_not_told_of_it_and_knows_that_nobody_is(quick_stage: Stage) -> None:
    """With another admin that one hears, by name."""
    assert "no dive for this phone, so nobody was told." in quick_stage.text(FINN, "SOS")[0]
    assert notes(quick_stage) == ["SOS with no dive; no admin can be told"]
    second_admin(quick_stage)

    assert "Only the club's admins are told." in quick_stage.text(FINN, "SOS me again")[0]
    assert "SOS from Finn Aske, " in told(quick_stage, GUS)[0]
    assert told(quick_stage) == []


def test_who_wants_no_texts_is_not_told_and_not_counted_on(quick_stage: Stage) -> None:
    """With a plan in hand the sender hears that nobody is told, and what would alarm the contacts."""
    quick_stage.text(FINN, "STOP")
    dive = quick_stage.file()

    [answer] = quick_stage.text(ANNA, "we cannot find Bram")

    assert f"dive {dive.reference} is not started. Nobody is told. Contacts too? Text SOS." in answer
    assert told(quick_stage) == []


def test_each_reads_it_in_their_language(quick_stage: Stage) -> None:
    """The club's for its admins and for whom it does not know."""
    know(quick_stage)
    set_club(quick_stage, settings={"language": "de"})

    assert "Nur die Club-Admins wissen es. Jetzt Rettung rufen" in quick_stage.text(KNOWN, "SOS")[0]
    assert 'SOS von Ivo Reed, +44 7700 900051: "SOS". Kein Alarm läuft dafür' in quick_stage.last_to(FINN)


def test_an_exercise_that_is_over_is_none_of_theirs(quick_stage: Stage) -> None:
    """Nobody is sent to look for what was played."""
    dive = quick_stage.file(plan(), drill=True)
    quick_stage.text(ANNA, f"IN {dive.start_code}")
    quick_stage.text(ANNA, f"OUT {dive.finish_code}")

    quick_stage.text(ANNA, "we cannot find Bram")

    assert dive.reference not in told(quick_stage)[0]


def test_hours_after_nobody_is_told_any_more(quick_stage: Stage) -> None:
    """As long as an SOS would open a dive again; then whoever called has long been helped or found."""
    know(quick_stage)
    quick_stage.receive_and_answer(KNOWN, "SOS")

    quick_stage.sleep(121)
    quick_stage.turn()

    assert told(quick_stage) == []


@pytest.mark.parametrize(
    ("words", "heard"),
    [
        ("thank god, I was so worried", False),
        ("Great. I had been a bit worried!", False),
        ("I was worried and Bram is still missing", True),
        ("I am worried", True),
    ],
)
def test_who_was_worried_and_is_glad_alarms_nobody(quick_stage: Stage, words: str, *, heard: bool) -> None:
    """As contacts write after a stand-down. They hear that it is over, and what would open it again."""
    dive = quick_stage.dive_in()
    quick_stage.wait(minutes=66)
    quick_stage.text(ANNA, "OUT")

    [answer] = quick_stage.text(CLEO, words)

    assert len(told(quick_stage)) == int(heard)
    assert (f"Dive {dive.reference} is over: closed 11:06 by Anna Holt. In trouble? Text SOS." in answer) is not heard


@pytest.mark.parametrize("words", ["I'm worried, is she ok?", "I was so worried"])
def test_a_contact_who_is_worried_raises_the_alarm_of_a_dive_that_runs(quick_stage: Stage, words: str) -> None:
    """Also before its time: they may see what no clock can, and a false alarm costs a walk to the beach."""
    dive = quick_stage.dive_in()
    quick_stage.wait(minutes=51)
    assert quick_stage.dive(dive.id).phase is Phase.UNCERTAINTY

    [answer] = quick_stage.text(CLEO, words)

    assert quick_stage.dive(dive.id).phase is Phase.ALERT
    assert f"ALARM raised. The contacts are being told. Call rescue: {RESCUE}" in answer
    assert f"Text SAFE 2 {dive.reference}" in answer
    assert f'ALARM: Cleo Marsh 10:51 says "{words}"' in quick_stage.last_to(DOV)
    assert told(quick_stage) == []
