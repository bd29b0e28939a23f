"""How a dive ends: by an explicit, wholly understood word of somebody who may say it, and by nothing else."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import Outcome, Phase, Refusal, next_due_at
from service.domain.dive import commands as do
from service.domain.dive.events import Closed, PartlyOut
from service.domain.grace import FinishNeeds, GracePeriods
from service.domain.people import Actor, Via
from tests.domain.builders import (
    ADMIN,
    CONTACT_KEYS,
    DISTRESS,
    DUE_OUT,
    HAND_UP,
    PLANNED,
    RAISE_BY,
    SCRIPT,
    STRANGER,
    STRANGER_PHONE,
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

PHONE, CODE, HEADCOUNT = (GracePeriods(finish_needs=needs) for needs in FinishNeeds)
CLOSES, PARTLY = ["Closed"], ["PartlyOut"]
NEEDS_CODE, NEEDS_COUNT = ["refused: finish_needs_code"], ["refused: finish_needs_count"]
SAYS_SAFE = ["refused: contact_says_out"]

LEAD, BUDDY, ON_PAGE = diver(), diver(index=1), diver(via=Via.PAGE)
FINISHES = [
    # who, code, count, where the phone is enough, where a code is asked for, where a count is
    ("lead", LEAD, False, None, CLOSES, NEEDS_CODE, NEEDS_COUNT),
    ("lead, all counted", LEAD, False, 2, CLOSES, NEEDS_CODE, CLOSES),
    ("lead with the code", LEAD, True, None, CLOSES, CLOSES, NEEDS_COUNT),
    ("lead with both", LEAD, True, 2, CLOSES, CLOSES, CLOSES),
    ("lead, one missing", LEAD, False, 1, PARTLY, NEEDS_CODE, PARTLY),
    ("lead with the code, one missing", LEAD, True, 1, PARTLY, PARTLY, PARTLY),
    ("another diver", BUDDY, False, None, CLOSES, NEEDS_CODE, NEEDS_COUNT),
    ("another diver, all counted", BUDDY, False, 2, CLOSES, NEEDS_CODE, CLOSES),
    ("a diver on their page", ON_PAGE, False, None, CLOSES, CLOSES, NEEDS_COUNT),
    ("a contact", contact(), False, None, SAYS_SAFE, SAYS_SAFE, SAYS_SAFE),
    ("a contact with the code", contact(), True, None, CLOSES, CLOSES, NEEDS_COUNT),
    ("a strange phone", STRANGER, False, 2, NEEDS_CODE, NEEDS_CODE, NEEDS_CODE),
    ("a strange phone with the code", STRANGER, True, None, CLOSES, CLOSES, NEEDS_COUNT),
    ("a strange phone with both", STRANGER, True, 2, CLOSES, CLOSES, CLOSES),
    ("a script with a token", SCRIPT, False, 2, CLOSES, CLOSES, CLOSES),
    ("an admin", ADMIN, False, None, CLOSES, CLOSES, NEEDS_COUNT),
]


@pytest.mark.parametrize("needs", [0, 1, 2], ids=["phone", "code", "headcount"])
@pytest.mark.parametrize(
    ("who", "with_code", "count", "expected"),
    [(who, code, count, expected) for _, who, code, count, *expected in FINISHES],
    ids=[name for name, *_ in FINISHES],
)
@pytest.mark.parametrize(
    "minute", [20, DUE_OUT + 1, RAISE_BY, DISTRESS], ids=["in water", "overdue", "alert", "distress"]
)
def test_who_may_say_out_and_with_what(
    minute: int,
    who: Actor,
    with_code: bool,  # noqa: FBT001 - a table
    count: int | None,
    expected: list[list[str]],
    needs: int,
) -> None:
    """The same in every phase of a running dive."""
    story = overdue(minute, grace=(PHONE, CODE, HEADCOUNT)[needs])

    assert kinds(story.does(do.Finish(who, count, with_code=with_code), at(minute, 30))) == expected[needs]
    assert (story.dive.phase is Phase.CLOSED) is (expected[needs] == CLOSES)


SAFE = [
    ("a contact", contact(), 2, CLOSES, Outcome.STOOD_DOWN),
    ("a contact, some missing", contact(), 1, PARTLY, None),
    ("a contact without a count", contact(), None, ["refused: safe_needs_count"], None),
    ("a contact, too many", contact(), 3, ["refused: more_than_the_party"], None),
    ("an admin", ADMIN, 2, CLOSES, Outcome.STOOD_DOWN),
    ("a diver", LEAD, 2, CLOSES, Outcome.SURFACED),
    ("a strange phone", STRANGER, 2, NEEDS_CODE, None),
    ("a script with a token", SCRIPT, 2, CLOSES, Outcome.STOOD_DOWN),
]


@pytest.mark.parametrize(
    ("who", "count", "expected", "outcome"), [row[1:] for row in SAFE], ids=[row[0] for row in SAFE]
)
def test_who_may_say_safe(who: Actor, count: int | None, expected: list[str], outcome: Outcome | None) -> None:
    """A contact closes with safe and a count; the dive is then stood down, or surfaced where a diver says it."""
    story = overdue(RAISE_BY)

    assert kinds(story.does(do.ReportSafe(who, count, "seen ashore"), at(RAISE_BY + 1))) == expected
    assert story.dive.outcome is outcome
    assert story.dive.closed_by == (who if outcome else None)


def why(story: Story, command: do.Finish | do.ReportSafe, minute: float) -> str:
    """What the sender is told of a refusal."""
    refused = story.does(command, at(minute))
    assert isinstance(refused, Refusal)
    return refused.words


OTHER_PARTY = ["refused: of_another_party"]


@pytest.mark.parametrize("minute", [20, DUE_OUT + 1, RAISE_BY, DISTRESS])
@pytest.mark.parametrize(
    ("command", "expected"),
    [
        (do.Finish(LEAD, 2, of=3), OTHER_PARTY),
        (do.Finish(STRANGER, 2, with_code=True, of=3), OTHER_PARTY),
        (do.Finish(LEAD, 1, of=1), OTHER_PARTY),
        (do.Finish(LEAD, 3, of=3), OTHER_PARTY),
        (do.ReportSafe(contact(), 2, of=3), OTHER_PARTY),
        (do.ReportSafe(LEAD, 2, of=3), OTHER_PARTY),
        (do.Finish(LEAD, 1, of=2), PARTLY),
        (do.ReportSafe(contact(), 1, of=2), PARTLY),
        (do.Finish(LEAD, 2, of=2), CLOSES),
        (do.ReportSafe(contact(), 2, of=2), CLOSES),
    ],
)
def test_out_of_another_party_than_we_know_of_closes_nothing(
    command: do.Finish | do.ReportSafe, expected: list[str], minute: int
) -> None:
    """Whoever says "2 of 3" says that one is missing, whatever the plan had."""
    story = overdue(minute)
    due_at, before = next_due_at(story.dive), story.dive

    assert kinds(story.does(command, at(minute, 30))) == expected
    if expected == OTHER_PARTY:
        assert story.dive == before
        assert next_due_at(story.dive) == due_at


def test_out_of_another_party_is_answered_with_what_we_have() -> None:
    """The sender hears how many we count, how to make them more, how to raise the alarm and how to end it."""
    story = in_water()

    assert why(story, do.Finish(LEAD, 2, of=3), 20) == (
        "2 of 3, but 2 went in. The clock goes on. 3 in? Text IN P3. Missing? SOS. All out? Text OUT 2"
    )
    assert why(story, do.Finish(LEAD, 1, of=1), 20) == ("1 of 1, but 2 went in. The clock goes on. All out? Text OUT 2")
    assert why(story, do.ReportSafe(contact(), 2, of=3), 20) == (
        "2 of 3, but 2 went in. The clock goes on. Missing? SOS 7K. All safe? Text SAFE 2 7K"
    )
    assert why(story, do.Finish(LEAD, 2, of=99), 20) == (
        "2 of 99, but 2 went in. The clock goes on. All out? Text OUT 2"
    )


def test_before_the_start_it_is_the_plan_that_counts_otherwise() -> None:
    """Nobody is said to have gone in."""
    assert why(filed(), do.Finish(LEAD, 2, of=3), 1) == (
        "2 of 3, but 2 are in the plan. The clock is not running. All out? Text OUT 2"
    )


def test_safe_from_a_diver_is_no_way_round_the_code() -> None:
    """Where a finish needs its code, SAFE by text needs it too; on the diver's own page it does not."""
    story = overdue(RAISE_BY, grace=CODE)

    assert kinds(story.does(do.ReportSafe(LEAD, 2), at(RAISE_BY + 1))) == NEEDS_CODE
    assert kinds(story.does(do.ReportSafe(ON_PAGE, 2), at(RAISE_BY + 1))) == CLOSES


def test_the_reason_of_an_admin_is_in_the_log() -> None:
    """A stand-down from the board says why."""
    story = overdue(RAISE_BY)
    story.does(do.ReportSafe(ADMIN, 2, "seen ashore"), at(RAISE_BY + 1))

    closed = story.events[-1]
    assert isinstance(closed, Closed)
    assert (closed.reason, closed.count, closed.by) == ("seen ashore", 2, ADMIN)


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_the_party_is_no_finish(count: int) -> None:
    """It is recorded, the clock goes on, and the reply names how many are missing."""
    story = overdue(DUE_OUT)
    due_at = next_due_at(story.dive)

    (reply,) = story.said(do.Finish(LEAD, count), at(DUE_OUT + 1))

    assert isinstance(story.events[-1], PartlyOut)
    assert next_due_at(story.dive) == due_at
    missing = f"{count} of 2 out, {2 - count} missing"
    assert reply.text == (
        f"Skerry Bay Divers: {missing}. The clock goes on. All out? Text OUT 2. In trouble? Text SOS."
    )


def test_after_a_partial_finish_only_a_count_finishes() -> None:
    """A bare OUT may be the same diver again."""
    story = overdue(DUE_OUT)
    story.does(do.Finish(LEAD, 1), at(DUE_OUT + 1))

    assert kinds(story.does(do.Finish(LEAD), at(DUE_OUT + 2))) == NEEDS_COUNT
    assert kinds(story.does(do.Finish(BUDDY, 1), at(DUE_OUT + 3))) == PARTLY
    assert kinds(story.does(do.Finish(BUDDY, 2), at(DUE_OUT + 4))) == CLOSES
    assert "All out? Text OUT 2" in story.texts_to("diver-1")[-2]


def test_contacts_in_an_alarm_hear_how_many_are_out() -> None:
    """The news goes to all but who told it, and later alarms repeat it."""
    story = overdue(RAISE_BY)

    drafts = story.said(do.ReportSafe(contact(), 1), at(RAISE_BY + 1))
    later = story.ticks(at(DISTRESS))

    assert keys(drafts) == ["contact-0", "contact-1", "contact-2"]
    assert "1 of 2 out, 1 missing, says Cleo Marsh 11:06. The alarm stands." in drafts[0].text
    assert "All out? Text SAFE 2 7K." in drafts[-1].text
    assert all("(2 divers). 1 of 2 said to be out. At Lantern Cove," in draft.text for draft in later)


@pytest.mark.parametrize("count", [3, 12, 10**9, -1])
def test_a_count_that_cannot_be_stops_nothing(count: int) -> None:
    """More than went in, or fewer than none, is not understood."""
    story = overdue(DUE_OUT)

    assert kinds(story.does(do.Finish(LEAD, count), at(DUE_OUT + 1))) == ["refused: more_than_the_party"]
    assert story.dive.phase is Phase.UNCERTAINTY


def test_a_finish_of_a_plan_that_was_never_started_closes_it_and_says_so() -> None:
    """The diver learns that no alarm would have come."""
    story = filed()

    (reply,) = story.said(do.Finish(LEAD), at(30))

    assert (story.dive.outcome, story.dive.started_at) == (Outcome.SURFACED, None)
    assert reply.text == (
        "Skerry Bay Divers: dive 7K of Anna Holt closed. The clock was never started, so no alarm would have come."
        " Nobody else was told."
    )


def test_too_few_out_of_a_plan_that_was_never_started_does_not_claim_a_clock() -> None:
    """One of two out and no clock: the answer says that none runs, and how to raise the alarm."""
    story = filed()

    (reply,) = story.said(do.Finish(LEAD, 1), at(30))

    assert "1 of 2 out, 1 missing. No clock runs." in reply.text
    assert "In trouble? Text SOS." in reply.text


def test_a_finish_after_an_alarm_without_a_start_is_no_finish_that_never_started() -> None:
    """An alarm did come, so the answer does not say that none would have."""
    story = filed()
    story.does(do.RaiseNow(LEAD), at(1))

    assert "closed 10:02, 2 divers out." in story.said(do.Finish(LEAD), at(2))[-1].text


def closed_in(minute: int, command: do.Command) -> Story:
    """A dive closed at that minute."""
    story = overdue(minute)
    story.does(command, at(minute, 30))
    return story


@pytest.mark.parametrize(
    "command",
    [do.Finish(BUDDY), do.CallOff(LEAD), do.ReportSafe(contact(), 2), do.Extend(LEAD, 20)],
    ids=lambda c: type(c).__name__,
)
def test_what_is_closed_stays_closed(command: do.Command) -> None:
    """A second word finds it over, and hears when and by whom it was closed."""
    story = closed_in(20, do.Finish(LEAD))

    decision = story.does(command, at(40))

    assert kinds(decision) == ["refused: closed"]
    assert getattr(decision, "words", "") == "Dive 7K is over: closed 10:20 by Anna Holt. In trouble? Text SOS."
    assert next_due_at(story.dive) is None


CALL_OFFS = [
    ("filed, lead", filed, LEAD, CLOSES),
    ("filed, another diver", filed, BUDDY, CLOSES),
    ("filed, an admin", filed, ADMIN, CLOSES),
    ("filed, a script", filed, SCRIPT, CLOSES),
    ("filed, a contact", filed, contact(), SAYS_SAFE),
    ("filed, a strange phone", filed, STRANGER, NEEDS_CODE),
    ("in the water", in_water, LEAD, ["refused: in_the_water"]),
    ("in the water, by a finish with its code", lambda: in_water(grace=CODE), LEAD, ["refused: in_the_water"]),
    ("overdue", lambda: overdue(DUE_OUT), LEAD, ["refused: in_the_water"]),
    ("alert", lambda: overdue(RAISE_BY), LEAD, ["refused: in_the_water"]),
    ("distress", lambda: overdue(DISTRESS), ADMIN, ["refused: in_the_water"]),
]


@pytest.mark.parametrize(
    ("story", "who", "expected"), [row[1:] for row in CALL_OFFS], ids=[row[0] for row in CALL_OFFS]
)
def test_nogo_is_for_who_has_not_gone_in(story: object, who: Actor, expected: list[str]) -> None:
    """Once they are in the water only a finish ends it, whoever asks."""
    played: Story = story()  # type: ignore[operator]

    assert kinds(played.does(do.CallOff(who), at(DISTRESS, 30))) == expected


@pytest.mark.parametrize(
    "minute", [20, DUE_OUT + 1, RAISE_BY, DISTRESS], ids=["in water", "overdue", "alert", "distress"]
)
@pytest.mark.parametrize(("grace", "expected"), [(PHONE, CLOSES), (HEADCOUNT, CLOSES), (CODE, NEEDS_CODE)])
def test_nogo_ends_a_start_that_was_only_assumed(minute: int, grace: GracePeriods, expected: list[str]) -> None:
    """Nobody went in, so it may be called off at any time; but not without proof where a finish needs it."""
    story = filed(PLANNED, grace)
    story.runs_to(at(minute))

    assert kinds(story.does(do.CallOff(diver("NOGO")), at(minute, 30))) == expected
    assert kinds(story.does(do.CallOff(diver("nogo", via=Via.PAGE)), at(minute, 40))) == (
        CLOSES if expected != CLOSES else ["refused: closed"]
    )
    assert story.dive.outcome is Outcome.CALLED_OFF


def test_nogo_does_not_take_back_an_alarm_without_a_start() -> None:
    """Whoever asked for rescue says that all are out, not that nobody is diving."""
    story = filed()
    story.does(do.RaiseNow(LEAD), at(1))

    assert kinds(story.does(do.CallOff(LEAD), at(2))) == ["refused: alarm_is_up"]


def stood_down(story: Story, command: do.Command, minute: float) -> list[str]:
    """Who hears the stand-down of a closing, and who a reply."""
    return keys(story.said(command, at(minute)))


TOLD = [
    ("armed only: contacts and lead", in_water, do.Finish(LEAD), 20, [*CONTACT_KEYS, "diver-0"]),
    ("closed by a buddy before any reminder", in_water, do.Finish(BUDDY), 20, [*CONTACT_KEYS, "diver-0", "diver-1"]),
    ("after a reminder", lambda: overdue(41), do.Finish(LEAD), 42, [*CONTACT_KEYS, "diver-0", "diver-1"]),
    (
        "closed by a contact",
        lambda: overdue(RAISE_BY),
        do.ReportSafe(contact(), 2),
        66,
        [*CONTACT_KEYS, "diver-0", "diver-1"],
    ),
    (
        "after the hand-up",
        lambda: overdue(HAND_UP),
        do.Finish(LEAD),
        111,
        ["admins", *CONTACT_KEYS, "diver-0", "diver-1"],
    ),
    (
        "closed by an admin",
        lambda: overdue(RAISE_BY),
        do.ReportSafe(ADMIN, 2),
        66,
        [*CONTACT_KEYS, "diver-0", "diver-1"],
    ),
    ("closed on a page", in_water, do.Finish(ON_PAGE), 20, [*CONTACT_KEYS, "diver-0"]),
    ("called off before anybody heard", filed, do.CallOff(LEAD), 5, ["diver-0"]),
    ("called off by a buddy", filed, do.CallOff(BUDDY), 5, ["diver-0", "diver-1"]),
]


@pytest.mark.parametrize(
    ("story", "command", "minute", "told"), [row[1:] for row in TOLD], ids=[row[0] for row in TOLD]
)
def test_whoever_was_told_anything_is_told_that_it_is_over(
    story: object, command: do.Command, minute: int, told: list[str]
) -> None:
    """Each person once: a stand-down, or the answer to the text that closed it."""
    played: Story = story()  # type: ignore[operator]

    assert stood_down(played, command, minute) == told


def test_a_buddy_whose_late_never_counted_hears_the_end_too() -> None:
    """They were answered with times, so they hold one."""
    story = in_water()
    story.does(do.Extend(BUDDY, 20), at(10))
    story.runs_to(at(12))

    assert story.dive.due_out_at == story.dive.first_due_out_at
    assert "diver-1" in stood_down(story, do.Finish(LEAD, 2), 13)


def test_a_party_that_was_reminded_before_an_extension_is_told_too() -> None:
    """A later due out starts the reminders anew; it does not make anybody forget the first."""
    story = overdue(41)
    story.does(do.Extend(LEAD, 30), at(42))
    story.does(do.NoteHanded("extension-1", "contact-0"), at(42, 1))

    assert stood_down(story, do.Finish(LEAD), 43) == [*CONTACT_KEYS, "diver-0", "diver-1"]


def test_the_borrowed_phone_that_started_the_dive_is_told_too() -> None:
    """It was told that the dive is armed, and when the alarm goes out."""
    story = filed()
    story.does(do.Start(replace(STRANGER, words="IN 482139")), at(1))

    assert f"phone:{STRANGER_PHONE}" in stood_down(story, do.Finish(LEAD), 20)
