"""From a reading to a command: whose dive, which command, what its sender is told."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.codes import make_code
from service.operations.plan_reading import NamedPhone
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, DOV, EDDA, STRANGER, Stage, plan, plan_of


def events(stage: Stage, dive_id: str) -> list[str]:
    """The kinds of the events of a dive, the filing left out."""
    dive = stage.dive(dive_id)
    return [kind.removeprefix("event:") for kind in stage.kinds(dive) if kind.startswith("event:")][1:]


LIVE = {
    "a finish": (ANNA, "OUT 2", "closed", "The clock is stopped"),
    "a finish by a buddy": (BRAM, "all out", "closed", "The clock is stopped"),
    "fewer than went in": (ANNA, "1 out", "partly_out", "1 of 2 out, 1 missing"),
    "more than went in by the plan": (ANNA, "IN P3", "start_said", "for 3 divers"),
    "more time": (ANNA, "late 20", "extension_took_effect", "due out is now 11:10"),
    "an SOS": (ANNA, "SOS", "alarm_raised", "ALARM raised"),
    "help, which carriers keep for themselves": (ANNA, "HELP", "alarm_raised", "ALARM raised"),
    "trouble in other words": (BRAM, "cant find anna", "alarm_raised", "ALARM raised"),
    "trouble seen from the shore": (CLEO, "one of them is missing", "alarm_raised", "ALARM raised"),
    "a position": (ANNA, "AT 47.12345,-20.54321", "fix_reported", "position 47.12345,-20.54321 noted"),
    "words": (ANNA, "lovely water today", "heard", "not understood"),
    "rescue called": (CLEO, "CALLED 4711", "rescue_called", "noted, rescue called (incident 4711)"),
    "safe with a count": (CLEO, "SAFE 2", "closed", "2 divers out"),
}


@pytest.mark.parametrize(("sender", "body", "event", "words"), LIVE.values(), ids=LIVE)
def test_a_text_does_to_a_live_dive_what_it_says(stage: Stage, sender: str, body: str, event: str, words: str) -> None:
    """Each kind from a phone of the dive leads to its event, and its sender is told so."""
    dive = stage.dive_in()
    stage.sleep(1)

    answers = stage.text(sender, body)

    assert events(stage, dive.id)[-1] == event
    assert any(words in answer for answer in answers), answers


REFUSED = {
    "a contact says out": (CLEO, "OUT", "If all 2 are safe, text SAFE 2"),
    "a contact says late": (CLEO, "late 20", "Only the divers can move due out"),
    "a contact says nogo": (CLEO, "nogo", "If all 2 are safe"),
    "a diver says ok": (ANNA, "OK", "OK does not stop the clock"),
    "a contact thanks us": (CLEO, "OK", "There is no alarm"),
    "not called where nobody has": (CLEO, "NOT CALLED", "Nothing changed. The clock goes on."),
    "safe without a count": (CLEO, "SAFE", "How many are safe?"),
    "more than went in": (ANNA, "3 out", "3 out, but 2 went in. The clock goes on."),
    "out of another party": (ANNA, "2 of 3 out", "2 of 3, but 2 went in. The clock goes on."),
    "safe of another party": (CLEO, "SAFE 2/3", "2 of 3, but 2 went in. The clock goes on."),
    "in again with fewer": (ANNA, "IN P1", "It stays 2; a smaller count is not taken"),
    "nogo in mid-dive": (ANNA, "nogo", "goes on. All out? Text OUT"),
    "in again": (ANNA, "IN", "The clock has run since 10:00"),
    "late past the cap": (ANNA, "late 90", "Too late for this dive"),
}


@pytest.mark.parametrize(("sender", "body", "words"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_is_refused_and_the_clock_goes_on(stage: Stage, sender: str, body: str, words: str) -> None:
    """One answer says why not and what to text instead; the log has the refusal."""
    dive = stage.dive_in()

    [answer] = stage.text(sender, body)

    assert words in answer
    assert stage.dive(dive.id) == dive
    assert "refused" in stage.kinds(dive)


def test_status_is_told_to_diver_and_contact(stage: Stage) -> None:
    """Where the dive stands, and nothing changes."""
    dive = stage.dive_in()

    assert "2 divers in, due out 10:50, alarm 11:05. All out? Text OUT." in stage.text(ANNA, "status")[0]
    assert "2 divers in, due out 10:50, alarm 11:05." in stage.text(CLEO, "status?")[0]
    assert stage.dive(dive.id) == dive


def test_words_of_trouble_are_quoted_to_every_contact(stage: Stage) -> None:
    """Word for word, at once, with how to take it back for the sender."""
    stage.dive_in()

    [answer] = stage.text(BRAM, "lost Anna near the point, 10 min")

    assert "Text OUT" in answer
    for phone in (CLEO, DOV):
        assert '"lost Anna near the point, 10 min"' in stage.last_to(phone)


def test_words_of_trouble_with_no_dive_get_the_rescue_call(stage: Stage) -> None:
    """No contact can be told, so the sender is told whom to call."""
    assert "Call rescue now: 07700 900999" in stage.text(STRANGER, "my buddy is missing")[0]


def test_an_sos_with_no_dive_gets_the_rescue_call(stage: Stage) -> None:
    """The same for an SOS; HELP with no dive is a question about us."""
    assert "Only the club's admins are told. Call rescue now" in stage.text(STRANGER, "SOS")[0]
    assert "overdue-diver alarm" in stage.text(STRANGER, "HELP")[0]
    assert "overdue-diver alarm" in stage.text(STRANGER, "INFO")[0]


def test_an_sos_before_the_start_raises_the_filed_dive(stage: Stage) -> None:
    """Trouble on the beach is trouble."""
    dive = stage.file()

    stage.text(ANNA, "SOS fell on the rocks")

    assert stage.dive(dive.id).phase == "alert"
    assert '"fell on the rocks"' in stage.last_to(CLEO)


def test_an_sos_raises_every_live_dive_of_the_phone_unless_it_names_one(stage: Stage) -> None:
    """A contact of two dives: SOS is both, SOS and a reference is that one."""
    first, second = (stage.dive_in(plan_of(number, [EDDA])) for number in (1, 2))

    stage.text(EDDA, f"SOS {second.reference}")
    assert [stage.dive(dive.id).phase for dive in (first, second)] == ["in_water", "alert"]

    stage.text(EDDA, "SOS")
    assert [stage.dive(dive.id).phase for dive in (first, second)] == ["alert", "alert"]


def test_an_sos_from_a_borrowed_phone_names_its_dive_by_code(stage: Stage) -> None:
    """The finish code is on the diver's slate; whoever has it belongs to the dive."""
    dive = stage.dive_in()

    stage.text(STRANGER, f"SOS {dive.finish_code}")

    assert stage.dive(dive.id).phase == "alert"
    assert "ALARM" in stage.last_to(CLEO)


def test_the_position_in_an_sos_reaches_the_contacts(stage: Stage) -> None:
    """It becomes the last known position."""
    dive = stage.dive_in()

    stage.text(ANNA, "SOS 47.13333,-20.55555")

    fix = stage.dive(dive.id).fix
    assert fix is not None
    assert (fix.position.lat, fix.position.lon) == (47.13333, -20.55555)
    assert "47.13333,-20.55555" in stage.last_to(CLEO)


def test_a_contact_of_two_alarms_is_asked_which(stage: Stage) -> None:
    """Nothing is done until the reference says which dive is meant."""
    first, second = (stage.dive_in(plan_of(number, [EDDA, DOV])) for number in (1, 2))
    stage.wait(minutes=66)

    [question] = stage.text(EDDA, "OK")
    assert "which dive?" in question
    assert {f"OK {first.reference}", f"OK {second.reference}"} <= {question[at : at + 5] for at in range(len(question))}
    assert not stage.dive(first.id).acknowledged
    assert not stage.dive(second.id).acknowledged

    stage.text(EDDA, f"ok {first.reference}".lower())
    assert stage.dive(first.id).acknowledged
    assert not stage.dive(second.id).acknowledged


def test_ok_means_the_dive_that_is_alarmed(stage: Stage) -> None:
    """With one alarm and one quiet dive there is nothing to ask."""
    alarmed = stage.dive_in(plan_of(1, [EDDA]))
    stage.wait(minutes=40)
    stage.dive_in(plan_of(2, [EDDA]))
    stage.wait(minutes=26)

    stage.text(EDDA, "OK")

    assert stage.dive(alarmed.id).acknowledged


def test_a_diver_of_one_dive_who_is_contact_of_another_finishes_their_own(stage: Stage) -> None:
    """OUT is a diver's word, SAFE a contact's."""
    own = stage.dive_in()
    other = stage.dive_in(plan_of(1, [ANNA]))

    stage.text(ANNA, "OUT 2")
    assert [stage.dive(dive.id).live for dive in (own, other)] == [False, True]

    stage.text(ANNA, f"SAFE 1 {other.reference}")
    assert not stage.dive(other.id).live


# Codes


def wrong(*taken: str) -> str:
    """A well-formed code that is none of those."""
    return next(code for code in (make_code(number, 6) for number in range(99)) if code not in taken)


def test_a_code_works_from_any_phone(stage: Stage) -> None:
    """IN and OUT with their codes, or the bare codes, from a borrowed phone."""
    dive = stage.file()

    assert "ARMED" in stage.text(STRANGER, dive.start_code)[0]
    assert "The clock is stopped" in stage.text(STRANGER, f"OUT {dive.finish_code}")[0]
    assert "It is over. Said by a phone ending 099" in stage.last_to(ANNA)


def test_the_wrong_one_of_the_two_codes_changes_nothing(stage: Stage) -> None:
    """OUT with the start code is no finish, and the answer says which code it was."""
    dive = stage.dive_in()

    [answer] = stage.text(ANNA, f"OUT {dive.start_code}")

    assert "that code starts the clock" in answer
    assert stage.dive(dive.id) == dive


@pytest.mark.parametrize(
    "body", ["LATE 20 {finish}", "STATUS {finish}", "OK {finish}", "NOGO {finish}", "NOGO {start}"]
)
def test_a_code_beside_other_words_only_says_which_dive(stage: Stage, body: str) -> None:
    """Only IN, OUT and the bare code act by their code: LATE with the finish code is no finish."""
    dive = stage.dive_in()

    stage.text(ANNA, body.format(start=dive.start_code, finish=dive.finish_code))

    assert stage.dive(dive.id).live


def test_nogo_with_the_start_code_does_not_start_the_clock(stage: Stage) -> None:
    """It calls off the plan that it names."""
    dive = stage.file()

    stage.text(ANNA, f"NOGO {dive.start_code}")

    assert stage.dive(dive.id).outcome == "called_off"


def test_a_mistyped_digit_or_swapped_neighbours_never_reach_a_dive(stage: Stage) -> None:
    """The check digit finds every such slip, so no slip is counted out on another dive."""
    dive = stage.dive_in()
    code = dive.finish_code
    slips = {code[:at] + str((int(code[at]) + 1) % 10) + code[at + 1 :] for at in range(6)}
    slips |= {code[:at] + code[at + 1] + code[at] + code[at + 2 :] for at in range(5)}

    for slip in slips - {code}:
        stage.sleep(61)
        stage.clock.at -= timedelta(minutes=60, seconds=30)
        stage.text(STRANGER, f"OUT {slip}")

    assert stage.dive(dive.id).live


def test_five_wrong_codes_lock_the_phone_for_an_hour(stage: Stage) -> None:
    """Then not even the right one is tried from it; another phone and a bare OUT still work, and an hour ends it."""
    dive = stage.dive_in(plan(run_time_min=240))
    bad = wrong(dive.start_code, dive.finish_code)
    answers = [stage.text(ANNA, f"OUT {bad}")[0] for _ in range(5)]
    assert "not one of ours" in answers[3]
    assert "too many wrong codes" in answers[4]

    assert "too many wrong codes" in stage.text(ANNA, f"OUT {dive.finish_code}")[0]
    assert stage.dive(dive.id).live
    assert "The clock is stopped" in stage.text(ANNA, "OUT")[0]

    other = stage.file()
    stage.text(ANNA, "IN")
    stage.sleep(61)
    assert "The clock is stopped" in stage.text(ANNA, f"OUT {other.finish_code}")[0]


def test_the_code_of_a_dive_that_is_over_says_so(stage: Stage) -> None:
    """Closed is closed; SOS is still there."""
    dive = stage.dive_in()
    stage.text(ANNA, "OUT")

    assert "is over: closed 10:00 by Anna Holt. In trouble? Text SOS." in stage.text(ANNA, f"OUT {dive.finish_code}")[0]


# Opting out


def test_a_diver_who_opts_out_stops_no_clock_and_the_contacts_hear_of_it(stage: Stage) -> None:
    """STOP is the carrier's; we send nothing more to that phone, and the log names what was withheld."""
    dive = stage.dive_in()

    assert stage.text(ANNA, "STOP") == []
    assert "Anna Holt" in stage.last_to(CLEO)
    assert "can no longer be reached by text. The clock goes on." in stage.last_to(CLEO)
    stage.wait(minutes=66)

    assert "OVERDUE" in stage.last_to(CLEO)
    assert stage.text(ANNA, "what is going on") == []
    withheld = [
        entry.detail["opted_out"] for entry in stage.entries(dive) if entry.detail and "opted_out" in entry.detail
    ]
    assert ["diver-0"] in withheld
    assert stage.dive(dive.id).phase == "alert"
    stage.text(BRAM, "out 2")


def test_a_contact_who_opts_out_is_passed_over_at_once(stage: Stage) -> None:
    """The alert to them is withheld, and the next contact hears in the same moment."""
    dive = stage.dive_in()
    stage.text(CLEO, "STOP")
    assert "Cleo Marsh cannot be reached by text. Phone somebody ashore." in stage.last_to(ANNA)

    stage.wait(minutes=66)

    assert stage.dive(dive.id).phase == "alert"
    assert "OVERDUE" in stage.last_to(DOV)
    assert "OVERDUE" not in stage.last_to(CLEO)
    stage.text(ANNA, "out 2")


def test_a_plan_whose_only_contact_opts_out_before_the_start_is_not_armed(stage: Stage) -> None:
    """Told while the diver is still dry: at once, and again at the start."""
    dive = stage.file(plan(contacts=(NamedPhone("Cleo Marsh", CLEO),)))
    stage.text(CLEO, "STOP")
    assert "Cleo Marsh cannot be reached by text" in stage.last_to(ANNA)

    stage.text(ANNA, "IN")
    stage.turn()

    assert "NOT ARMED" in stage.last_to(ANNA)
    assert stage.dive(dive.id).armed_at is None


def test_opting_in_again_brings_the_texts_back(stage: Stage) -> None:
    """START is the carrier's word for it, and starts no clock."""
    dive = stage.dive_in()
    stage.text(CLEO, "STOP")

    assert "you get our texts again" in stage.text(CLEO, "START")[0]

    assert stage.dive(dive.id).unreachable == ()
    stage.wait(minutes=66)
    assert "OVERDUE" in stage.last_to(CLEO)
    stage.text(ANNA, "out 2")


# Plans by text


def test_a_plan_by_text_is_filed_with_the_usual_contacts(stage: Stage) -> None:
    """From a phone that the club knows; the answer has both codes."""
    [answer] = stage.text(ANNA, "PLAN LANTERN 1030 40 P2 D18")

    assert "plan filed for Lantern Cove, 10:30. Going in: text IN" in answer
    stage.text(ANNA, "IN")
    stage.text(ANNA, "status")
    assert "(2 divers)" in stage.last_to(EDDA)
    stage.text(ANNA, "out 2")


@pytest.mark.parametrize(
    ("sender", "body", "words"),
    [
        (STRANGER, "PLAN LANTERN 1030 40 P2", "your phone is not known here yet"),
        (CLEO, "PLAN LANTERN 1030 40 P2", "no usual contacts are kept for you"),
        (ANNA, "PLAN ATLANTIS 1030 40 P2", "No site ATLANTIS"),
        (ANNA, "PLAN LANTERN 1030 600 P2", "not filed. Run time"),
    ],
    ids=["an unknown phone", "no usual contacts", "an unknown site", "ten hours"],
)
def test_a_plan_by_text_that_cannot_be_filed_says_why(stage: Stage, sender: str, body: str, words: str) -> None:
    """One answer, and nothing is filed."""
    [answer] = stage.text(sender, body)

    assert words in answer


def test_a_plan_by_text_for_a_time_that_has_just_passed_is_for_today(stage: Stage) -> None:
    """Typing takes a while: at 10:03 a plan for 1000 is not tomorrow's."""
    stage.clock.at += timedelta(minutes=3)

    stage.text(ANNA, "PLAN LANTERN 1000 40 P2")
    stage.wait(minutes=22)

    assert any("the clock runs from 10:00 as planned" in body for body in stage.to(ANNA))
    assert stage.clock.at - BEGIN_AT == timedelta(minutes=25)
    stage.text(ANNA, "out 2")


def test_an_ok_to_the_plan_takes_no_alarm_that_went_to_another(stage: Stage) -> None:
    """Dov thanks us for the plan while only Cleo was alerted: he gets the alarm, and has it once he answers that."""
    dive = stage.dive_in()
    stage.wait(minutes=66)

    stage.text(DOV, "Got it, thanks")

    assert events(stage, dive.id)[-1] == "step_taken"
    assert any("OVERDUE" in told for told in stage.to(DOV))
    stage.sleep(1)
    stage.text(DOV, "OK")
    assert events(stage, dive.id)[-1] == "acknowledged"
