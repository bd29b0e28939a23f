"""Raising the alarm before its time: from every phase, word for word, and for a while after the end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import Phase, next_due_at
from service.domain.dive import commands as do
from service.domain.dive.events import AlarmRaised
from service.domain.grace import Step
from service.domain.handover import pack
from service.domain.people import Actor, Via
from service.domain.wording import MessageKind
from service.web.dive_words import moments
from tests.domain.builders import (
    ADMIN,
    CONTACT_KEYS,
    DISTRESS,
    DUE_OUT,
    HAND_UP,
    PARTY_KEYS,
    RAISE_BY,
    SCRIPT,
    STRANGER,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    keys,
    kinds,
    overdue,
)

SOS = do.RaiseNow(diver("SOS"))
PHASES = [
    ("filed", filed, Phase.ALERT),
    ("in water", lambda: overdue(20), Phase.ALERT),
    ("uncertainty", lambda: overdue(DUE_OUT), Phase.ALERT),
    ("alert", lambda: overdue(RAISE_BY), Phase.ALERT),
    ("distress", lambda: overdue(DISTRESS), Phase.DISTRESS),
]


@pytest.mark.parametrize(("story", "phase"), [row[1:] for row in PHASES], ids=[row[0] for row in PHASES])
def test_the_alarm_can_be_raised_from_anywhere(story: object, phase: Phase) -> None:
    """Every contact hears it at once, the phase never falls, and who raised it hears how to take it back."""
    played: Story = story()  # type: ignore[operator]

    drafts = played.said(SOS, at(DISTRESS, 30))

    assert played.dive.phase is phase
    assert keys(drafts) == [*CONTACT_KEYS, "diver-0"]
    assert [d.kind for d in drafts] == [MessageKind.ALERT] * 3 + [MessageKind.REPLY]
    assert drafts[-1].text == (
        "Skerry Bay Divers: ALARM raised. Your contacts are being told."
        " Call rescue: 07700 900999 (practice desk). All safe after all? Text OUT"
    )


@pytest.mark.parametrize(
    ("who", "told", "back"),
    [
        pytest.param(diver("SOS", 1), [*CONTACT_KEYS, "diver-1"], "Text OUT", id="another diver"),
        pytest.param(contact(1, "SOS"), ["contact-0", "contact-2", "contact-1"], "Text SAFE 2 7K", id="a contact"),
        pytest.param(contact(1, "SOS", Via.PAGE), ["contact-0", "contact-2"], None, id="a contact on a page"),
        pytest.param(ADMIN, [*CONTACT_KEYS], None, id="an admin"),
        pytest.param(SCRIPT, [*CONTACT_KEYS], None, id="a script"),
        pytest.param(STRANGER, [*CONTACT_KEYS, "phone:+447700900077"], "Text SAFE 2 7K", id="a strange phone"),
    ],
)
def test_the_alarm_is_believed_from_anybody(who: Actor, told: list[str], back: str | None) -> None:
    """A false alarm costs less than one that was not believed; who raised it is not told their own words."""
    story = in_water()

    drafts = story.said(do.RaiseNow(who, "two of them on the rocks"), at(20))

    assert [draft.to.key for draft in drafts] == told
    assert back is None or drafts[-1].text.endswith(back)


WORRIES = [
    "lost sight of Bram near the point",
    "cant find my buddy he was at 12m!! pls help",
    "Bram isn\u2019t breathing \u2013 at the slip",
    "we're  out of\ngas",
]


@pytest.mark.parametrize("words", WORRIES)
def test_a_worry_is_quoted_word_for_word(words: str) -> None:
    """The contacts read what was said, in the letters that a text has."""
    story = in_water()

    drafts = story.said(do.RaiseNow(diver(words), words, worry=True), at(20))

    plain = " ".join(words.replace("\u2019", "'").replace("\u2013", "-").split())
    assert all(f'ALARM: Anna Holt 10:20 says "{plain}". Anna Holt + 1 (2 divers).' in d.text for d in drafts[:3])
    event = story.events[-1]
    assert isinstance(event, AlarmRaised)
    assert (event.worry, event.note, story.dive.raised_note) == (True, words, words)


def test_a_long_worry_is_quoted_as_far_as_there_is_room() -> None:
    """What matters is said first; the end is cut between words, and nothing else of the alarm is lost."""
    words = "I cannot find Bram " + "and the current is strong " * 30
    story = in_water()

    (text, *_) = [draft.text for draft in story.said(do.RaiseNow(diver(words), words, worry=True), at(20))]

    assert 'says "I cannot find Bram and the current is strong and the current is strong' in text
    assert ".." in text
    assert text.endswith("SAFE 2 7K (all safe).")


def test_an_alarm_without_words_quotes_none() -> None:
    """A button has nothing to quote."""
    story = in_water()
    (draft, *_) = story.said(do.RaiseNow(SCRIPT), at(20))

    assert "ALARM: the kiosk 10:20. Anna Holt + 1 (2 divers)." in draft.text


def test_somebody_elses_alarm_still_says_when_the_party_was_last_heard() -> None:
    """The words of a contact are not the last that was heard of the divers."""
    story = in_water()
    (draft, *_) = story.said(do.RaiseNow(contact(words="SOS"), "no light on the water"), at(20))

    assert 'Last heard 10:00 Anna Holt: "IN".' in draft.text


def test_an_alarm_that_no_contact_can_be_told_of_does_not_claim_so() -> None:
    """Who raised it hears that only a call to rescue is left."""
    story = in_water()
    for key in CONTACT_KEYS:
        story.does(do.NoteUnreachable(key, "refused"), at(1))

    reply = story.said(SOS, at(20))[-1]

    assert "ALARM raised. No contact can be reached by text. Call rescue: " in reply.text
    assert next_due_at(story.dive) == at(20)
    assert [draft.to.key for draft in story.ticks(at(20))] == ["admins"]


def test_a_contact_who_calls_and_is_the_only_one_to_be_reached_hears_that_nobody_else_is() -> None:
    """They have the alarm by their own word; told that contacts are being told they would wait for nobody."""
    story = in_water()
    for key in CONTACT_KEYS[1:]:
        story.does(do.NoteUnreachable(key, "refused"), at(1))

    reply = story.said(do.RaiseNow(contact(words="SOS")), at(20))[-1]

    assert reply.to.key == CONTACT_KEYS[0]
    assert "ALARM raised. No contact can be reached by text. Call rescue: " in reply.text


def test_after_an_alarm_was_raised_distress_and_hand_up_count_from_it() -> None:
    """A quarter of an hour after the alarm all are told to call rescue, and thirty minutes later the admins hear."""
    story = in_water()
    story.does(SOS, at(20))
    story.runs_to(at(HAND_UP))
    due = [(event.step, event.due_at) for event in story.events if hasattr(event, "due_at") and hasattr(event, "step")]

    assert due[0] == (Step.DISTRESS, at(35))
    assert (Step.HAND_UP, at(65)) in due
    assert {step for step, _ in due} == {Step.DISTRESS, Step.DISTRESS_AGAIN, Step.HAND_UP}


@pytest.mark.parametrize("minute", [DUE_OUT + 1, RAISE_BY - 1], ids=["just overdue", "just before the alert"])
def test_an_alarm_never_delays_what_the_clock_would_do(minute: int) -> None:
    """Raised close to its time, distress comes no later than the clock's."""
    story = overdue(minute)
    story.does(SOS, at(minute))

    assert next_due_at(story.dive) == min(at(minute + 15), at(DISTRESS))


def test_an_alarm_puts_an_end_to_a_late_text_that_waits() -> None:
    """A raised alarm and more time do not go together."""
    story = in_water()
    story.does(do.Extend(diver("LATE 20"), 20), at(20))
    story.does(SOS, at(20, 2))

    assert kinds(story.does(do.NoteHanded("extension-1", "contact-0"), at(20, 3))) == []


def test_later_steps_speak_of_an_alarm_and_not_of_an_overdue_party() -> None:
    """Somebody asked for help: nobody reads that they are merely late."""
    story = in_water()
    story.does(SOS, at(20))

    texts = [draft.text for draft in story.ticks(at(35))]

    assert all("ALARM, CALL RESCUE NOW:" in text and "Say divers in trouble" in text for text in texts)
    assert not any("verdue" in text.lower() for text in texts)


ENDS = [
    ("surfaced", in_water, do.Finish(diver())),
    ("called off", filed, do.CallOff(diver("NOGO"))),
    ("stood down", lambda: overdue(RAISE_BY), do.ReportSafe(contact(), 2)),
    ("lapsed", filed, do.Tick()),
]
CLOSED_AT = 24 * 60  # when a plan without a time lapses


@pytest.mark.parametrize(("story", "ending"), [row[1:] for row in ENDS], ids=[row[0] for row in ENDS])
@pytest.mark.parametrize(
    ("minute", "second", "expected"),
    [
        pytest.param(0, 1, ["AlarmRaised"], id="at once"),
        pytest.param(120, -1, ["AlarmRaised"], id="just within two hours"),
        pytest.param(120, 0, ["refused: closed_too_long"], id="two hours"),
        pytest.param(120, 1, ["refused: closed_too_long"], id="over two hours"),
    ],
)
def test_a_closed_dive_can_be_reopened_for_two_hours(
    story: object, ending: do.Command, minute: int, second: int, expected: list[str]
) -> None:
    """However it ended; after that the answer names whom to call."""
    played: Story = story()  # type: ignore[operator]
    assert kinds(played.does(ending, at(CLOSED_AT))) == ["Closed"]

    decision = played.does(SOS, at(CLOSED_AT + minute, second))

    assert kinds(decision) == expected
    assert "Call rescue now: 07700 900999" in getattr(decision, "words", "Call rescue now: 07700 900999")
    assert played.dive.phase is (Phase.ALERT if expected == ["AlarmRaised"] else Phase.CLOSED)


def reopened() -> Story:
    """A dive that went through a whole alarm, was closed, and is in alarm again."""
    story = overdue(DISTRESS + 1)
    story.does(do.Finish(diver(), 1), at(81))
    story.does(do.Acknowledge(contact()), at(82))
    story.does(do.ReportCalled(contact(), "4711"), at(83))
    story.does(do.Finish(diver(), 2), at(84))
    story.does(do.RaiseNow(diver("SOS"), "Bram is not in the car"), at(90))
    return story


def test_a_reopened_dive_is_a_new_alarm() -> None:
    """What was answered in the first alarm does not hold for the second."""
    dive = reopened().dive

    assert (dive.phase, dive.alarm_at) == (Phase.ALERT, at(90))
    assert (dive.acknowledged, dive.called_at, dive.called_by, dive.called_reference) == ((), None, None, None)
    assert (dive.closed_at, dive.closed_by, dive.outcome, dive.closed_count, dive.partly_out) == (None,) * 5
    assert {told.key for told in dive.alerted} == set(CONTACT_KEYS)


def test_a_reopened_dive_climbs_the_ladder_from_the_new_alarm() -> None:
    """Its due out is long past, so distress and hand-up count from the new alarm only; no reminder comes again."""
    story = reopened()
    before = len(story.events)
    story.runs_to(at(140))
    due = [(event.step, event.due_at) for event in story.events[before:] if hasattr(event, "step")]

    assert due[:3] == [(Step.DISTRESS, at(105)), (Step.DISTRESS_AGAIN, at(115)), (Step.DISTRESS_AGAIN, at(125))]
    assert (Step.HAND_UP, at(135)) in due
    assert sum("ALARM AGAIN: Anna Holt 11:30" in text for text in story.texts_to("contact-1")) == 1


def test_a_second_ending_is_told_to_all_again() -> None:
    """Whoever heard the second alarm hears that it is over too, in a message of its own."""
    story = reopened()

    drafts = story.said(do.ReportSafe(contact(), 2), at(100))

    assert keys(drafts) == sorted([*CONTACT_KEYS, *PARTY_KEYS])
    steps = [(draft.step, draft.to.key) for _, draft in story.told]
    assert len(steps) == len(set(steps))


@pytest.mark.parametrize("command", [do.Start(diver("IN")), do.CallOff(diver("NOGO"))], ids=["in", "nogo"])
def test_a_plan_in_alarm_can_be_neither_started_nor_called_off(command: do.Command) -> None:
    """An alarm without a start ends with out or safe."""
    story = filed()
    story.does(SOS, at(1))

    assert kinds(story.does(command, at(2))) == ["refused: alarm_is_up"]


def test_an_alarm_without_a_start_does_not_invent_times() -> None:
    """Nobody knows that they are in the water, and the contacts read just that."""
    (draft, *_) = filed().said(SOS, at(1))

    assert "Not known to be in the water." in draft.text
    assert "?" not in draft.text


def test_words_that_are_none_of_the_forms_are_passed_on_in_an_alarm() -> None:
    """What the party says is news for the contacts; what a contact says is answered."""
    story = overdue(RAISE_BY)

    from_party = story.said(do.Hear(diver("hello"), "hello there", "finish"), at(66))
    from_ashore = story.said(do.Hear(contact(words="who"), "who is this"), at(67))

    assert keys(from_party) == [*CONTACT_KEYS, "diver-0"]
    assert 'Anna Holt says "hello there". The alarm stands. Ref 7K.' in from_party[0].text
    assert keys(from_ashore) == ["contact-0"]
    assert story.dive.last_heard is not None
    assert story.dive.last_heard.words == "hello there"


STRANGERS_SOS = do.RaiseNow(replace(STRANGER, words="SOS 731905"))


def test_a_borrowed_phone_that_raised_the_alarm_hears_that_it_is_over() -> None:
    """It was told that contacts are being told, so it is told of the end as they are."""
    story = in_water()
    story.said(STRANGERS_SOS, at(10))

    drafts = story.said(do.Finish(diver("OUT"), 2), at(20))

    [told] = [draft for draft in drafts if draft.to.phone == STRANGER.phone]
    assert told.kind is MessageKind.STAND_DOWN
    assert "2 divers OUT. It is over." in told.text


def test_a_borrowed_phone_that_started_the_dive_and_raised_the_alarm_hears_the_end_once() -> None:
    """One phone, one message."""
    story = filed()
    story.said(do.Start(replace(STRANGER, words="IN 100001"), 2), at(0))
    story.said(STRANGERS_SOS, at(10))

    drafts = story.said(do.Finish(diver("OUT"), 2), at(20))

    assert [draft.to.phone for draft in drafts].count(STRANGER.phone) == 1


def test_a_borrowed_phone_that_ends_what_it_raised_hears_it_as_its_answer() -> None:
    """The answer says that it is closed; nothing more goes there."""
    story = in_water()
    story.said(STRANGERS_SOS, at(10))

    drafts = story.said(do.Finish(STRANGER, 2, with_code=True), at(20))

    assert [draft.kind for draft in drafts if draft.to.phone == STRANGER.phone] == [MessageKind.REPLY]


SEEN = "one diver floating face down off the slip"


def raised_twice() -> Story:
    """The clock alerts, a contact says what they see, and another says a bare SOS."""
    story = overdue(RAISE_BY)
    story.does(do.RaiseNow(contact(0, f"SOS {SEEN}"), SEEN), at(90))
    story.does(do.RaiseNow(contact(1, "SOS 7K")), at(95))
    return story


def raised_in(story: Story, minutes: float) -> str:
    """What rescue is told of it."""
    (said,) = [words for words in pack(story.dive, at(minutes)).done if words.startswith("Alarm raised")]
    return said


def test_a_second_alarm_takes_nobodys_words_and_nobodys_place() -> None:
    """Who raised it when is what they did; a sighting is not lost to a bare SOS."""
    story = raised_twice()

    said = raised_in(story, 96)
    assert said == f"Alarm raised 11:05 by the clock. Cleo Marsh 11:30: \u201c{SEEN}\u201d. Dov Lind 11:35 too."
    dive = story.dive
    assert dive.raised_by is not None
    assert (dive.alarm_at, dive.raised_by.name, dive.raised_note) == (at(RAISE_BY), "Cleo Marsh", SEEN)
    assert [(moment.at, moment.words) for moment in moments(dive, at(96))][-3:] == [
        (at(RAISE_BY), "Alarm raised by the clock"),
        (at(90), "Raised again by Cleo Marsh"),
        (at(95), "Raised again by Dov Lind"),
    ]


def test_new_words_follow_the_first_and_the_first_stays_who_raised_it() -> None:
    """The newest words are those that are quoted alone."""
    story = in_water()
    story.does(do.RaiseNow(contact(1, "SOS 7K")), at(20))
    story.does(do.RaiseNow(contact(0, f"SOS {SEEN}"), SEEN), at(30))

    assert raised_in(story, 31) == f"Alarm raised 10:20 by Dov Lind. Cleo Marsh 10:30: \u201c{SEEN}\u201d."
    assert story.dive.raised_note == SEEN
    assert [moment.words for moment in moments(story.dive, at(31)) if "aised" in moment.words] == [
        "Alarm raised by Dov Lind",
        "Raised again by Cleo Marsh",
    ]


def test_whoever_repeats_an_alarm_adds_a_line_only_with_new_words_and_few_are_kept() -> None:
    """A dive does not grow with each press; the first stays."""
    story = in_water()
    for minute in range(20, 40):
        story.does(do.RaiseNow(diver("SOS"), f"word {minute}" if minute % 2 else None), at(minute))

    assert [one.note for one in story.dive.raisings] == [None, *(f"word {minute}" for minute in (31, 33, 35, 37, 39))]


def test_a_borrowed_phone_that_raised_an_alarm_on_top_hears_the_end() -> None:
    """Its owner was told that the alarm is up."""
    story = raised_twice()
    story.does(do.RaiseNow(STRANGER), at(97))

    story.does(do.ReportSafe(contact(0, "SAFE 2 7K"), 2), at(99))

    assert len(story.texts_to(f"phone:{STRANGER.phone}")) == 2


def test_a_new_alarm_begins_with_nobody_who_raised_the_last() -> None:
    """What was said of the first one is in the log."""
    story = raised_twice()
    story.does(do.ReportSafe(contact(0, "SAFE 2 7K"), 2), at(99))

    story.does(do.RaiseNow(contact(2, "SOS 7K")), at(110))

    assert raised_in(story, 111) == "Alarm raised 11:50 by Edda Rowe."


def test_a_log_of_before_it_said_again_folds_as_it_did() -> None:
    """Rows of before are the fold of their events still."""
    story = overdue(RAISE_BY)
    story.happens([AlarmRaised(at(90), contact(0), SEEN), AlarmRaised(at(95), contact(1))])

    dive = story.dive
    assert dive.raised_by is not None
    assert (dive.raised_by.name, dive.raised_note, dive.raisings) == ("Dov Lind", None, ())
