"""What follows from an attempt, as tables: every outcome for every kind of message, and how long is tried."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.gateway import Accepted, Blame, Outcome, Refused, Unknown
from service.operations.retrying import (
    ALARMS,
    DOUBT_ROOM_S,
    OWED,
    RULES,
    UNSENT_ROOM_S,
    Doubt,
    Fate,
    Room,
    Tried,
    after,
    after_lost,
    can_be_called,
)
from service.operations.routing import URGENT

DISTRESS, ALERT, STAND_DOWN, REMINDER, REPLY, NOTICE, OTHER = MessageKind
ALONE = Tried(tries=1, doubts=1)
AMONG_OTHERS = Tried(tries=1, doubts=1, other_gateway=True)
AGAIN, FAILED = Fate.AGAIN, Fate.FAILED


def outcome_of(cause: Blame | Doubt, retry_after_s: float | None = None) -> Outcome:
    """What a gateway answered."""
    return Unknown("silence") if isinstance(cause, Doubt) else Refused(cause, "1", "", retry_after_s)


def seconds(count: float) -> timedelta:
    """A length of time."""
    return timedelta(seconds=count)


def test_every_outcome_has_its_rule_and_every_kind_is_owed_something() -> None:
    """A new word for an outcome, or a new kind of message, cannot slip through."""
    assert set(RULES) == {*Blame, *Doubt}
    assert set(OWED) == set(MessageKind)


@pytest.mark.parametrize("kind", MessageKind, ids=lambda kind: kind.name)
def test_accepted_is_handed(kind: MessageKind) -> None:
    """For every kind of message."""
    assert after(Accepted("id"), kind, Tried(), Room()).fate is Fate.HANDED


# cause: what becomes of distress, alert, stand-down, reminder, reply, start notice, other news; first where another
# gateway was not asked yet, then where none is left
FATES: dict[Blame | Doubt, tuple[tuple[Fate, ...], tuple[Fate, ...]]] = {
    Blame.NUMBER: ((FAILED,) * 7, (FAILED,) * 7),
    Blame.OPTED_OUT: ((FAILED,) * 7, (FAILED,) * 7),
    Blame.NO_ROUTE: ((AGAIN,) * 7, (FAILED,) * 7),
    Blame.FILTERED: ((AGAIN,) * 7, (AGAIN,) * 3 + (FAILED,) * 4),
    Blame.GATEWAY: ((AGAIN,) * 7, (AGAIN,) * 7),
    Blame.THROTTLED: ((AGAIN,) * 7, (AGAIN,) * 7),
    Blame.TRANSIENT: ((AGAIN,) * 7, (AGAIN,) * 7),
    Doubt.NOT_THERE: ((AGAIN,) * 7, (AGAIN,) * 7),
    Doubt.UNKNOWN: ((AGAIN,) * 4 + (FAILED, AGAIN, FAILED),) * 2,
    Doubt.LOST: ((AGAIN,) * 4 + (FAILED, AGAIN, FAILED),) * 2,
}


@pytest.mark.parametrize("cause", [*Blame, *Doubt], ids=str)
@pytest.mark.parametrize(("tried", "column"), [(AMONG_OTHERS, 0), (ALONE, 1)], ids=["another left", "none left"])
def test_what_becomes_of_a_message_by_outcome_and_kind(cause: Blame | Doubt, tried: Tried, column: int) -> None:
    """The whole table: one row for each outcome, one column for each kind."""
    found = [
        after_lost(kind, tried, Room())
        if cause is Doubt.LOST
        else after(outcome_of(cause), kind, tried, Room(), not_there=cause is Doubt.NOT_THERE)
        for kind in MessageKind
    ]

    assert tuple(one.fate for one in found) == FATES[cause][column]
    if tried.other_gateway:
        assert all(one.wait == seconds(0) for one in found)


@pytest.mark.parametrize(
    ("cause", "tried", "told"),
    [
        (Blame.NUMBER, AMONG_OTHERS, "refused"),
        (Blame.OPTED_OUT, AMONG_OTHERS, "opted_out"),
        (Blame.NO_ROUTE, AMONG_OTHERS, None),
        (Blame.NO_ROUTE, ALONE, "refused"),
        (Blame.FILTERED, AMONG_OTHERS, None),
        (Blame.FILTERED, ALONE, "refused"),
        (Blame.GATEWAY, Tried(tries=100), None),
        (Blame.THROTTLED, Tried(tries=100), None),
        (Blame.TRANSIENT, Tried(tries=100), None),
        (Doubt.NOT_THERE, Tried(tries=100), None),
        (Doubt.UNKNOWN, Tried(tries=2, doubts=2), None),
        (Doubt.UNKNOWN, Tried(tries=3, doubts=3), "refused"),
        (Doubt.LOST, Tried(tries=9, doubts=2, lost=2), None),
        (Doubt.LOST, Tried(tries=3, doubts=3, lost=3), "refused"),
    ],
    ids=str,
)
def test_when_the_ladder_waits_for_a_contact_no_longer(cause: Blame | Doubt, tried: Tried, told: str | None) -> None:
    """Gateways that are down are no reason to alert the next contact, who hangs on the same ones."""
    found = (
        after_lost(ALERT, tried, Room())
        if cause is Doubt.LOST
        else after(outcome_of(cause), ALERT, tried, Room(), not_there=cause is Doubt.NOT_THERE)
    )

    assert found.unreachable == told


@pytest.mark.parametrize(("tries", "told"), [(3, None), (4, "refused")])
@pytest.mark.parametrize("cause", [Blame.GATEWAY, Blame.THROTTLED, Blame.TRANSIENT, Doubt.NOT_THERE], ids=str)
def test_where_a_call_can_be_made_it_begins_instead_of_waiting(
    cause: Blame | Doubt, tries: int, told: str | None
) -> None:
    """Texts that four tries do not get out are not waited for, and are tried on; a reminder is no reason to call."""
    room = Room(can_call=True)
    not_there = cause is Doubt.NOT_THERE

    found = after(outcome_of(cause), ALERT, Tried(tries=tries), room, not_there=not_there)

    assert (found.fate, found.unreachable) == (AGAIN, told)
    calm = after(outcome_of(cause), REMINDER, Tried(tries=tries), room, not_there=not_there)
    assert calm.unreachable is None


def test_that_a_call_can_be_made_lets_nobody_wait_for_longer() -> None:
    """The third text in doubt is enough, with calls as without."""
    following = after(outcome_of(Doubt.UNKNOWN), ALERT, Tried(tries=3, doubts=3), Room(can_call=True))

    assert following.unreachable == "refused"


def test_who_can_be_called() -> None:
    """Whoever was to get a text, where any gateway makes calls."""
    assert can_be_called(Channel.TEXT, frozenset({Channel.TEXT, Channel.CALL}))
    assert not can_be_called(Channel.TEXT, frozenset({Channel.TEXT, Channel.EMAIL}))
    assert not can_be_called(Channel.CALL, frozenset(Channel))


@pytest.mark.parametrize("kind", MessageKind, ids=lambda kind: kind.name)
def test_what_is_urgent_outlives_a_gateway_without_a_route_while_there_is_another(kind: MessageKind) -> None:
    """The other one was asked and may only have been busy; nobody waits for this contact meanwhile."""
    tried = Tried(tries=3, among_others=True)

    following = after(outcome_of(Blame.NO_ROUTE), kind, tried, Room())

    assert following.fate is (AGAIN if kind in URGENT else FAILED)
    if kind in URGENT:
        assert following.unreachable == "refused"


def test_only_lost_carriers_end_an_alarm_and_not_answers_in_doubt() -> None:
    """A deploy in the middle of an outage is no proof that the text breaks us."""
    assert after_lost(ALERT, Tried(tries=9, doubts=9, lost=2), Room()).fate is AGAIN
    assert after_lost(ALERT, Tried(tries=9, doubts=9, lost=3), Room()).fate is FAILED


@pytest.mark.parametrize("kind", ALARMS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("tries", [1, 2, 3, 10, 1_000])
@pytest.mark.parametrize("cause", [Blame.GATEWAY, Blame.THROTTLED, Blame.FILTERED, Blame.TRANSIENT, Doubt.UNKNOWN])
def test_an_alarm_is_tried_again_within_a_minute_whatever_happened(
    kind: MessageKind, tries: int, cause: Blame | Doubt
) -> None:
    """However often it failed: only its own dive ends that."""
    doubts = tries if cause is Doubt.UNKNOWN else 0

    following = after(outcome_of(cause, 3_600), kind, Tried(tries, doubts), Room())

    assert following.fate is AGAIN
    assert following.wait <= seconds(60 if cause in (Doubt.UNKNOWN, Blame.FILTERED) else 10)


@pytest.mark.parametrize("cause", [Blame.TRANSIENT, Doubt.UNKNOWN], ids=str)
def test_an_alarm_makes_room_once_the_ladder_has_gone_on(cause: Blame | Doubt) -> None:
    """The next one is under way: it is tried on, but more rarely each time, up to a bound."""
    waits = [after(outcome_of(cause), ALERT, Tried(n, n), Room(moved_on=True)).wait for n in range(1, 30)]

    assert waits == sorted(waits)
    within = after(outcome_of(cause), ALERT, Tried(1, 1), Room()).wait
    assert waits[0] > within
    assert waits[-1] == seconds(UNSENT_ROOM_S[-1] if cause is Blame.TRANSIENT else DOUBT_ROOM_S[-1])


@pytest.mark.parametrize(
    ("asked", "kind", "waits"),
    [
        (1.0, ALERT, 1),
        (3_600.0, ALERT, 10),
        (0.0, ALERT, 0.5),
        (None, ALERT, 5),
        (60.0, REMINDER, 60),
        (3_600.0, REMINDER, 300),
    ],
)
def test_retry_after_is_obeyed_within_bounds(asked: float | None, kind: MessageKind, waits: float) -> None:
    """An alarm waits ten seconds at most, what is calm five minutes."""
    refused = Refused(Blame.THROTTLED, "429", "", retry_after_s=asked)

    assert after(refused, kind, Tried(), Room()).wait == seconds(waits)


@pytest.mark.parametrize(
    ("kind", "room", "fate"),
    [
        (REMINDER, Room(step_s=3.1), AGAIN),
        (REMINDER, Room(step_s=3.0), FAILED),
        (REMINDER, Room(of_use_s=3.0, step_s=60), FAILED),
        (REPLY, Room(of_use_s=3.1), AGAIN),
        (REPLY, Room(of_use_s=3.0), FAILED),
        (NOTICE, Room(of_use_s=3.0), FAILED),
        (NOTICE, Room(step_s=3.0), AGAIN),
        (STAND_DOWN, Room(waited_s=35_996), AGAIN),
        (STAND_DOWN, Room(waited_s=35_997), FAILED),
        (OTHER, Room(waited_s=896), AGAIN),
        (OTHER, Room(waited_s=897), FAILED),
        (ALERT, Room(waited_s=1e6, of_use_s=-1, step_s=-1), AGAIN),
        (DISTRESS, Room(waited_s=1e6, of_use_s=-1, step_s=-1), AGAIN),
    ],
    ids=str,
)
def test_nothing_is_tried_again_after_the_time_that_it_has(kind: MessageKind, room: Room, fate: Fate) -> None:
    """The next try would be in three seconds: the dive's next step and the use of the message decide, to the second."""
    assert after(outcome_of(Blame.TRANSIENT), kind, Tried(tries=2), room).fate is fate


@pytest.mark.parametrize(
    ("kind", "doubts", "fate"),
    [(STAND_DOWN, 7, AGAIN), (STAND_DOWN, 8, FAILED), (REMINDER, 2, AGAIN), (REMINDER, 3, FAILED), (NOTICE, 8, FAILED)],
)
def test_what_may_have_got_through_is_not_sent_without_end(kind: MessageKind, doubts: int, fate: Fate) -> None:
    """Each try in doubt may be one copy more; only for an alarm that has no bound."""
    assert after(Unknown(""), kind, Tried(doubts, doubts), Room()).fate is fate
