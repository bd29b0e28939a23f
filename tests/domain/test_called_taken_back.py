"""That rescue was called is taken back: the alarm goes on from there, and whoever was told so hears that it was not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import Phase, Refusal, next_due_at
from service.domain.dive import commands as do
from service.domain.dive.calling_rescue import CLOCKS_APART, SAID_TWICE_WITHIN
from service.domain.dive.events import CalledTakenBack, RescueCalled
from service.domain.grace import Step
from service.domain.people import Actor, Channel
from service.domain.wording import MessageKind, untrue_steps
from service.domain.wording.timeline import what_happened
from tests.domain.builders import (
    ADMIN,
    CONTACT_KEYS,
    DISTRESS,
    HAND_UP,
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
    kinds,
    overdue,
)

CLEO, DOV, EDDA = (contact(place) for place in range(3))
BACK, CALLED = "CalledTakenBack", "RescueCalled"
NOT_CALLED = "Skerry Bay Divers: RESCUE NOT CALLED AFTER ALL, CALL NOW: Anna Holt + 1 (2 divers)."
CALL = "Call 07700 900999 (practice desk)"


def called(*people: Actor, minute: float = DISTRESS + 1, reference: str | None = None) -> Story:
    """A dive in distress for which these people say, a minute after each other, that rescue was called."""
    story = overdue(minute - 1)
    for place, by in enumerate(people or (CLEO,)):
        story.does(do.ReportCalled(by, reference), at(minute + place))
    return story


def refused(story: Story, command: do.TakeBackCalled, minute: float) -> str:
    """The words of the refusal."""
    decision = story.does(command, at(minute))
    assert isinstance(decision, Refusal)
    return decision.words


def test_the_repeats_go_on_ten_minutes_after_it_was_taken_back() -> None:
    """Until then nothing is due; all are told at once, so the next comes as after any telling of distress."""
    story = called()
    assert next_due_at(story.dive) is None

    assert kinds(story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 9))) == [BACK]

    assert (story.dive.called_at, story.dive.called_by, story.dive.called_reference) == (None, None, None)
    assert story.dive.phase is Phase.DISTRESS
    assert next_due_at(story.dive) == at(DISTRESS + 19)
    story.runs_to(at(DISTRESS + 29))
    assert story.steps()[-2:] == [Step.DISTRESS_AGAIN, Step.DISTRESS_AGAIN]


@pytest.mark.parametrize("minute", [5, RAISE_BY - 1, RAISE_BY + 1], ids=["in the water", "overdue", "alert"])
def test_called_before_distress_and_taken_back_everybody_is_alarmed(minute: float) -> None:
    """The ladder was passed over by the word that rescue was called; nobody waits for it to come to distress again."""
    story = overdue(minute)
    story.does(do.ReportCalled(CLEO), at(minute))

    story.does(do.TakeBackCalled(CLEO), at(minute + 1))

    assert story.dive.phase is Phase.DISTRESS
    assert story.dive.alerted_keys() == set(CONTACT_KEYS)
    assert next_due_at(story.dive) == at(minute + 11)


@pytest.mark.parametrize(
    ("minute", "due"),
    [(DISTRESS + 9, HAND_UP), (HAND_UP + 40, HAND_UP + 40)],
    ids=["it was not due", "it was due while rescue was called"],
)
def test_the_hand_up_comes_when_it_is_due_and_at_once_where_it_was(minute: float, due: float) -> None:
    """The admins hear why: whoever believed that rescue was called waited for nothing."""
    story = called()
    story.does(do.TakeBackCalled(CLEO), at(minute))

    story.runs_to(at(due))

    assert Step.HAND_UP in story.steps()
    assert story.texts_to("admins")[-1].startswith("Skerry Bay Divers: RESCUE NOT CALLED AFTER ALL. Dive 7K: Anna Holt")


def test_all_ashore_get_the_whole_alarm_and_whoever_says_it_an_answer() -> None:
    """It begins with what is not so, and names who has taken it back."""
    story = called(reference="4711")

    drafts = story.said(do.TakeBackCalled(CLEO), at(DISTRESS + 9))

    told = {draft.to.key: draft for draft in drafts}
    assert set(told) == {*CONTACT_KEYS, *PARTY_KEYS}
    for key in ("contact-1", "contact-2"):
        assert told[key].kind is MessageKind.DISTRESS
        assert told[key].text.startswith(NOT_CALLED)
        for words in ("Cleo Marsh has taken back that rescue was called.", CALL, "CALLED 7K (rescue called)"):
            assert words in told[key].text
        assert told[key].step.startswith("uncalled-")
    assert told["contact-0"].text == (
        "Skerry Bay Divers: noted, rescue NOT called. Call 07700 900999 (practice desk), then text CALLED 7K."
        " Everybody told is told now."
    )
    assert told["diver-0"].text == (
        "Skerry Bay Divers: Rescue was not called after all. In doubt call 07700 900999 (practice desk)."
        " All out? Text OUT."
    )


def test_after_the_hand_up_all_admins_are_told_and_before_it_those_who_act() -> None:
    """Who answered, or said that rescue was called themselves, was told so, or relied on it."""
    early, late = called(DOV, ADMIN), called(minute=HAND_UP + 1)

    early.does(do.TakeBackCalled(DOV), at(DISTRESS + 5))
    told = early.said(do.TakeBackCalled(EDDA), at(DISTRESS + 9))

    assert "admin-1" in {draft.to.key for draft in told if draft.kind is MessageKind.DISTRESS}
    assert "admins" not in {draft.to.key for draft in told}
    assert "admins" in {draft.to.key for draft in late.said(do.TakeBackCalled(CLEO), at(HAND_UP + 9))}
    ends = early.said(do.ReportSafe(CLEO, 2), at(DISTRESS + 20))
    assert "admin-1" in {draft.to.key for draft in ends}


@pytest.mark.parametrize(("first", "stands"), [(CLEO, DOV), (DOV, CLEO)], ids=["the first", "the last"])
def test_of_several_words_only_the_own_falls_and_rescue_is_called_still(first: Actor, stands: Actor) -> None:
    """No repeats; the others hear whose word is left, and so does whoever takes theirs back."""
    story = called(CLEO, DOV)

    drafts = story.said(do.TakeBackCalled(first), at(DISTRESS + 9))

    assert story.events[-1] == CalledTakenBack(at(DISTRESS + 9), first, (first.own_key,), stands=True)
    assert (story.dive.called_by, story.dive.called_by_several) == (stands, ())
    assert next_due_at(story.dive) is None
    told = {draft.to.key: draft.text for draft in drafts}
    minute = 21 if stands is CLEO else 22
    for key in {*CONTACT_KEYS} - {first.own_key}:
        assert told[key].endswith(
            f"{first.name} has NOT called rescue after all. Rescue was called 11:{minute} by {stands.name}."
            " In doubt call 07700 900999 (practice desk). Ref 7K."
        )
    assert told[first.own_key] == (
        f"Skerry Bay Divers: noted, you have not called. Rescue was called 11:{minute} by {stands.name}."
        " In doubt call 07700 900999 (practice desk)."
    )


def test_when_the_last_word_for_it_falls_the_alarm_goes_on() -> None:
    """One after the other, each by their own word."""
    story = called(CLEO, DOV)

    story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 9))
    assert story.dive.called_at is not None
    story.does(do.TakeBackCalled(DOV), at(DISTRESS + 10))

    assert story.dive.called_at is None
    assert [one.call.by for one in story.dive.taken_back] == [CLEO, DOV]
    assert next_due_at(story.dive) == at(DISTRESS + 20)


@pytest.mark.parametrize("by", [EDDA, diver("NOT CALLED", 1), SCRIPT], ids=["a contact", "a diver", "a script"])
def test_the_word_of_another_is_a_doubt_about_all_and_says_whose_word_it_was(by: Actor) -> None:
    """False calm is worse than a false repeat: it holds until whoever has called says so again."""
    story = called(CLEO, DOV)

    drafts = story.said(do.TakeBackCalled(by), at(DISTRESS + 9))

    assert story.dive.called_at is None
    told = {draft.to.key: draft.text for draft in drafts if draft.kind is MessageKind.DISTRESS}
    assert set(told) == {*CONTACT_KEYS} - {by.own_key}
    for text in told.values():
        assert f"{by.name} says rescue was not called; Dov Lind said 11:22 that it was." in text
    story.does(do.ReportCalled(DOV), at(DISTRESS + 11))
    assert (story.dive.called_by, next_due_at(story.dive)) == (DOV, None)


def test_whoever_doubts_hears_whose_word_it_was() -> None:
    """They may ask them, and are to call themselves."""
    story = called()

    drafts = story.said(do.TakeBackCalled(EDDA), at(DISTRESS + 9))

    assert next(draft.text for draft in drafts if draft.to.key == "contact-2") == (
        "Skerry Bay Divers: noted, rescue NOT called. Cleo Marsh had said that it was."
        " Call 07700 900999 (practice desk), then text CALLED 7K."
    )


def test_what_somebody_says_of_themselves_is_no_doubt_about_another() -> None:
    """I have not called: they hear who has, and what to text where that is wrong. Their own word falls by it."""
    story = called(DOV)

    words = refused(story, do.TakeBackCalled(CLEO, own=True), DISTRESS + 9)

    assert words == (
        "Rescue was called 11:21 by Dov Lind. In doubt call 07700 900999 (practice desk). Not so? Text NOT CALLED 7K"
    )
    assert kinds(story.does(do.TakeBackCalled(DOV, own=True), at(DISTRESS + 10))) == [BACK]


@pytest.mark.parametrize(
    ("after", "takes"), [(SAID_TWICE_WITHIN.total_seconds() - 1, False), (SAID_TWICE_WITHIN.total_seconds(), True)]
)
def test_a_word_that_comes_twice_is_no_doubt_about_another(after: float, *, takes: bool) -> None:
    """A carrier doubles a text; said again later it is meant."""
    story = called(CLEO, DOV)
    story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 9))

    again = story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 9, after))

    assert kinds(again) == ([BACK] if takes else ["refused: called_by_another"])


def said(by: Actor, minute: float, seconds: float = 0) -> Actor:
    """Their text lay somewhere since then."""
    return replace(by, said_at=at(minute, seconds))


@pytest.mark.parametrize(
    ("seconds", "takes"), [(0, True), (CLOCKS_APART.total_seconds(), True), (CLOCKS_APART.total_seconds() + 1, False)]
)
@pytest.mark.parametrize("by", [CLEO, EDDA], ids=["their own", "another's"])
def test_what_lay_somewhere_takes_back_nothing_that_was_said_after_it(
    by: Actor, seconds: float, *, takes: bool
) -> None:
    """She had not called then, and has since; within two minutes clocks may differ, and doubt is the safe side."""
    story = called(said(CLEO, DISTRESS + 5, seconds), minute=DISTRESS + 8)

    made = story.does(do.TakeBackCalled(said(by, DISTRESS + 5)), at(DISTRESS + 9))

    assert kinds(made) == ([BACK] if takes else ["refused: called_by_another"])
    assert (story.dive.called_at is None) is takes


def test_of_several_words_a_doubt_that_lay_somewhere_takes_those_that_were_there() -> None:
    """Dov called after it; so rescue is called still, and the others hear by whom."""
    story = called(CLEO, minute=DISTRESS + 1)
    story.does(do.ReportCalled(DOV), at(DISTRESS + 8))

    story.does(do.TakeBackCalled(said(EDDA, DISTRESS + 5)), at(DISTRESS + 9))

    assert story.events[-1] == CalledTakenBack(at(DISTRESS + 9), said(EDDA, DISTRESS + 5), (CLEO.own_key,), stands=True)
    assert story.dive.called_by == DOV


def test_twice_it_is_noted_already() -> None:
    """With what to do, as long as nobody has called."""
    story = called()
    story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 9))

    assert refused(story, do.TakeBackCalled(CLEO), DISTRESS + 10) == (
        "Noted already: nobody has called rescue. Call 07700 900999 (practice desk), then text CALLED 7K."
    )


def test_an_officer_says_whose_word_falls() -> None:
    """At the desk several stand to choose from; one that stands no more is not taken for another."""
    story = called(CLEO, DOV)

    story.does(do.TakeBackCalled(ADMIN, whose=CLEO.own_key), at(DISTRESS + 9))

    assert story.dive.called_by == DOV
    again = story.does(do.TakeBackCalled(ADMIN, whose=CLEO.own_key), at(DISTRESS + 20))
    assert kinds(again) == ["refused: called_by_another"]


@pytest.mark.parametrize(
    ("story", "by", "code"),
    [
        (called, STRANGER, "not_of_this_dive"),
        (filed, CLEO, "not_started"),
        (in_water, CLEO, "not_called"),
        (lambda: overdue(DISTRESS), CLEO, "not_called"),
    ],
    ids=["a stranger", "before the start", "no alarm", "nobody has called"],
)
def test_there_is_nothing_to_take_back(story: object, by: Actor, code: str) -> None:
    """Who is not of the dive, or comes before anybody said it, changes nothing and is told."""
    assert callable(story)
    told: Story = story()
    before = told.dive

    assert kinds(told.does(do.TakeBackCalled(by), at(DISTRESS + 5))) == [f"refused: {code}"]
    assert told.dive == before


def test_after_the_end_nothing_changes() -> None:
    """Rescue is to be told that it is over by whoever called, or said so."""
    story = called()
    story.does(do.ReportSafe(DOV, 2), at(DISTRESS + 5))

    assert kinds(story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 6))) == ["refused: closed"]


def test_the_stand_down_speaks_of_rescue_only_while_somebodys_word_stands() -> None:
    """Nobody rings them about an incident that they do not have."""
    stands, fell = called(), called()
    fell.does(do.TakeBackCalled(CLEO), at(DISTRESS + 5))

    ends = [story.said(do.ReportSafe(DOV, 2), at(DISTRESS + 9)) for story in (stands, fell)]

    texts = [next(draft.text for draft in drafts if draft.to.key == "contact-2") for drafts in ends]
    assert ["Rescue was called: tell them" in text for text in texts] == [True, False]
    assert texts[1].endswith("Please stand down; tell anyone you called.")


def test_where_the_word_fell_by_anothers_doubt_whoever_called_is_to_tell_rescue() -> None:
    """It may be on its way: at the end that is said to all, also to the one who ends it."""
    story = called()
    story.does(do.TakeBackCalled(EDDA), at(DISTRESS + 5))

    told = {draft.to.key: draft.text for draft in story.said(do.ReportSafe(DOV, 2), at(DISTRESS + 9))}

    for key in (CLEO.own_key, EDDA.own_key):
        assert told[key].endswith("Please stand down. Who called rescue: tell them now that it is over.")
    assert "Called rescue? Tell them now." in told[DOV.own_key]


def test_opened_again_nothing_of_it_holds() -> None:
    """The second alarm begins with nobody's word, taken back or not."""
    story = called(CLEO, DOV)
    story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 5))
    story.does(do.ReportSafe(DOV, 2), at(DISTRESS + 9))

    story.does(do.RaiseNow(diver("SOS")), at(DISTRESS + 20))

    assert (story.dive.taken_back, story.dive.rescue_calls) == ((), ())


def test_an_incident_number_goes_with_the_word_that_gave_it() -> None:
    """A later word without a number has that of an earlier one only as long as that stands."""
    story = called(reference="4711")
    story.does(do.ReportCalled(DOV), at(DISTRESS + 3))
    assert story.dive.called_reference == "4711"

    story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 9))

    assert (story.dive.called_by, story.dive.called_reference) == (DOV, None)


def test_said_again_by_the_same_person_it_is_one_word() -> None:
    """Its number stays, and it is taken back whole."""
    story = called(reference="4711")
    story.does(do.ReportCalled(CLEO), at(DISTRESS + 3))

    assert (story.dive.called_at, story.dive.called_reference) == (at(DISTRESS + 3), "4711")
    story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 9))
    assert story.dive.called_at is None


def test_a_log_of_before_several_words_were_kept_folds_as_it_did() -> None:
    """There the last who said so took the place of all before."""
    story = overdue(DISTRESS)
    story.happens([RescueCalled(at(DISTRESS + 1), CLEO, "4711"), RescueCalled(at(DISTRESS + 2), DOV)])

    assert (story.dive.called_by, story.dive.called_reference) == (DOV, "4711")
    assert story.dive.called_by_several == ()
    assert kinds(story.does(do.TakeBackCalled(DOV), at(DISTRESS + 3))) == [BACK]
    assert story.dive.called_at is None


def test_in_a_drill_nobody_is_sent_to_call() -> None:
    """What a real alarm would ask."""
    story = filed(drill=True)
    story.does(do.Start(diver("IN")), at(0))
    story.runs_to(at(DISTRESS))
    story.does(do.ReportCalled(CLEO), at(DISTRESS + 1))

    drafts = story.said(do.TakeBackCalled(CLEO), at(DISTRESS + 2))

    for draft in drafts:
        assert draft.text.startswith("EXERCISE. Skerry Bay Divers: ")
        assert "In a real alarm you would now call 07700 900999" in draft.text
        assert "CALL NOW" not in draft.text
    assert "NOT CALLED AFTER ALL: Anna Holt" in drafts[0].text
    assert kinds(story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 3))) == ["refused: not_called"]
    assert "In a real alarm" in refused(story, do.TakeBackCalled(CLEO), DISTRESS + 4)


def test_who_can_be_called_is_rung_and_hears_it_but_for_whoever_says_it() -> None:
    """As at distress, and not where another's word stands."""
    ways = (Channel.TEXT, Channel.CALL)
    plan = replace(PLAN, contacts=tuple(replace(one, channels=ways) for one in PLAN.contacts))
    story = in_water(plan, calls=True)
    story.runs_to(at(DISTRESS))
    for by in (CLEO, DOV):
        story.does(do.ReportCalled(by), at(DISTRESS + 1))

    one = story.said(do.TakeBackCalled(CLEO), at(DISTRESS + 2))
    both = story.said(do.TakeBackCalled(DOV), at(DISTRESS + 3))

    assert [draft for draft in one if draft.channel is Channel.CALL] == []
    calls = [draft for draft in both if draft.channel is Channel.CALL]
    assert [draft.to.key for draft in calls] == ["contact-0", "contact-2"]
    for draft in calls:
        assert "Rescue was not called after all." in draft.text
        assert "Call rescue now" in draft.text
        assert draft.kind is MessageKind.DISTRESS


def test_a_mail_says_it_and_what_was_said_before() -> None:
    """Whole, as an alarm; where another's word stands it is news."""
    ways = (Channel.TEXT, Channel.EMAIL)
    contacts = tuple(replace(one, channels=ways, email="ashore@example.org") for one in PLAN.contacts)
    story = in_water(replace(PLAN, contacts=contacts))
    story.runs_to(at(DISTRESS))
    for by in (CLEO, DOV):
        story.does(do.ReportCalled(by), at(DISTRESS + 1))

    news = [one for one in story.said(do.TakeBackCalled(CLEO), at(DISTRESS + 2)) if one.channel is Channel.EMAIL]
    alarm = [one for one in story.said(do.TakeBackCalled(DOV), at(DISTRESS + 3)) if one.channel is Channel.EMAIL]

    assert {one.subject for one in news} == {"News of the dive: Anna Holt (2 divers), Lantern Cove"}
    assert {one.subject for one in alarm} == {"OVERDUE: Anna Holt (2 divers), Lantern Cove"}
    for line in (
        "Rescue was not called after all.",
        "CALL RESCUE NOW: 07700 900999",
        "11:21 Dov Lind said that rescue was called.",
        "11:23 Dov Lind said that it was not.",
    ):
        assert line in alarm[0].text


def test_what_waits_of_either_word_is_known_by_its_step() -> None:
    """That rescue was called does not hold any more, and then that it was not does not."""
    story = called()
    steps = [untrue_steps(story.dive)]
    story.does(do.TakeBackCalled(CLEO), at(DISTRESS + 5))
    steps.append(untrue_steps(story.dive))

    assert steps == ["uncalled", "called"]
    answers = [draft.step for draft in story.said(do.Acknowledge(DOV), at(DISTRESS + 6)) if draft.to.key == "contact-1"]
    assert answers[0].startswith("uncalled_reply")
    story.does(do.ReportCalled(CLEO), at(DISTRESS + 7))
    answers = [draft.step for draft in story.said(do.Acknowledge(EDDA), at(DISTRESS + 8))]
    assert answers[0].startswith("called_reply")


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (CalledTakenBack(at(1), CLEO, ("contact-0",)), "Took back that rescue was called."),
        (
            CalledTakenBack(at(1), EDDA, ("contact-0", "contact-1")),
            "Said that rescue was not called, as Cleo Marsh, Dov Lind had said.",
        ),
        (
            CalledTakenBack(at(1), CLEO, ("contact-0",), stands=True),
            "Took back that rescue was called. Another's word for it stands.",
        ),
    ],
    ids=["own", "of others", "another's stands"],
)
def test_the_line_says_whose_word_fell(event: CalledTakenBack, words: str) -> None:
    """Also for a dive as it is at any later time."""
    assert what_happened(overdue(DISTRESS).dive, event) == words
