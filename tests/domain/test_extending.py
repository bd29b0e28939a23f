"""Being late on purpose: it counts once a contact holds the new raise-by time, up to a cap, and until the alert."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.domain.dive import Phase, next_due_at
from service.domain.dive import commands as do
from service.domain.grace import GracePeriods, Step
from service.domain.people import Actor
from service.domain.wording import MessageKind
from tests.domain.builders import (
    ADMIN,
    CONTACT_KEYS,
    DISTRESS,
    DUE_OUT,
    PARTY_KEYS,
    PLAN,
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

LATE = diver("LATE 20")


def extended(minutes: int = 20, by_minute: float = 30) -> Story:
    """A dive whose due out has been moved."""
    story = overdue(by_minute - 1)
    story.does(do.Extend(LATE, minutes), at(by_minute))
    number = story.dive.extensions_asked
    story.does(do.NoteHanded(f"extension-{number}", "contact-1"), at(by_minute, 3))
    return story


@pytest.mark.parametrize("second", [0, 1])
def test_a_late_text_after_the_raise_by_time_does_not_wait_for_a_sweep_to_find_the_alarm(second: int) -> None:
    """No sweep has been for a while: the alarm goes out first, and the late text is passed on to the contacts."""
    story = overdue(DUE_OUT + 6)

    drafts = story.said(do.Extend(LATE, 20), at(RAISE_BY, second))

    assert story.dive.phase is Phase.ALERT
    assert story.dive.extension is None
    assert CONTACT_KEYS[0] in keys([draft for draft in drafts if "OVERDUE" in draft.text])
    passed_on = [draft for draft in drafts if draft.step.startswith("late")]
    assert CONTACT_KEYS[0] in keys(passed_on)
    assert all("says" in draft.text for draft in passed_on if draft.to.key in CONTACT_KEYS)


def test_an_extension_handed_after_the_old_raise_by_time_comes_too_late() -> None:
    """Until a contact holds the new time the old one stands, also while no sweep has acted on it."""
    story = overdue(DUE_OUT + 6)
    story.does(do.Extend(LATE, 20), at(RAISE_BY, -5))

    story.does(do.NoteHanded("extension-1", CONTACT_KEYS[0]), at(RAISE_BY))

    assert story.dive.due_out_at == at(DUE_OUT)
    story.ticks(at(RAISE_BY))
    assert story.dive.phase is Phase.ALERT


def test_every_contact_is_told_the_new_raise_by_time() -> None:
    """The notice says old and new due out, when to act, what to do and whom to call."""
    story = in_water()

    drafts = story.said(do.Extend(LATE, 20), at(30))

    assert keys(drafts) == list(CONTACT_KEYS)
    assert {(draft.step, draft.kind, draft.expires_at) for draft in drafts} == {
        ("extension-1", MessageKind.START_NOTICE, at(RAISE_BY + 20))
    }
    assert {draft.text for draft in drafts} == {f"Skerry Bay Divers: {NEW_TIME}"}


NEW_TIME = (
    "Anna Holt + 1 (2 divers) now due out 11:10, not 10:50. Not heard by 11:25 that all are out?"
    " Call them (+44 7700 900001), then rescue: 07700 900999 (practice desk). Ref 7K."
)


def test_until_a_contact_holds_the_new_time_the_old_one_stands() -> None:
    """Asking moves nothing; the hand-over of one contact's notice does, and the whole party hears it."""
    story = in_water()
    story.does(do.Extend(LATE, 20), at(30))
    assert story.dive.due_out_at == at(DUE_OUT)

    drafts = story.said(do.NoteHanded("extension-1", "contact-2"), at(30, 4))

    assert (story.dive.due_out_at, story.dive.raise_by_at) == (at(70), at(85))
    assert keys(drafts) == list(PARTY_KEYS)
    assert "due out is now 11:10, your contacts know. Alarm goes out 11:25." in drafts[0].text


@pytest.mark.parametrize(
    ("step", "person"),
    [("extension-1", "diver-0"), ("extension-2", "contact-0"), ("start_notice", "contact-0"), ("alert-9", "contact-0")],
)
def test_only_a_contacts_notice_of_this_extension_puts_it_in_force(step: str, person: str) -> None:
    """Nothing else that is handed moves due out."""
    story = in_water()
    story.does(do.Extend(LATE, 20), at(30))

    assert kinds(story.does(do.NoteHanded(step, person), at(30, 4))) == []
    assert story.dive.due_out_at == at(DUE_OUT)


def test_an_extension_counts_once() -> None:
    """The other contacts' notices change nothing more."""
    story = extended()

    assert kinds(story.does(do.NoteHanded("extension-1", "contact-0"), at(31))) == []


def test_a_second_request_takes_the_place_of_one_that_waits() -> None:
    """Only the latest wish is waited for, and it counts from the due out in force."""
    story = in_water()
    story.does(do.Extend(LATE, 20), at(30))
    story.does(do.Extend(LATE, 30), at(30, 10))

    assert kinds(story.does(do.NoteHanded("extension-1", "contact-0"), at(30, 11))) == []
    story.does(do.NoteHanded("extension-2", "contact-0"), at(30, 12))
    assert story.dive.due_out_at == at(DUE_OUT + 30)


@pytest.mark.parametrize(("second", "said"), [(29, False), (30, True), (31, True)], ids=["before", "at", "after"])
def test_the_party_hears_that_an_extension_is_not_in_force(second: int, said: bool) -> None:  # noqa: FBT001 - a table
    """With no contact told in 30 s the old due out is named, once."""
    story = in_water()
    story.does(do.Extend(LATE, 20), at(30))

    drafts = story.ticks(at(30, second))

    assert keys(drafts) == (list(PARTY_KEYS) if said else [])
    assert all("LATE is not in force: no contact could be told yet. Due out stays 10:50." in d.text for d in drafts)
    assert kinds(story.does(do.Tick(), at(30, 32))) == ([] if said else ["ExtensionNotInForce"])


def test_an_extension_can_come_into_force_after_it_was_said_not_to() -> None:
    """A notice that gets through late still counts."""
    story = in_water()
    story.does(do.Extend(LATE, 20), at(30))
    story.ticks(at(30, 30))

    assert kinds(story.does(do.NoteHanded("extension-1", "contact-0"), at(33))) == ["ExtensionTookEffect"]


def test_an_extension_that_no_contact_can_be_told_of_is_answered_at_once() -> None:
    """Nobody waits for the half minute when there is nobody to wait for."""
    story = in_water()
    for key in CONTACT_KEYS:
        story.does(do.NoteUnreachable(key, "refused"), at(10))
    story.does(do.Extend(LATE, 20), at(30))

    assert kinds(story.does(do.Tick(), at(30))) == ["ExtensionNotInForce"]


def test_the_alert_overtakes_an_extension_and_the_party_hears_that() -> None:
    """A request seconds before the raise-by time does not hold the alarm, and is not left without an answer."""
    story = overdue(RAISE_BY - 1)
    story.does(do.Extend(LATE, 20), at(RAISE_BY, -5))

    assert kinds(story.does(do.Tick(), at(RAISE_BY))) == ["ExtensionNotInForce", "StepTaken"]
    assert story.dive.phase is Phase.ALERT
    assert kinds(story.does(do.NoteHanded("extension-1", "contact-0"), at(RAISE_BY, 1))) == []
    assert story.dive.due_out_at == at(DUE_OUT)


def test_the_reminders_come_again_for_the_new_due_out() -> None:
    """Heads-up, due out and second call are counted from the new time, and so is everything after."""
    story = extended(by_minute=45)
    story.runs_to(at(DISTRESS + 20))
    due = [(event.step, event.due_at) for event in story.events if hasattr(event, "step") and hasattr(event, "due_at")]

    assert due == [
        (Step.HEADS_UP, at(40)),
        (Step.HEADS_UP, at(60)),
        (Step.DUE_OUT, at(70)),
        (Step.SECOND_CALL, at(75)),
        (Step.ALERT, at(85)),
        (Step.NEXT_CONTACT, at(90)),
        (Step.NEXT_CONTACT, at(95)),
        (Step.DISTRESS, at(100)),
    ]


@pytest.mark.parametrize(("minute", "repeated"), [(44, True), (45, False), (46, False)], ids=["before", "at", "after"])
def test_a_heads_up_that_would_only_repeat_the_answer_is_left_out(minute: int, repeated: bool) -> None:  # noqa: FBT001 - a table
    """Five more minutes, taken when the new heads-up is due already: the answer has said it all."""
    story = overdue(39)
    story.does(do.Extend(LATE, 5), at(minute, -3))
    story.does(do.NoteHanded("extension-1", "contact-0"), at(minute))

    assert next_due_at(story.dive) == (at(45) if repeated else at(55))


def test_a_party_that_was_overdue_may_have_more_time() -> None:
    """In the phase of uncertainty a late text still counts; the phase does not fall back."""
    story = extended(by_minute=DUE_OUT + 6)

    assert story.dive.phase is Phase.UNCERTAINTY
    assert next_due_at(story.dive) == at(60)


@pytest.mark.parametrize(("minutes", "taken"), [(59, True), (60, True), (61, False), (10**12, False), (720, False)])
def test_an_extension_ends_at_the_cap(minutes: int, taken: bool) -> None:  # noqa: FBT001 - a table
    """Sixty minutes in all, and who asks for more hears what would still do."""
    decision = in_water().does(do.Extend(LATE, minutes), at(30))

    assert kinds(decision) == (["ExtensionAsked"] if taken else ["refused: past_the_cap"])
    assert taken or getattr(decision, "words", "") == (
        "Too late for this dive. The latest is 11:50: text LATE 60. Due out stays 10:50."
    )


def test_the_cap_is_on_all_extensions_together() -> None:
    """Forty minutes after twenty are the most, and then nothing is left."""
    story = extended(20)
    assert kinds(story.does(do.Extend(LATE, 41), at(32))) == ["refused: past_the_cap"]
    story.does(do.Extend(LATE, 40), at(33))
    story.does(do.NoteHanded("extension-2", "contact-0"), at(33, 1))

    decision = story.does(do.Extend(LATE, 1), at(34))

    assert getattr(decision, "words", "") == "Too late for this dive. 11:50 is the latest. Due out stays 11:50."


def test_nothing_is_offered_that_would_be_refused_too() -> None:
    """Past the latest time the refusal does not name minutes that are gone."""
    story = extended(55)
    story.runs_to(at(DUE_OUT + 61))

    decision = story.does(do.Extend(LATE, 30), at(DUE_OUT + 61))

    assert getattr(decision, "words", "") == "Too late for this dive. 11:50 is the latest. Due out stays 11:45."


@pytest.mark.parametrize("minutes", [0, -1, -(10**12), None], ids=str)
def test_what_is_not_later_is_refused(minutes: int | None) -> None:
    """Due out can only move away."""
    assert kinds(in_water().does(do.Extend(LATE, minutes), at(30))) == ["refused: not_later"]


@pytest.mark.parametrize(("second", "taken"), [(-1, True), (0, False), (1, False)], ids=["before", "at", "after"])
def test_a_new_time_that_has_passed_is_refused_with_one_that_has_not(second: int, taken: bool) -> None:  # noqa: FBT001 - a table
    """Five minutes more, asked for five minutes after due out, are no time any more."""
    decision = overdue(DUE_OUT + 4).does(do.Extend(LATE, 5), at(DUE_OUT + 5, second))

    assert kinds(decision) == (["ExtensionAsked"] if taken else ["refused: not_later"])
    assert taken or "Due out stays 10:50. More time? Text LATE 15." in getattr(decision, "words", "")


UNTIL = [
    ("11:20", ["ExtensionAsked"]),
    ("11:50", ["ExtensionAsked"]),
    ("11:51", ["refused: past_the_cap"]),
    ("10:50", ["refused: not_later"]),
    ("10:20", ["refused: not_later"]),
    ("09:59", ["refused: past_the_cap"]),  # tomorrow's
    ("25:00", ["refused: no_such_time"]),
    ("soon", ["refused: no_such_time"]),
]


@pytest.mark.parametrize(("until", "expected"), UNTIL, ids=[until for until, _ in UNTIL])
def test_late_until_means_the_first_such_time_after_the_start(until: str, expected: list[str]) -> None:
    """A time of day is the site's, and is held to the same limits."""
    assert kinds(in_water().does(do.Extend(LATE, until=until), at(30))) == expected


def test_late_until_a_time_that_the_clocks_leave_out_is_refused_with_words() -> None:
    """On the night when the clocks go forward a time in the gap is no time."""
    eve = datetime(2027, 3, 28, 0, 10, tzinfo=UTC)
    story = filed()
    story.does(do.Start(diver("IN")), eve)

    decision = story.does(do.Extend(LATE, until="01:30"), eve + timedelta(minutes=20))

    assert kinds(decision) == ["refused: no_such_time"]
    assert "the clocks go forward" in getattr(decision, "words", "")


BACK = datetime(2027, 10, 31, tzinfo=UTC)  # an hour before the clocks go back from 02:00 to 01:00 at the site


@pytest.mark.parametrize(
    ("started_min", "said_min", "until", "new_min"),
    [
        # Due out at 01:20 of the second hour: the first 01:40 has passed.
        pytest.param(30, 70, "01:40", 100, id="said in the second hour"),
        pytest.param(30, 35, "01:40", 100, id="said in the first hour, when that 01:40 is before due out"),
        # Due out at 01:20 of the first hour: the second 01:40 is past the cap.
        pytest.param(-30, -10, "01:40", 40, id="only the first is within the cap"),
        pytest.param(-30, 15, "01:10", 70, id="the second alone is later than due out"),
    ],
)
def test_late_until_a_time_that_comes_twice_means_the_one_that_can_be(
    started_min: int, said_min: int, until: str, new_min: int
) -> None:
    """Minutes were asked for where one reading alone was later than due out and within the cap."""
    story = filed()
    story.does(do.Start(diver("IN")), BACK + timedelta(minutes=started_min))

    [asked] = story.does(do.Extend(LATE, until=until), BACK + timedelta(minutes=said_min))

    assert getattr(asked, "due_out_at", None) == BACK + timedelta(minutes=new_min)


def test_where_both_can_be_meant_minutes_say_which() -> None:
    """A club that allows two hours more: nothing is guessed, and due out stays."""
    story = filed(grace=GracePeriods(extension_cap=timedelta(hours=2)))
    story.does(do.Start(diver("IN")), BACK - timedelta(minutes=30, seconds=20))

    decision = story.does(do.Extend(LATE, until="01:40"), BACK - timedelta(minutes=10))

    assert getattr(decision, "words", "") == (
        "That time comes twice. Text LATE 21 for 01:40 BST, LATE 81 for 01:40 GMT. Due out stays 01:19 BST."
    )


@pytest.mark.parametrize(
    ("who", "expected"),
    [
        pytest.param(diver("LATE 20", 1), "ExtensionAsked", id="another diver"),
        pytest.param(ADMIN, "ExtensionAsked", id="an admin"),
        pytest.param(SCRIPT, "ExtensionAsked", id="a script with a token"),
        pytest.param(contact(words="LATE 20"), "refused: only_the_party", id="a contact"),
        pytest.param(STRANGER, "refused: only_the_party", id="a strange phone"),
    ],
)
@pytest.mark.parametrize("minute", [30, RAISE_BY], ids=["in the water", "in the alert"])
def test_only_the_party_moves_due_out(who: Actor, expected: str, minute: int) -> None:
    """Somebody ashore cannot give the divers more time, neither before nor after the alert."""
    passed_on = "LatePassedOn" if expected == "ExtensionAsked" and minute == RAISE_BY else expected

    assert kinds(overdue(minute).does(do.Extend(who, 20), at(minute, 1))) == [passed_on]


@pytest.mark.parametrize("minute", [RAISE_BY, DISTRESS], ids=["alert", "distress"])
def test_once_the_alert_is_out_a_late_text_is_passed_on_and_quiets_nothing(minute: int) -> None:
    """The contacts get it word for word and decide; the ladder goes on as if it had not come."""
    story = overdue(minute)
    next_before = next_due_at(story.dive)

    drafts = story.said(do.Extend(diver("LATE 20"), 20), at(minute, 30))

    assert keys(drafts) == [*CONTACT_KEYS, "diver-0"]
    assert all(
        'Anna Holt says "LATE 20". The alarm stands; you decide what it means.' in draft.text
        for draft in drafts
        if draft.to.key != "diver-0"
    )
    assert next_due_at(story.dive) == next_before


def test_a_dive_that_has_not_begun_cannot_be_late() -> None:
    """The answer says that no clock runs, and how to start it."""
    decision = filed(PLAN).does(do.Extend(LATE, 20), at(1))

    assert kinds(decision) == ["refused: not_started"]
    assert "not running yet" in getattr(decision, "words", "")


def test_a_club_may_forbid_extensions() -> None:
    """With a cap of nothing every late text is refused."""
    story = in_water(grace=GracePeriods(extension_cap=timedelta(0)))

    assert kinds(story.does(do.Extend(LATE, 1), at(30))) == ["refused: past_the_cap"]
