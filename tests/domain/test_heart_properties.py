"""What holds in every life of every dive: whoever asks for whatever at whatever time, with sweeps on time or late."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

from hypothesis import given

from service.domain.dive import Dive, Outcome, Phase, Refusal, decide, evolve, next_due_at, tick
from service.domain.dive import commands as do
from service.domain.dive.events import AlarmRaised, Closed, ExtensionAsked, ExtensionTookEffect, NoteAdded, StepTaken
from service.domain.people import ADMINS, CLOCK, Channel, Role, Via
from service.domain.wording import Draft, MessageKind, messages_for
from service.domain.wording.drafts import AN_ADMIN
from tests.domain.heart_strategies import Life, Turn, lives, played

# A life takes long to play, so each is looked at from several sides; a failure names the rule by its function.

PHASES = list(Phase)


def the_heart_is_total_and_deterministic(turns: list[Turn]) -> None:
    """Every command is answered by events or by a reason, twice the same, and every event has its messages."""
    for turn in turns:
        if turn.before is not None:
            assert decide(turn.before, turn.command, turn.now) == turn.decision
        if isinstance(turn.decision, Refusal):
            assert turn.decision.code
            assert turn.decision.words.strip()
        for event, dive, drafts in turn.steps:
            assert tuple(messages_for(dive, event)) == drafts


def folding_the_events_again_gives_the_same_dive(turns: list[Turn]) -> None:
    """The log proves the row."""
    folded: Dive | None = None

    for turn in turns:
        for event, _, _ in turn.steps:
            folded = evolve(folded, event)

    assert folded == turns[-1].after
    assert folded is not None
    assert folded.version == sum(len(turn.steps) for turn in turns)


def phases_only_rise_until_closed(turns: list[Turn]) -> None:
    """Nothing but an alarm opens a closed dive again, and nothing but closing takes a phase back."""
    before: Phase | None = None
    for turn in turns:
        for event, dive, _ in turn.steps:
            if before is Phase.CLOSED and isinstance(event, NoteAdded):
                assert dive.phase is Phase.CLOSED
            elif before is Phase.CLOSED:
                assert isinstance(event, AlarmRaised)
                assert dive.phase is Phase.ALERT
            elif before is not None:
                assert PHASES.index(dive.phase) >= PHASES.index(before)
            before = dive.phase


CLOSERS = (do.Finish, do.ReportSafe, do.CallOff, do.EndDrill)


def only_an_explicit_word_closes_and_the_log_says_whose(turns: list[Turn]) -> None:
    """Finish, safe and call off close; the clock lets go only of what never started. Who closed is always named."""
    for turn in turns:
        for event, dive, _ in turn.steps:
            assert (dive.phase is Phase.CLOSED) is (dive.closed_by is not None) is (dive.closed_at is not None)
            if not isinstance(event, Closed):
                assert turn.before is None or dive.closings == turn.before.closings
                continue
            assert event.by.name
            if event.outcome is Outcome.LAPSED:
                assert (event.by, dive.started_at) == (CLOCK, None)
            else:
                assert isinstance(turn.command, CLOSERS)
                assert event.by == turn.command.by


def a_sweep_never_spins(turns: list[Turn]) -> None:
    """What is due has events; after them nothing is due at once; and what is not due has none."""
    for turn in turns:
        due_at = next_due_at(turn.after)
        if due_at is None or due_at > turn.now:
            assert tick(turn.after, turn.now) == ()
            continue
        dive = turn.after
        events = tick(dive, turn.now)
        assert events
        for event in events:
            dive = evolve(dive, event)
        later = next_due_at(dive)
        assert later is None or later > turn.now
        assert tick(dive, turn.now) == ()


def a_dive_that_is_live_and_not_answered_always_has_a_next_moment(turns: list[Turn]) -> None:
    """Silence cannot stop a clock: only called, or closed, leaves nothing to come."""
    for turn in turns:
        dive = turn.after
        quiet = dive.phase is Phase.CLOSED or dive.called_at is not None
        assert (next_due_at(dive) is not None) or quiet


def an_alarm_is_never_later_than_the_raise_by_time(turns: list[Turn]) -> None:
    """Once a sweep has run, a dive past its raise-by time has its contacts told or is over.

    Ten minutes later, where its party had to be asked first; never longer, however often that is asked for.
    """
    for turn in turns:
        dive = turn.after
        if isinstance(turn.command, do.Tick) and dive.alarm_due_at is not None and dive.alarm_due_at <= turn.now:
            assert dive.alarmed or dive.phase is Phase.CLOSED
            assert dive.alerted or dive.called_at is not None or dive.phase is Phase.CLOSED
        if turn.before is not None and turn.before.waiting is not None and turn.now < turn.before.waiting.until_at:
            assert dive.waiting in (turn.before.waiting, None)
        assert dive.waiting is None or dive.waiting.until_at <= turn.now + timedelta(minutes=10)


def nothing_of_the_ladder_is_said_after_the_end(turns: list[Turn]) -> None:
    """A closed dive tells nobody anything until an alarm opens it again; what closes it says only that it is over."""
    for turn in turns:
        for event, _, drafts in turn.steps:
            if isinstance(event, Closed):
                assert {draft.kind for draft in drafts} <= {MessageKind.STAND_DOWN, MessageKind.REPLY}
        if turn.before is not None and turn.before.phase is Phase.CLOSED:
            # An admin may still write down how it ended, which is told to nobody.
            noted = [drafts for event, _, drafts in turn.steps if isinstance(event, NoteAdded)]
            assert not any(noted)
            assert all(isinstance(event, AlarmRaised | NoteAdded) for event, _, _ in turn.steps)


def told_of_the_clock(draft: Draft) -> bool:
    """Whether this is news of a clock or an alarm; a bare answer to one's own text is not, nor an introduction."""
    if draft.step.startswith("introduction"):
        return False
    if draft.kind is not MessageKind.REPLY:
        return draft.kind is not MessageKind.STAND_DOWN
    return draft.step.startswith(("armed", "not_armed", "extension"))


def whoever_was_told_is_told_that_it_is_over(turns: list[Turn]) -> None:
    """Of the clock, a raise-by time or an alarm: each hears the end by every way, or as the answer to their text."""
    waiting: dict[tuple[str, Channel], str | None] = {}
    for turn in turns:
        for event, _, drafts in turn.steps:
            if isinstance(event, Closed):
                over = {(draft.to.key, draft.channel) for draft in drafts}
                texted = {draft.to.phone for draft in drafts if draft.channel is Channel.TEXT}
                closer = {draft.to.phone for draft in drafts if draft.kind is MessageKind.REPLY}
                assert {
                    (key, channel)
                    for (key, channel), phone in waiting.items()
                    if (key, channel) not in over
                    and not (key.startswith(AN_ADMIN) and key == event.by.key)
                    and phone not in closer
                    and not (channel is Channel.TEXT and phone in texted)
                } == set()
                waiting = {}
            waiting |= {(draft.to.key, draft.channel): draft.to.phone for draft in drafts if told_of_the_clock(draft)}


def whoever_closed_by_text_is_answered_and_nobody_hears_the_end_twice(turns: list[Turn]) -> None:
    """One message to each person: the answer for who closed it, the stand-down for the others."""
    for turn in turns:
        for event, _, drafts in turn.steps:
            if isinstance(event, Closed):
                people = Counter((draft.to.key, draft.channel) for draft in drafts)
                assert set(people.values()) <= {1}
                answered = [draft.to.phone for draft in drafts if draft.kind is MessageKind.REPLY]
                assert answered == ([event.by.phone] if event.by.via is Via.TEXT else [])


def whoever_holds_a_raise_by_time_is_told_of_its_change(turns: list[Turn]) -> None:
    """Before due out moves, every contact who has not declined has a notice of it; then the party hears it."""
    notices: dict[str, set[str]] = {}
    declined: dict[str, set[str]] = {}
    moved = None
    for turn in turns:
        for event, dive, drafts in turn.steps:
            for draft in drafts:
                if draft.channel is not Channel.EMAIL:  # it counts for nothing
                    notices.setdefault(draft.step, set()).add(draft.to.key)
            if isinstance(event, ExtensionAsked):
                declined[f"extension-{event.number}"] = {one.key for one in dive.declined}
            if isinstance(event, ExtensionTookEffect):
                step = f"extension-{event.number}"
                assert notices[step] == {contact.key for contact in dive.contacts} - declined[step]
                assert {person.key for person in dive.party_phones} <= {draft.to.key for draft in drafts}
                moved = dive.due_out_at
            elif dive.due_out_at != dive.first_due_out_at:
                assert dive.due_out_at == moved
            if dive.due_out_at is not None and dive.first_due_out_at is not None:
                late = dive.due_out_at - dive.first_due_out_at
                assert late <= dive.grace.extension_cap
                assert late.total_seconds() >= 0


def no_message_can_be_queued_twice(turns: list[Turn]) -> None:
    """Step, person and channel name a message of a dive, over its whole life."""
    every = [draft for turn in turns for _, _, drafts in turn.steps for draft in drafts]
    named = Counter((draft.step, draft.to.key, draft.channel) for draft in every)

    assert [name for name, count in named.items() if count > 1] == []


def a_sweep_has_one_step_for_each_person(turns: list[Turn]) -> None:
    """Late or on time, nobody hears of two steps of the ladder at once."""
    for turn in turns:
        if isinstance(turn.command, do.Tick):
            steps = [drafts for event, _, drafts in turn.steps if isinstance(event, StepTaken)]
            people = Counter((draft.to.key, draft.channel) for drafts in steps for draft in drafts)
            assert set(people.values()) <= {1}


def people_of(turn: Turn) -> set[str]:
    """The keys to whom a message of this dive may go."""
    dive = turn.after
    known = {person.key for person in dive.divers + dive.contacts} | {ADMINS}
    return known | {f"phone:{actor.phone}" for actor in (getattr(turn.command, "by", None), dive.started_by) if actor}


OUTSIDE = (Role.ADMIN, Role.STRANGER)  # whom no plan names


def messages_go_only_to_people_of_the_dive_and_to_whoever_wrote(turns: list[Turn]) -> None:
    """No message reaches a number that has no part in this dive. Of admins the heart knows keys alone."""
    took_part: set[str] = set()
    for turn in turns:
        numbers = {person.phone for person in turn.after.divers + turn.after.contacts}
        for _, _, drafts in turn.steps:
            for draft in drafts:
                of_admin = draft.kind is MessageKind.ALERT and draft.to.key.startswith(AN_ADMIN)
                if draft.to.key in took_part and (of_admin or draft.kind is MessageKind.STAND_DOWN):
                    continue
                assert draft.to.key in people_of(turn)
                assert draft.to.key == ADMINS or draft.to.phone
                assert draft.to.phone in numbers or draft.to.key == ADMINS or draft.to.key.startswith("phone:")
        by = getattr(turn.command, "by", None)
        took_part |= {by.key or f"phone:{by.phone}"} if by is not None and by.role in OUTSIDE else set()


@given(lives)
def test_every_life_is_decided_recorded_and_read_back(life: Life) -> None:
    """Total, deterministic, and the fold of the events is the dive."""
    turns = list(played(life))

    the_heart_is_total_and_deterministic(turns)
    folding_the_events_again_gives_the_same_dive(turns)


@given(lives)
def test_every_life_runs_by_the_clock_until_somebody_closes_it(life: Life) -> None:
    """Phases rise, only a word closes, no sweep spins, no live clock stands still, no alarm is late."""
    turns = list(played(life))

    phases_only_rise_until_closed(turns)
    only_an_explicit_word_closes_and_the_log_says_whose(turns)
    a_sweep_never_spins(turns)
    a_dive_that_is_live_and_not_answered_always_has_a_next_moment(turns)
    an_alarm_is_never_later_than_the_raise_by_time(turns)


@given(lives)
def test_in_every_life_people_are_told_what_they_must_be_and_once(life: Life) -> None:
    """The end to all who were told, every change of a raise-by time, one message each, and nothing after the end."""
    turns = list(played(life))

    nothing_of_the_ladder_is_said_after_the_end(turns)
    whoever_was_told_is_told_that_it_is_over(turns)
    whoever_closed_by_text_is_answered_and_nobody_hears_the_end_twice(turns)
    whoever_holds_a_raise_by_time_is_told_of_its_change(turns)
    no_message_can_be_queued_twice(turns)
    a_sweep_has_one_step_for_each_person(turns)
    messages_go_only_to_people_of_the_dive_and_to_whoever_wrote(turns)
