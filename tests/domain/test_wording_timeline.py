"""The timeline's words: one line for each thing that happened."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given

from service.domain.dive import Event
from service.domain.dive import commands as do
from service.domain.dive.events import (
    AlarmRaised,
    Closed,
    ConditionsReported,
    ExtensionNotInForce,
    FixReported,
    LatePassedOn,
    NotArmed,
    Outcome,
    PartlyOut,
    PersonReachable,
    PersonUnreachable,
    RescueCalled,
    Started,
    StartSaid,
    StepTaken,
    ToldMeanwhile,
)
from service.domain.grace import Step
from service.domain.people import ADMINS, CLOCK
from service.domain.place.conditions import Current, Wind
from service.domain.place.fix import Doubt, Source
from service.domain.place.position import Position
from service.domain.wording import timeline
from service.domain.wording.timeline import what_happened, who_did
from tests.domain.builders import NOW, RAISE_BY, at, contact, diver, in_water, overdue
from tests.domain.heart_strategies import Life, lives, played

SPOT = Position(47.12345, -20.54321)


def test_a_dive_is_told_line_by_line() -> None:
    """From the plan to the end."""
    story = in_water()
    story.does(do.Extend(diver("LATE 10"), 10), at(30))
    story.does(do.NoteHanded("extension-1", "contact-1"), at(31))
    story.runs_to(at(RAISE_BY + 10))
    story.does(do.Acknowledge(contact()), at(RAISE_BY + 11))
    story.does(do.ReportOnScene(contact()), at(RAISE_BY + 12))
    story.does(do.Hear(diver("brb"), "brb"), at(RAISE_BY + 13))
    story.does(do.Finish(diver("OUT")), at(RAISE_BY + 14))

    assert [(who_did(event), what_happened(story.dive, event)) for event in story.events] == [
        ("Anna Holt", "Plan filed for Lantern Cove, 2 divers."),
        ("Anna Holt", "In, 2 divers. Due out 10:50."),
        ("the clock", "Armed: the plan is with Cleo Marsh."),
        ("Anna Holt", "Asked for due out 11:00."),
        ("the clock", "Due out is now 11:00; Dov Lind has it."),
        ("the clock", "Reminded that due out is near: Anna Holt, Bram Vik."),
        ("the clock", "Texted at due out: Anna Holt, Bram Vik."),
        ("the clock", "Texted a second time: Anna Holt, Bram Vik."),
        ("the clock", "Alerted: Cleo Marsh."),
        ("Cleo Marsh", "Has the alarm and acts."),
        ("Cleo Marsh", "Is at the site."),
        ("Anna Holt", 'Said: "brb".'),
        ("Anna Holt", "All out."),
    ]


LINES: dict[str, tuple[Event, str]] = {
    "assumed": (
        Started(at(20), CLOCK, NOW, at(50), 2, assumed=True),
        "No start was heard; the clock runs from the planned 10:00. Due out 10:50.",
    ),
    "a start after all": (StartSaid(NOW, diver("IN")), "Said that they went in."),
    "a start of more": (StartSaid(NOW, diver("IN 3"), 3), "Said that 3 divers went in, more than was known."),
    "not armed": (NotArmed(NOW), "Not armed: no contact could be told yet."),
    "nobody has a phone": (
        StepTaken(NOW, Step.HEADS_UP, NOW, ()),
        "Reminded that due out is near: nobody with a phone.",
    ),
    "the admins": (StepTaken(NOW, Step.HAND_UP, NOW, (ADMINS,)), "Handed up: the club's admins."),
    "a key that is not there": (StepTaken(NOW, Step.ALERT, NOW, ("contact-9",)), "Alerted: contact-9."),
    "not in force": (ExtensionNotInForce(NOW, 1), "The later due out is not in force: no contact could be told."),
    "late": (LatePassedOn(NOW, diver("LATE 20")), 'Said after the alarm: "LATE 20".'),
    "partly out": (PartlyOut(NOW, diver("OUT 1"), 1, 1), "1 out, 1 missing."),
    "an SOS": (AlarmRaised(NOW, diver("SOS lost"), "lost"), 'Raised the alarm: "lost".'),
    "an SOS again": (AlarmRaised(NOW, diver("SOS"), reopened=True), 'Raised the alarm again: "SOS".'),
    "an SOS that lay": (
        AlarmRaised(NOW, replace(diver("SOS"), said_at=at(-9))),
        'Raised the alarm, at 09:51: "SOS".',
    ),
    "an SOS that a keeper told": (
        AlarmRaised(NOW, diver("SOS"), told_at=NOW, told=("contact-0",)),
        'Raised the alarm: "SOS". Told while the database was gone: Cleo Marsh.',
    ),
    "an alarm without words": (AlarmRaised(NOW, diver("")), "Raised the alarm."),
    "called": (RescueCalled(NOW, contact()), "Called rescue."),
    "called with a number": (RescueCalled(NOW, contact(), "4711"), "Called rescue, incident 4711."),
    "a fix": (FixReported(NOW, diver(), SPOT, NOW, Source.TEXT), "Position 47.12345,-20.54321."),
    "a fix of before": (
        FixReported(at(9), diver(), SPOT, NOW, Source.TEXT, 34.6),
        "Position 47.12345,-20.54321, within 35 m, at 10:00.",
    ),
    "a fix that is far": (
        FixReported(NOW, diver(), SPOT, NOW, Source.TEXT, doubt=Doubt.FAR),
        "Position 47.12345,-20.54321. Not used: far from the site.",
    ),
    "a fix of the future": (
        FixReported(NOW, diver(), SPOT, NOW, Source.TEXT, doubt=Doubt.FUTURE),
        "Position 47.12345,-20.54321. Not used: its time is in the future.",
    ),
    "both conditions": (
        ConditionsReported(NOW, diver(), Current(90, 0.5), Wind(225, 15)),
        "Current 0.5 kn towards E. Wind 15 kn from SW.",
    ),
    "the current": (ConditionsReported(NOW, diver(), Current(0, 2)), "Current 2 kn towards N."),
    "the wind": (ConditionsReported(NOW, diver(), wind=Wind(360, 9)), "Wind 9 kn from N."),
    "opted out": (PersonUnreachable(NOW, "diver-1", "opted_out"), "Texts do not reach Bram Vik: they want no texts."),
    "refused": (
        PersonUnreachable(NOW, "contact-0", "refused"),
        "Texts do not reach Cleo Marsh: the number takes no texts.",
    ),
    "no receipt": (
        PersonUnreachable(NOW, "contact-0", "no_receipt"),
        "Texts do not reach Cleo Marsh: nothing says that the text arrived.",
    ),
    "for some other reason": (PersonUnreachable(NOW, "contact-0", "moved"), "Texts do not reach Cleo Marsh: moved."),
    "reachable": (PersonReachable(NOW, "contact-0"), "Texts reach Cleo Marsh again."),
    "told meanwhile": (
        ToldMeanwhile(NOW, Step.ALERT, ("contact-0",), NOW, NOW),
        "Alerted, not confirmed, while the database was gone: Cleo Marsh.",
    ),
    "called off": (Closed(NOW, diver(), Outcome.CALLED_OFF), "Called off, nobody is diving."),
    "stood down for a reason": (
        Closed(NOW, contact(), Outcome.STOOD_DOWN, 2, reason="seen in the car park"),
        "Stood down, all safe. Reason: seen in the car park.",
    ),
    "lapsed": (Closed(NOW, CLOCK, Outcome.LAPSED), "The plan lapsed: no start was heard."),
}


@pytest.mark.parametrize(("event", "line"), LINES.values(), ids=LINES)
def test_each_event_has_its_line(event: Event, line: str) -> None:
    """With names, local times and no key."""
    assert what_happened(overdue(RAISE_BY).dive, event) == line


def test_no_event_and_no_step_is_without_words() -> None:
    """A new one must get its line."""
    assert set(timeline._WORDS) == set(get_args(Event))
    assert set(timeline._STEPS) == set(Step)
    assert set(timeline._OUTCOMES) == set(Outcome)


@given(lives)
def test_every_event_of_any_life_is_one_line_with_somebody_who_did_it(life: Life) -> None:
    """In the pack nothing may break a line or be left blank."""
    for turn in played(life):
        for event, dive, _ in turn.steps:
            line = what_happened(dive, event)
            assert line.strip()
            assert "\n" not in line
            assert "None" not in line
            assert who_did(event)
