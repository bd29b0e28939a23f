"""Every order of a handful of deeds around each moment that matters, and what must hold in each of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import datetime, timedelta
from types import ModuleType
from typing import Any

import pytest

from service.domain.dive import (
    Dive,
    Phase,
    Refusal,
    calling_rescue,
    decide,
    evolve,
    extending,
    finishing,
    next_due_at,
    tick,
    ticking,
)
from service.domain.dive import commands as do
from service.domain.dive import events as ev
from service.domain.grace import Step
from service.domain.people import ADMINS, Channel
from service.domain.place.conditions import Wind
from service.domain.place.position import Position
from service.domain.wording import MessageKind, ending
from tests.domain.builders import at, contact, diver
from tests.simulation.small_worlds import (
    CALLED,
    MOMENTS,
    OK,
    SECOND_DEAF,
    Deed,
    Moment,
    Turn,
    World,
    alarmed,
    calm,
    take,
    worlds,
)

ORDER = ("filed", "in_water", "uncertainty", "alert", "distress", "closed")
ALARMS = (MessageKind.DISTRESS, MessageKind.ALERT)
ALARMING = (Step.ALERT, Step.NEXT_CONTACT, Step.DISTRESS, Step.DISTRESS_AGAIN)
PARTY = 2
CAP = timedelta(minutes=60)
GRACE = timedelta(minutes=15)
REPEATED = timedelta(minutes=10)


def phases_only_rise(turn: Turn) -> None:
    """Until closed; only an alarm opens again what is closed."""
    was = turn.before.phase
    for event, dive, _ in turn.steps:
        reopened = isinstance(event, ev.AlarmRaised) and was is Phase.CLOSED
        assert reopened or ORDER.index(dive.phase) >= ORDER.index(was)
        was = dive.phase


def only_the_right_word_ends_it_and_always_does(world: World) -> None:
    """A full count, of the party, by code or of a contact; a bare finish unless fewer were out; NOGO until they go."""
    turn = world.turns[-1]
    command, before = turn.deed.command, turn.before
    if before.phase is Phase.CLOSED:
        return
    ends = False
    if isinstance(command, do.Finish):
        ends = command.count == PARTY or (command.count is None and before.partly_out is None)
    elif isinstance(command, do.ReportSafe):
        ends = command.count == PARTY
    elif isinstance(command, do.CallOff):
        said = any(isinstance(one.deed.command, do.Start) for one in world.turns)
        ends = before.phase is Phase.FILED or (before.assumed and not said)
    assert (turn.after.phase is Phase.CLOSED) is ends
    if ends:
        assert turn.after.closed_by == command.by  # type: ignore[union-attr]


def the_words_that_stand_say_whether_rescue_was_called(world: World) -> None:
    """Each person's last word; whoever takes back what they have not said doubts all, but not twice at once."""
    standing: set[str] = set()
    said_at: dict[str, datetime] = {}
    for turn in world.turns:
        command = turn.deed.command
        if turn.before.phase is Phase.CLOSED:
            return
        if isinstance(command, do.ReportCalled):
            standing.add(command.by.own_key)
        elif isinstance(command, do.TakeBackCalled):
            own, just_now = {command.by.own_key}, said_at.get(command.by.own_key, at(-60)) + timedelta(minutes=2)
            fell = own if own <= standing else standing if turn.now >= just_now else set[str]()
            said_at |= dict.fromkeys(own if fell else (), turn.now)
            standing -= set(fell)
    assert {call.by.own_key for call in world.dive.rescue_calls} == standing
    assert (world.dive.called_at is not None) is bool(standing)


def an_extension_counts_only_once_a_contact_has_it(world: World) -> None:
    """Handed to a contact, before the raise-by time in force, within the cap, and what was asked for."""
    turn = world.turns[-1]
    for event in turn.events:
        if not isinstance(event, ev.ExtensionTookEffect):
            continue
        command = turn.deed.command
        assert isinstance(command, do.NoteHanded | do.NoteReachable)
        assert (command.step, command.person) == (f"extension-{event.number}", event.contact)
        asked = [one for one in world.events() if isinstance(one, ev.ExtensionAsked) and one.number == event.number]
        assert [one.due_out_at for one in asked] == [event.due_out_at]
        assert turn.before.due_out_at is not None
        assert turn.now < turn.before.due_out_at + GRACE
        assert event.due_out_at - turn.before.due_out_at <= CAP
        assert not turn.before.alarmed
    if not any(isinstance(event, ev.ExtensionTookEffect | ev.Started) for event in turn.events):
        assert turn.after.due_out_at == turn.before.due_out_at


def nothing_is_said_twice_or_after_the_end(world: World) -> None:
    """No message is caused twice; once closed, only answers go out."""
    turn = world.turns[-1]
    named = Counter((draft.step, draft.to.key, draft.channel) for _, draft in world.drafts())
    assert max(named.values()) == 1
    if turn.before.phase is Phase.CLOSED is turn.after.phase:
        assert all(draft.kind is MessageKind.REPLY for _, _, drafts in turn.steps for draft in drafts)


def twice_is_as_good_as_once(turn: Turn) -> None:
    """The same deed again at the same instant changes nothing of what matters."""
    if turn.deed.command is None:
        return
    dive, decision = turn.after, decide(turn.after, turn.deed.command, turn.now)
    for event in () if isinstance(decision, Refusal) else decision:
        dive = evolve(dive, event)
    assert what_matters(dive) == what_matters(turn.after)


def what_matters(dive: Dive) -> tuple[object, ...]:
    """A dive without the order and the number of words that were said."""
    keys = (dive.alerted, dive.acknowledged, dive.on_scene)
    told = [frozenset(one.key for one in some) for some in keys]
    lost = (frozenset(dive.unreachable), frozenset(dive.lost), frozenset(one.key for one in dive.declined))
    ended = (dive.closed_at, dive.closed_by, dive.outcome, dive.closings)
    times = (dive.started_at, dive.due_out_at, dive.armed_at, dive.alarm_at)
    return (dive.phase, dive.partly_out, dive.called_by, frozenset(dive.steps), *told, *lost, *ended, *times)


def no_sweep_spins(turn: Turn) -> None:
    """What is due has events, and after a sweep nothing is due."""
    due_at = next_due_at(turn.after)
    due = due_at is not None and due_at <= turn.now
    assert bool(tick(turn.after, turn.now)) is due
    assert not (due and isinstance(turn.deed.command, do.Tick))


def silence_raises_the_alarm(world: World, later: list[ev.Event], last: Dive) -> None:
    """Whoever says nothing more: contacts are alarmed by the raise-by time in force, or it was ended by somebody."""
    if last.phase is Phase.CLOSED:
        assert last.closed_by is not None
        return
    assert last.phase is Phase.DISTRESS
    raised = [one for one in [*world.events(), *later] if is_alarm(one)]
    since = [one for one in raised if one.at >= last_close(world)]
    assert last.due_out_at is None or last.closings or since[0].at <= max(last.due_out_at + GRACE, world.now)
    told = {key for one in since for key in alarmed_by(one, last)}
    assert told >= {one.key for one in last.contacts} or last.called_at is not None
    if last.called_at is None and last.distress_at is not None:
        again_at = next_due_at(last)
        assert again_at is not None
        assert again_at <= last.distress_at + REPEATED


def is_alarm(event: ev.Event) -> bool:
    """Whether contacts hear of an alarm by it."""
    if isinstance(event, ev.StepTaken):
        return event.step in ALARMING
    taken_back = isinstance(event, ev.CalledTakenBack) and not event.stands
    return taken_back or isinstance(event, ev.AlarmRaised | ev.RescueCalled)


def alarmed_by(event: ev.Event, dive: Dive) -> set[str]:
    """The contacts who hear of it."""
    return set(event.to) if isinstance(event, ev.StepTaken) else {one.key for one in dive.contacts}


def last_close(world: World) -> datetime:
    """When it was closed last; before all times if never."""
    return max((one.at for one in world.events() if isinstance(one, ev.Closed)), default=at(-1))


def whoever_is_alarmed_hears_the_end(world: World, later: list[ev.Event], last: Dive) -> None:
    """Ended now by the lead, everybody who was alarmed since the last end has a stand-down by the same way."""
    end = take(Deed("the end", do.Finish(diver("OUT 2"), PARTY)), last, world.now + timedelta(hours=4))
    for turns in (world.turns, (end,)):
        for turn in turns:
            for event, _, drafts in turn.steps:
                if isinstance(event, ev.Closed):
                    stood_down = {(one.to.key, one.channel) for one in drafts} | {(event.by.own_key, Channel.TEXT)}
                    waiting = alarmed_until(world, event, [] if turn is not end else later, last)
                    assert waiting <= stood_down, event


def alarmed_until(world: World, end: ev.Closed, later: list[ev.Event], last: Dive) -> set[tuple[str, Channel]]:
    """To whom an alarm went, by which way, since the end before this one."""
    events = world.events()
    earlier = events[: events.index(end)] if end in events else events
    begun = max((place for place, one in enumerate(earlier) if isinstance(one, ev.Closed)), default=-1)
    since = set(map(id, earlier[begun + 1 :]))
    told = {
        (draft.to.key, draft.channel)
        for event, draft in world.drafts()
        if id(event) in since and draft.kind in ALARMS and draft.to.key != ADMINS
    }
    texted = {key for one in later if is_alarm(one) for key in alarmed_by(one, last)}
    return told | {(key, Channel.TEXT) for key in texted if last.declined_by(key) is None}


def asked(moment: Moment) -> int:
    """Ask every world of a moment; gives how many orders of all its deeds there are."""
    orders = 0
    for world in worlds(moment):
        turn = world.turns[-1]
        try:
            phases_only_rise(turn)
            only_the_right_word_ends_it_and_always_does(world)
            the_words_that_stand_say_whether_rescue_was_called(world)
            an_extension_counts_only_once_a_contact_has_it(world)
            nothing_is_said_twice_or_after_the_end(world)
            twice_is_as_good_as_once(turn)
            no_sweep_spins(turn)
            last, later = calm(world.dive, world.now)
            silence_raises_the_alarm(world, later, last)
            whoever_is_alarmed_hears_the_end(world, later, last)
        except AssertionError as fault:
            raise AssertionError(f"in this order: {world.order}") from fault
        orders += not world.left
    return orders


@pytest.mark.parametrize("moment", MOMENTS, ids=lambda one: one.name)
def test_whatever_the_order_what_must_hold_holds(moment: Moment) -> None:
    """Of all deeds and of fewer, at every node of the tree of orders, and after calm hours from there."""
    assert asked(moment) > 100


def fewer_stop_the_alarm(whole: Any) -> Any:
    """A clock that stands still once one of two is out."""
    return lambda dive: None if dive.partly_out else whole(dive)


def an_answer_stops_distress(whole: Any) -> Any:
    """A clock for which reading is resolving."""
    return lambda dive: None if dive.acknowledged else whole(dive)


def fewer_are_a_finish(_: Any) -> Any:
    """A heart that closes with one of two missing."""
    return lambda at, by, count, **_: ev.Closed(at, by, ev.Outcome.SURFACED, count)


def contacts_are_forgotten(whole: Any) -> Any:
    """A stand-down for the party alone."""
    return lambda dive, event: [one for one in whole(dive, event) if one not in dive.contacts]


def words_are_never_taken_back(_: Any) -> Any:
    """Whatever is said, rescue counts as called."""
    return lambda dive, _keys: dive.rescue_calls


def asking_is_enough(_: Any) -> Any:
    """A later due out that counts before a contact has it."""
    return lambda at, due_out_at, number, **_: ev.ExtensionTookEffect(at, due_out_at, number, "contact-0")


MUTANTS = (
    ("its raise-by time", ticking, "_contact_due_at", fewer_stop_the_alarm),
    ("contacts answer", ticking, "_distress_due_at", an_answer_stops_distress),
    ("contacts answer", finishing, "PartlyOut", fewer_are_a_finish),
    ("whether rescue was called", calling_rescue, "_without", words_are_never_taken_back),
    ("the end of an alarm", ending, "_told", contacts_are_forgotten),
    ("its raise-by time", extending, "ExtensionAsked", asking_is_enough),
)


@pytest.mark.parametrize(("around", "module", "name", "mutant"), MUTANTS, ids=[one[3].__name__ for one in MUTANTS])
def test_a_broken_rule_is_seen_in_some_order(
    around: str, module: ModuleType, name: str, mutant: Callable[[Any], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Questions that every heart can answer would prove nothing."""
    [moment] = [one for one in MOMENTS if one.name == around]
    monkeypatch.setattr(module, name, mutant(getattr(module, name)))

    with pytest.raises(AssertionError, match="in this order"):
        asked(moment)


def test_deeds_that_have_nothing_to_do_with_each_other_come_to_the_same_in_every_order() -> None:
    """What several people say at one instant of an alarm: one dive, whoever was first."""
    fix = Deed("a fix", do.ReportFix(diver("AT"), Position(47.12346, -20.54322)))
    wind = Deed("the wind", do.ReportConditions(contact(2), wind=Wind(270, 5)))
    deeds = (OK, SECOND_DEAF, fix, wind, Deed("the third is on scene", do.ReportOnScene(contact(2))), CALLED)
    moment = Moment("one instant", alarmed, (at(66),) * len(deeds), deeds)

    ends = {(what_matters(one.dive), one.dive.fixes, one.dive.conditions) for one in worlds(moment) if not one.left}

    assert len(ends) == 1
