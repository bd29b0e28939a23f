"""Every phase with every command: what happens, or why nothing does. None raises."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import get_args

import pytest

from service.domain.dive import Command, Phase, Refusal, decide, evolve
from service.domain.dive import commands as do
from service.domain.dive.events import Event, Filed, NotArmed, StepTaken
from service.domain.dive.evolve import _CHANGES
from service.domain.grace import Step
from service.domain.people import CLOCK
from service.domain.place.conditions import Current
from service.domain.place.position import Position
from service.domain.wording import _WORDS
from tests.domain.builders import (
    ADMIN,
    DISTRESS,
    DUE_OUT,
    NOW,
    PLAN,
    RAISE_BY,
    Story,
    at,
    contact,
    diver,
    file_plan,
    filed,
    in_water,
    kinds,
    overdue,
)


def closed() -> Story:
    """A dive that everybody came out of."""
    story = overdue(20)
    story.does(do.Finish(diver()), at(20))
    return story


def in_trouble() -> Story:
    """A filed plan for which the alarm was raised."""
    story = filed()
    story.does(do.RaiseNow(diver("SOS")), at(1))
    return story


PLAYED: dict[str, Callable[[], Story]] = {
    "filed": filed,
    "in_water": in_water,
    "uncertainty": lambda: overdue(DUE_OUT),
    "alert": lambda: overdue(RAISE_BY),
    "distress": lambda: overdue(DISTRESS),
    "closed": closed,
    "alert, never started": in_trouble,
}
# A moment at which nothing is due in any of them.
MOMENT = {
    "filed": at(1),
    "in_water": at(1),
    "uncertainty": at(DUE_OUT + 1),
    "alert": at(RAISE_BY + 1),
    "distress": at(DISTRESS + 1),
    "closed": at(21),
    "alert, never started": at(2),
}

COMMANDS: dict[str, Command] = {
    "file": file_plan(),
    "start": do.Start(diver("IN")),
    "out": do.Finish(diver()),
    "out, one missing": do.Finish(diver(), 1),
    "safe": do.ReportSafe(contact(), 2),
    "nogo": do.CallOff(diver("NOGO")),
    "end of a drill": do.EndDrill(diver("end")),
    "late": do.Extend(diver("LATE 20"), 20),
    "sos": do.RaiseNow(diver("SOS")),
    "ok": do.Acknowledge(contact()),
    "called": do.ReportCalled(contact()),
    "not called": do.TakeBackCalled(contact()),
    "fix": do.ReportFix(diver("AT"), Position(47.1, -20.5)),
    "current": do.ReportConditions(diver("current"), Current(90, 0.5)),
    "on scene": do.ReportOnScene(contact()),
    "unclear": do.Hear(diver("hm"), "hm"),
    "note": do.AddNote(ADMIN, "Their van is gone"),
    "handed": do.NoteHanded("start_notice", "contact-1"),
    "unreachable": do.NoteUnreachable("contact-2", "refused"),
    "reachable": do.NoteReachable("contact-2"),
    "told meanwhile": do.NoteToldMeanwhile(Step.ALERT, ("contact-0",), NOW, NOW),
    "raised meanwhile": do.NoteRaisedMeanwhile(do.RaiseNow(diver("SOS")), ("contact-0",), at(30)),
    "hold": do.Hold(CLOCK, at(0), at(100), at(200)),
    "end of the hold": do.EndHold(CLOCK),
    "tick": do.Tick(),
}

FILED, ALREADY, STARTED = "Filed", "refused: already_filed", "Started"
OVER, NO_DRILL, NONE = "refused: closed", "refused: no_drill", ""
RUNS, IN_WATER, UP = "refused: already_started", "refused: in_the_water", "refused: alarm_is_up"
DRY, NO_ALARM = "refused: not_started", "refused: no_alarm"
OUT, PARTLY, ASKED, PASSED_ON = "Closed", "PartlyOut", "ExtensionAsked", "LatePassedOn"
RAISED, OK, CALLED, NO_CALL = "AlarmRaised", "Acknowledged", "RescueCalled", "refused: not_called"
FIX, HEARD, LOST = "FixReported", "Heard", "PersonUnreachable"
SEEN, THERE, TOLD, HELD, NOTED = "ConditionsReported", "OnScene", "ToldMeanwhile", "Held", "NoteAdded"

#                     filed     in_water  uncert.   alert      distress   closed   alert, never started
TABLE = {
    "file":             (ALREADY, ALREADY,  ALREADY,  ALREADY,   ALREADY,   ALREADY, ALREADY),
    "start":            (STARTED, RUNS,     RUNS,     RUNS,      RUNS,      OVER,    UP),
    "out":              (OUT,     OUT,      OUT,      OUT,       OUT,       OVER,    OUT),
    "out, one missing": (PARTLY,  PARTLY,   PARTLY,   PARTLY,    PARTLY,    OVER,    PARTLY),
    "safe":             (OUT,     OUT,      OUT,      OUT,       OUT,       OVER,    OUT),
    "nogo":             (OUT,     IN_WATER, IN_WATER, IN_WATER,  IN_WATER,  OVER,    UP),
    "end of a drill":   (NO_DRILL, NO_DRILL, NO_DRILL, NO_DRILL, NO_DRILL, OVER, NO_DRILL),
    "late":             (DRY,     ASKED,    ASKED,    PASSED_ON, PASSED_ON, OVER,    PASSED_ON),
    "sos":              (RAISED,  RAISED,   RAISED,   RAISED,    RAISED,    RAISED,  RAISED),
    "ok":               (NO_ALARM, NO_ALARM, NO_ALARM, OK,       OK,        OVER,    OK),
    "called":           (DRY,     CALLED,   CALLED,   CALLED,    CALLED,    OVER,    CALLED),
    "not called":       (DRY,     NO_CALL,  NO_CALL,  NO_CALL,   NO_CALL,   OVER,    NO_CALL),
    "fix":              (FIX,     FIX,      FIX,      FIX,       FIX,       OVER,    FIX),
    "current":          (SEEN,    SEEN,     SEEN,     SEEN,      SEEN,      OVER,    SEEN),
    "on scene":         (THERE,   THERE,    THERE,    THERE,     THERE,     OVER,    THERE),
    "unclear":          (HEARD,   HEARD,    HEARD,    HEARD,     HEARD,     OVER,    HEARD),
    "note":             (NOTED,   NOTED,    NOTED,    NOTED,     NOTED,     NOTED,   NOTED),
    "handed":           (NONE,    NONE,     NONE,     NONE,      NONE,      NONE,    NONE),
    "unreachable":      (LOST,    LOST,     LOST,     LOST,      LOST,      NONE,    LOST),
    "reachable":        (NONE,    NONE,     NONE,     NONE,      NONE,      NONE,    NONE),
    "told meanwhile":   (TOLD,    TOLD,     TOLD,     NONE,      NONE,      NONE,    NONE),
    "raised meanwhile": (RAISED,  RAISED,   RAISED,   NONE,      NONE,      RAISED,  NONE),
    "hold":             (HELD,    HELD,     HELD,     NONE,      NONE,      NONE,    NONE),
    "end of the hold":  (NONE,    NONE,     NONE,     NONE,      NONE,      NONE,    NONE),
    "tick":             (NONE,    NONE,     NONE,     NONE,      NONE,      NONE,    NONE),
}  # fmt: skip

PHASE_AFTER = {
    STARTED: "in_water",
    OUT: "closed",
    RAISED: "alert",
    CALLED: "distress",
    TOLD: "alert",
}


def cells() -> Iterator[object]:
    """Every cell of the table."""
    for command, row in TABLE.items():
        for phase, expected in zip(PLAYED, row, strict=True):
            yield pytest.param(phase, command, expected, id=f"{command} when {phase}")


@pytest.mark.parametrize(("phase", "command", "expected"), list(cells()))
def test_every_command_has_its_answer_in_every_phase(phase: str, command: str, expected: str) -> None:
    """As the table says, and the phase only rises until it is closed."""
    story = PLAYED[phase]()
    before = story.dive.phase

    decision = story.does(COMMANDS[command], MOMENT[phase])

    assert kinds(decision) == [expected] * bool(expected)
    rises = Phase(PHASE_AFTER.get(expected, before))
    assert story.dive.phase is (rises if before is Phase.CLOSED else max(rises, before, key=list(Phase).index))
    if isinstance(decision, Refusal):
        assert decision.words.strip()
        assert decision.at == MOMENT[phase]


def test_the_table_is_whole() -> None:
    """No command and no phase is left out of it."""
    assert {type(command) for command in COMMANDS.values()} == set(get_args(Command))
    assert set(TABLE) == set(COMMANDS)
    assert {story().dive.phase for story in PLAYED.values()} == set(Phase)


def test_every_event_has_a_change_and_words() -> None:
    """No event is recorded that changes nothing by mistake, or of which nobody decided whom to tell."""
    assert set(_CHANGES) | {Filed} == set(get_args(Event)) == set(_WORDS)


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "file"])
def test_no_dive_can_be_asked_nothing(command: str) -> None:
    """Only filing needs no dive before it; anything else without one is a fault of the caller."""
    with pytest.raises(ValueError, match="there is no dive"):
        decide(None, COMMANDS[command], NOW)


def test_a_plan_that_cannot_be_taken_is_refused_with_its_first_fault() -> None:
    """Filing itself checks the plan, whoever calls it."""
    decision = decide(None, file_plan(replace(PLAN, contacts=())), NOW)

    assert kinds(decision) == ["refused: plan_contacts"]
    assert "person ashore" in getattr(decision, "words", "")


def test_a_dive_begins_with_its_filing_and_is_filed_once() -> None:
    """Events in any other order are no dive."""
    story = filed()
    first = story.events[0]

    with pytest.raises(ValueError, match="first event"):
        evolve(None, NotArmed(NOW))
    with pytest.raises(ValueError, match="filed once"):
        evolve(story.dive, first)


@pytest.mark.parametrize("phase", PLAYED)
def test_every_event_can_be_read_back_in_any_phase(phase: str) -> None:
    """Folding is total: an old log with events in an unusual order is read, not thrown."""
    story = PLAYED[phase]()
    seen = {type(event): event for played in PLAYED.values() for event in played().events}
    seen |= {StepTaken: StepTaken(NOW, Step.DISTRESS_AGAIN, NOW, ("contact-0",)), NotArmed: NotArmed(NOW)}
    seen.pop(Filed)

    for event in seen.values():
        story.happens([event])

    assert story.dive.version == len(story.events)


def test_what_was_just_asked_is_told_again_and_of_nothing_else() -> None:
    """The dive after an event is remembered by the very dive and event, so it is never that of another of either."""
    one, other = in_water().dive, overdue(DUE_OUT).dive
    events = (NotArmed(at(1)), StepTaken(at(2), Step.HEADS_UP, at(2), ("diver-0",)))

    for _ in range(2):
        for dive in (one, other, one):
            for event in events:
                again = [evolve(dive, event), evolve(dive, event), evolve(replace(dive), replace(event))]
                assert again[0] is again[1]
                assert again[0] == again[2]
                assert again[0].version == dive.version + 1
    for event in events:
        assert evolve(one, event).phase is not evolve(other, event).phase
