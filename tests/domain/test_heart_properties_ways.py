"""What holds of calls and e-mails in every life of every dive, whatever the ways of its contacts are."""

from __future__ import annotations

from hypothesis import given

from service.domain.dive import Dive, Event
from service.domain.dive import commands as do
from service.domain.dive.events import Armed, Closed, ExtensionTookEffect, StepTaken
from service.domain.grace import Step
from service.domain.people import Channel
from service.domain.wording import Draft, MessageKind
from tests.domain.heart_strategies import Life, Turn, lives, played

ALARMS = (MessageKind.ALERT, MessageKind.DISTRESS)
TOLD_BY_MAIL = (*ALARMS, MessageKind.STAND_DOWN, MessageKind.START_NOTICE, MessageKind.OTHER)


def by(channel: Channel, turns: list[Turn]) -> list[tuple[Event, Dive, Draft]]:
    """Every message of a life by one way, with its event and the dive after it."""
    every = [(event, dive, draft) for turn in turns for event, dive, drafts in turn.steps for draft in drafts]
    return [(event, dive, draft) for event, dive, draft in every if draft.channel is channel]


@given(lives)
def test_nobody_is_called_without_a_cause(life: Life) -> None:
    """Only contacts who can be called; beside texts only at distress, when texts fail, and for the end of an alarm."""
    for event, dive, draft in by(Channel.CALL, list(played(life))):
        contact = dive.person(draft.to.key)
        assert contact in dive.contacts
        assert dive.calls
        assert Channel.CALL in draft.to.channels
        assert draft.text
        assert (draft.link, draft.subject) == (None, None)
        if draft.kind in ALARMS:
            assert draft.to.key in dive.rung
            first = dive.first_way(draft.to) is Channel.CALL
            assert draft.kind is MessageKind.DISTRESS or first or dive.fails(draft.to, Channel.TEXT)
        elif Channel.TEXT in draft.to.channels:
            assert isinstance(event, Closed)
            assert draft.to.key in dive.rung


@given(lives)
def test_an_e_mail_goes_along_and_is_never_all(life: Life) -> None:
    """To contacts with an address, never a reply or a reminder, with a subject, and said not to be answered."""
    for _, dive, draft in by(Channel.EMAIL, list(played(life))):
        assert draft.to in dive.contacts
        assert draft.to.email
        assert draft.kind in TOLD_BY_MAIL
        assert draft.subject
        assert "\n" not in draft.subject
        assert "Do not answer this e-mail" in draft.text
        assert draft.text.startswith("EXERCISE. ") is draft.subject.startswith("EXERCISE. ") is dive.drill
        assert "Reply" not in draft.text


@given(lives)
def test_at_distress_everybody_is_told_by_every_way_they_have(life: Life) -> None:
    """Also at each repeat; nobody has none, but for who declined to be a contact."""
    for turn in played(life):
        for event, dive, drafts in turn.steps:
            if isinstance(event, StepTaken) and event.step in (Step.DISTRESS, Step.DISTRESS_AGAIN):
                for contact in [one for one in dive.contacts if dive.declined_by(one.key) is None]:
                    told = {draft.channel for draft in drafts if draft.to.key == contact.key}
                    mail = {Channel.EMAIL} if contact.email else set()
                    assert told == set(dive.direct_ways(contact)) | mail


@given(lives)
def test_only_what_was_surely_told_arms_and_puts_an_extension_in_force(life: Life) -> None:
    """A text that a gateway took, or a message that is known to have got through; no e-mail, no call that only rang."""
    for turn in played(life):
        if any(isinstance(event, Armed | ExtensionTookEffect) for event, _, _ in turn.steps):
            command = turn.command
            assert isinstance(command, do.NoteHanded | do.NoteReachable)
            assert command.channel is not Channel.EMAIL
            assert isinstance(command, do.NoteReachable) or command.channel is Channel.TEXT
