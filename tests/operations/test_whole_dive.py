"""A dive from plan to stand-down, by text."""

from __future__ import annotations

from service.domain.dive.commands import ReportFix
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.operations.gateway import Blame
from service.operations.pages import timeline
from service.operations.recording import act
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, Stage, accept, plan, refuse

refuse_all = refuse(Blame.TRANSIENT)


def test_a_dive_goes_from_plan_to_stand_down_by_text(stage: Stage) -> None:
    """Filed, in, reminded, overdue, alerted in order, answered, distress, called, partly out, out, stood down."""
    filed = stage.file()
    [armed] = stage.text(ANNA, "In.")
    assert "ARMED. 2 in, due out 10:50." in armed
    assert "raise" not in stage.last_to(CLEO)
    assert "Not heard by 11:05 that all are out?" in stage.last_to(CLEO)

    stage.wait(minutes=51)
    assert stage.last_to(ANNA).startswith("Skerry Bay Divers: you are due out (10:50).")
    assert stage.last_to(BRAM) == stage.last_to(ANNA)

    stage.wait(minutes=15)
    assert "OVERDUE: Anna Holt + 1 (2 divers)." in stage.last_to(CLEO)
    assert "OVERDUE" not in stage.last_to(DOV)

    stage.wait(minutes=5)
    assert "OVERDUE: Anna Holt" in stage.last_to(DOV)
    stage.sleep(0.1)
    [thanks] = stage.text(DOV, "OK")
    assert "thank you" in thanks
    assert "Dov Lind has the alarm" in stage.last_to(CLEO)

    stage.wait(minutes=10)
    assert "OVERDUE, CALL RESCUE NOW" in stage.last_to(CLEO)
    assert "OVERDUE, CALL RESCUE NOW" in stage.last_to(DOV)
    assert "rescue called (incident 4711)" in stage.text(DOV, f"called 4711 {filed.reference}")[0]
    assert "RESCUE CALLED" in stage.last_to(CLEO)

    assert "1 of 2 out, 1 missing" in stage.text(ANNA, "out 1")[0]
    assert "Count heads" in stage.text(ANNA, "out")[0]
    assert "2 divers out. The clock is stopped." in stage.text(ANNA, "out 2")[0]
    for phone in (BRAM, CLEO, DOV):
        assert "2 divers OUT. It is over. Said by Anna Holt" in stage.last_to(phone)

    heard = len(stage.journal)
    stage.wait(minutes=120)
    assert len(stage.journal) == heard
    assert stage.dive(filed.id).outcome == "surfaced"


def test_a_dive_that_ends_in_time_disturbs_nobody_ashore(stage: Stage) -> None:
    """The contacts hear of the start and of the end, and nothing between."""
    dive = stage.dive_in()
    stage.wait(minutes=40)

    stage.text(ANNA, "all out thanks")

    stage.wait(minutes=60)
    assert len(stage.to(CLEO)) == len(stage.to(DOV)) == 2
    assert "It is over" in stage.last_to(CLEO)
    assert stage.dive(dive.id).closed_by.phone == ANNA


def test_a_plan_with_a_time_in_starts_itself_when_nobody_answers(stage: Stage) -> None:
    """Asked at time in + 15 min, taken as started at its planned time at + 20, and alarmed like any other."""
    at = stage.clock.at
    dive = stage.file(plan(time_in_at=at))
    stage.wait(minutes=16)
    assert "you planned to go in at 10:00" in stage.last_to(ANNA)

    stage.wait(minutes=5)
    assert stage.dive(dive.id).started_at == at
    assert "planned to go in 10:00" in stage.last_to(CLEO)

    stage.wait(minutes=45)
    assert "OVERDUE" in stage.last_to(CLEO)
    stage.text(ANNA, "OUT 2")
    assert "It is over" in stage.last_to(CLEO)


def test_more_time_counts_once_a_contact_holds_it(stage: Stage) -> None:
    """LATE moves due out and raise-by when a gateway has taken the new times for a contact."""
    dive = stage.dive_in()
    stage.wait(minutes=30)

    answers = stage.text(ANNA, "late 20")

    assert "due out is now 11:10, your contacts know. Alarm goes out 11:25." in answers[-1]
    assert "now due out 11:10, not 10:50. Not heard by 11:25" in stage.last_to(CLEO)
    stage.wait(minutes=50)
    assert stage.dive(dive.id).phase == "uncertainty"
    assert "OVERDUE:" not in stage.last_to(CLEO)
    stage.wait(minutes=6)
    assert "OVERDUE:" in stage.last_to(CLEO)
    stage.text(CLEO, "SAFE 2")


def test_an_extension_that_nobody_ashore_holds_does_not_count(stage: Stage) -> None:
    """With no gateway the old due out stands, and its notice does not follow the alarm it would contradict."""
    dive = stage.dive_in()
    stage.wait(minutes=40)
    for gateway in (stage.first, stage.second):
        gateway.usually = refuse_all

    stage.text(ANNA, "late 20")
    stage.wait(minutes=26)
    for gateway in (stage.first, stage.second):
        gateway.usually = accept
    stage.wait(minutes=5)

    assert stage.dive(dive.id).phase == "alert"
    assert not any("now due out" in body for body in stage.to(CLEO) + stage.to(DOV))
    stage.text(ANNA, "out 2")


def test_what_people_are_told_of_where_they_are_agrees(stage: Stage) -> None:
    """A fix by text, one by the phone itself and an absurd one: alert, later news, WHERE and the pack's timeline."""
    dive = stage.dive_in()
    stage.sleep(10)
    stage.text(BRAM, "AT 47.12500,-20.54000")
    stage.sleep(20)
    by = Actor(Role.DIVER, "Anna Holt", Via.PAGE, "diver-0", words="Here I am")
    act(stage.service, dive.id, ReportFix(by, Position(47.13101, -20.53202), accuracy_m=480.0))
    stage.text(BRAM, "AT -20.54000,47.12500")
    last = "47.13101,-20.53202"

    stage.wait(minutes=41)

    assert f"At Lantern Cove, {last} (from Anna Holt 10:30, within 480 m)." in stage.last_to(DOV)
    [answer] = stage.text(CLEO, "WHERE")
    assert f"Lantern Cove: {last} or 47 07.861N 020 31.921W or" in answer
    assert "From Anna Holt (by the phone itself) 10:30, within 480 m." in answer
    stage.text(CLEO, "AT 47.13002,-20.53003")
    assert "position 47.13002,-20.53003 noted" in stage.last_to(DOV)
    assert "From Cleo Marsh (ashore) 11:11" in stage.text(DOV, "WHERE")[0]
    told = [line for line in timeline(stage.service, dive.id) if line.words.startswith("Position")]
    assert [(line.who, line.words.partition(",")[0]) for line in told] == [
        ("Bram Vik", "Position 47.12500"),
        ("Anna Holt", "Position 47.13101"),
        ("Bram Vik", "Position -20.54000"),
        ("Cleo Marsh", "Position 47.13002"),
    ]
    assert "Not used: far from the site." in told[2].words
    stage.text(ANNA, "out 2")


def test_whoever_reopens_an_alarm_is_not_stood_down_after_it(stage: Stage) -> None:
    """A stand-down that still waits when the alarm is raised again does not go out behind it."""
    stage.dive_in()
    stage.wait(minutes=70)
    for gateway in (stage.first, stage.second):
        gateway.numbers[DOV] = refuse_all
    stage.text(ANNA, "out 2")
    stage.text(ANNA, "SOS Bram is gone")
    for gateway in (stage.first, stage.second):
        gateway.numbers.clear()

    stage.wait(minutes=2)

    assert not any("It is over" in body for body in stage.to(DOV))
    assert any("ALARM AGAIN" in body for body in stage.to(DOV))
    stage.text(ANNA, "out 2")
    assert "It is over" in stage.last_to(DOV)
