"""Who has answered an alarm and then wants nothing more of it has it no more: the search goes on without them."""

from __future__ import annotations

import pytest

from service.domain.dive import commands as do
from service.domain.dive.ticking import next_due_at
from service.domain.people import Channel
from service.domain.wording import Draft, MessageKind
from service.domain.wording.timeline import what_happened
from tests.domain.builders import ADMIN, CONTACT_KEYS, DISTRESS, RAISE_BY, Story, at, contact, in_water, kinds

CLEO, DOV = CONTACT_KEYS[:2]
GIVES_UP = "Cleo Marsh no longer acts on this alarm."
REFUSALS = ("declined", "opted_out")


def answered(minute: float = RAISE_BY, place: int = 0) -> Story:
    """A dive in alarm since its raise-by time, and a contact says OK a minute later than that minute."""
    story = in_water()
    story.runs_to(at(minute))
    story.does(do.Acknowledge(contact(place)), at(minute + 1))
    return story


def refuses(reason: str, key: str = CLEO) -> do.NoteUnreachable:
    """Their own word."""
    return do.NoteUnreachable(key, reason, said=True)


def to_contacts(drafts: list[Draft]) -> dict[str, Draft]:
    """What contacts are told, by their key."""
    return {draft.to.key: draft for draft in drafts if draft.to.key in CONTACT_KEYS}


@pytest.mark.parametrize("reason", REFUSALS)
def test_the_next_contact_is_alerted_at_once(reason: str) -> None:
    """As if they had never answered."""
    story = answered()

    told = to_contacts(story.said(refuses(reason), at(RAISE_BY + 2)))

    assert story.dive.acknowledged == ()
    assert set(told) == {DOV}
    assert told[DOV].text.startswith("Skerry Bay Divers: OVERDUE: Anna Holt")
    assert next_due_at(story.dive) == at(RAISE_BY + 7)


@pytest.mark.parametrize("reason", REFUSALS)
def test_who_was_told_that_they_have_the_alarm_gets_all_that_acting_needs(reason: str) -> None:
    """Whom to call and how to answer: they may have gone back to bed."""
    story = answered(RAISE_BY + 5)

    told = to_contacts(story.said(refuses(reason), at(RAISE_BY + 7)))[DOV]

    assert told.kind is MessageKind.ALERT
    for words in ("OVERDUE: Anna Holt + 1 (2 divers).", GIVES_UP, "Call +44 7700 900001.", "Reply OK 7K (you act)"):
        assert words in told.text


def test_where_somebody_else_acts_they_are_named() -> None:
    """Two had answered; one is left, so no other is sought."""
    story = answered(RAISE_BY + 5)
    story.does(do.Acknowledge(contact(1)), at(RAISE_BY + 6))

    decision = story.does(refuses("declined"), at(RAISE_BY + 7))

    assert kinds(decision) == ["PersonUnreachable"]
    [told] = [draft for _, draft in story.told if GIVES_UP in draft.text]
    assert (told.to.key, "Dov Lind has the alarm since" in told.text) == (DOV, True)
    assert next_due_at(story.dive) == at(DISTRESS)


def test_once_rescue_is_called_that_is_what_they_hear() -> None:
    """Nobody is sought, and nobody sent to call a second time."""
    story = answered(RAISE_BY + 5)
    story.does(do.ReportCalled(contact(0)), at(RAISE_BY + 6))

    told = to_contacts(story.said(refuses("declined"), at(RAISE_BY + 7)))

    assert "Rescue was called" in told[DOV].text
    assert "CALL RESCUE NOW" not in told[DOV].text


def test_in_distress_all_others_are_sent_to_call_rescue_again() -> None:
    """Also who hears nothing else for ten minutes."""
    story = answered(DISTRESS)

    told = to_contacts(story.said(refuses("declined"), at(DISTRESS + 2)))

    assert set(told) == set(CONTACT_KEYS) - {CLEO}
    assert {draft.kind for draft in told.values()} == {MessageKind.DISTRESS}
    assert all("CALL RESCUE NOW" in draft.text for draft in told.values())


@pytest.mark.parametrize("reason", REFUSALS)
def test_with_nobody_left_the_admins_are_handed_the_alarm_at_once(reason: str) -> None:
    """The others cannot be reached, so nobody would have heard of it any more."""
    story = in_water()
    for key in CONTACT_KEYS[1:]:
        story.does(do.NoteUnreachable(key, "refused"), at(1))
    story.runs_to(at(RAISE_BY))
    story.does(do.Acknowledge(contact(0)), at(RAISE_BY + 1))

    decision = story.does(refuses(reason), at(RAISE_BY + 2))
    story.runs_to(at(RAISE_BY + 3))

    assert kinds(decision)[0] == "PersonUnreachable"
    assert [draft.to.key for _, draft in story.told if draft.kind is MessageKind.DISTRESS] == ["admins"]


def test_a_refusal_that_a_gateway_tells_is_theirs_too() -> None:
    """Some carriers keep the word STOP to themselves; the next text that they refuse says it."""
    story = answered()

    story.does(do.NoteUnreachable(CLEO, "opted_out"), at(RAISE_BY + 2))

    assert (story.dive.acknowledged, story.dive.alerted_keys()) == ((), {CLEO, DOV})


def test_what_they_said_before_they_answered_takes_no_answer_back() -> None:
    """STOP, and then OK: the later word holds, whatever gateways still say."""
    story = in_water()
    story.does(refuses("opted_out"), at(1))
    story.runs_to(at(RAISE_BY))
    story.does(do.Acknowledge(contact(0)), at(RAISE_BY + 1))

    assert story.does(do.NoteUnreachable(CLEO, "opted_out"), at(RAISE_BY + 2)) == ()
    assert [told.key for told in story.dive.acknowledged] == [CLEO]


def test_stop_after_an_answer_counts_though_their_texts_failed_before() -> None:
    """They pressed the button of a page, and no receipt had come from their phone."""
    story = in_water()
    story.does(do.NoteUnreachable(CLEO, "no_receipt"), at(1))
    story.runs_to(at(RAISE_BY))
    story.does(do.Acknowledge(contact(0)), at(RAISE_BY + 1))

    assert kinds(story.does(refuses("opted_out"), at(RAISE_BY + 2)))[0] == "PersonUnreachable"
    assert (story.dive.acknowledged, story.dive.unreachable) == ((), (CLEO,))


@pytest.mark.parametrize("reason", ["refused", "no_receipt"])
def test_a_phone_that_fails_after_its_answer_gives_nothing_up(reason: str) -> None:
    """They have the alarm and act on it."""
    story = answered()

    story.does(do.NoteUnreachable(CLEO, reason, Channel.TEXT), at(RAISE_BY + 2))

    assert [told.key for told in story.dive.acknowledged] == [CLEO]


def test_who_answers_after_all_has_it_again() -> None:
    """And is not told that we have their answer already."""
    story = answered()
    story.does(refuses("declined"), at(RAISE_BY + 2))

    assert kinds(story.does(do.Acknowledge(contact(0)), at(RAISE_BY + 3))) == ["Acknowledged"]
    assert next_due_at(story.dive) == at(DISTRESS)


def test_the_record_says_that_they_act_no_more() -> None:
    """For whoever reads what happened afterwards."""
    story = answered()
    before = story.dive

    event = story.does(refuses("declined"), at(RAISE_BY + 2))[0]  # type: ignore[index] # no refusal

    assert what_happened(before, event).endswith("they will not be a contact. Acts on the alarm no more.")


def admin_acts(minute: float = RAISE_BY + 1) -> Story:
    """The same with an admin who says OK."""
    story = in_water()
    story.runs_to(at(minute - 1))
    story.does(do.Acknowledge(ADMIN), at(minute))
    return story


def test_an_admin_who_says_stop_has_the_alarm_no_more() -> None:
    """The search for a contact goes on, and whoever was told that an admin has it hears that none has."""
    story = admin_acts()
    assert next_due_at(story.dive) == at(DISTRESS)

    told = story.said(refuses("opted_out", "admin-1"), at(RAISE_BY + 2))

    assert (story.dive.acknowledged, story.dive.unreachable) == ((), ())
    assert to_contacts(told)[CLEO].text.startswith("Skerry Bay Divers: OVERDUE: Anna Holt")
    assert "An admin no longer acts on this alarm." in to_contacts(told)[CLEO].text
    assert next_due_at(story.dive) == at(RAISE_BY + 5)


@pytest.mark.parametrize(("key", "said"), [("admin-2", True), ("admin-1", False)])
def test_only_the_word_of_the_admin_who_answered_gives_it_up(key: str, *, said: bool) -> None:
    """Another admin's STOP is of no dive, and what a gateway says may be of before the answer."""
    story = admin_acts()

    assert story.does(do.NoteUnreachable(key, "opted_out", said=said), at(RAISE_BY + 2)) == ()


def test_once_it_was_handed_up_the_other_admins_hear_that_one_gave_it_up() -> None:
    """Nobody ashore could be reached, so nobody else would hear of it."""
    story = in_water()
    for key in CONTACT_KEYS:
        story.does(do.NoteUnreachable(key, "refused"), at(1))
    story.runs_to(at(RAISE_BY))
    story.does(do.Acknowledge(ADMIN), at(RAISE_BY + 1))

    told = {draft.to.key: draft for draft in story.said(refuses("opted_out", "admin-1"), at(RAISE_BY + 2))}

    assert "An admin no longer acts on this alarm." in told["admins"].text
