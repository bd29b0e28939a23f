"""Which gateways may carry a message, and in which order."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.gateway import Route
from service.operations.routing import next_ways, ways

HERE, FARAWAY = "+447700900011", "+12025550101"
ALERT, REPLY = MessageKind.ALERT, MessageKind.REPLY


@dataclass(frozen=True)
class Way:
    """As much of a gateway as routing looks at."""

    name: str
    route: Route = field(default_factory=Route)
    channels: frozenset[Channel] = frozenset({Channel.TEXT})


def prefixed(name: str, *prefixes: str) -> Way:
    """One for these numbers."""
    return Way(name, Route(prefixes=prefixes))


def kept_for(name: str, *kinds: MessageKind) -> Way:
    """One for these kinds of message."""
    return Way(name, Route(kinds=frozenset(kinds)))


@pytest.mark.parametrize(
    ("gateways", "to", "kind", "order"),
    [
        pytest.param([Way("a"), Way("b")], HERE, ALERT, "ab", id="the order of the settings"),
        pytest.param([Way("a"), prefixed("b", "+44")], HERE, ALERT, "ba", id="a beginning before everything"),
        pytest.param(
            [prefixed("a", "+4"), prefixed("b", "+4477", "+1"), prefixed("c", "+44")], HERE, ALERT, "bca", id="longest"
        ),
        pytest.param([prefixed("c", "+44"), prefixed("b", "+4", "+4477")], HERE, ALERT, "bc", id="its own longest"),
        pytest.param([prefixed("b", "+4", "+1202"), prefixed("c", "+44")], HERE, ALERT, "cb", id="of those that fit"),
        pytest.param([Way("a"), prefixed("b", "+44")], FARAWAY, ALERT, "a", id="another country"),
        pytest.param([prefixed("b", "+44")], FARAWAY, ALERT, "", id="nobody serves that number"),
        pytest.param([Way("a"), kept_for("b", REPLY)], HERE, REPLY, "ba", id="one for the kind before everything"),
        pytest.param([Way("a"), kept_for("b", ALERT)], HERE, REPLY, "a", id="kept for other kinds"),
        pytest.param([kept_for("b", REPLY), Way("a")], HERE, ALERT, "ab", id="the last resort of an alarm"),
        pytest.param([kept_for("b", REPLY), Way("a")], HERE, MessageKind.DISTRESS, "ab", id="and of distress"),
        pytest.param([kept_for("b", REPLY), Way("a")], HERE, MessageKind.STAND_DOWN, "ab", id="and of its end"),
        pytest.param(
            [Way("a"), Way("b", Route(prefixes=("+44",), kinds=frozenset({REPLY})))], FARAWAY, ALERT, "a", id="neither"
        ),
    ],
)
def test_who_may_carry_it(gateways: list[Way], to: str, kind: MessageKind, order: str) -> None:
    """By the beginning of the number, then the kind, then the settings."""
    assert "".join(way.name for way in ways(gateways, Channel.TEXT, to, kind)) == order


@pytest.mark.parametrize(
    ("gateways", "kind", "order"),
    [
        pytest.param([Way("a"), Way("b"), Way("c")], REPLY, "bac", id="before the settings"),
        pytest.param([prefixed("a", "+44"), Way("b")], ALERT, "ba", id="before a beginning"),
        pytest.param([Way("a"), kept_for("b", REPLY)], ALERT, "ba", id="also as the last resort of an alarm"),
        pytest.param([Way("a"), kept_for("b", ALERT)], REPLY, "a", id="not where it is kept for other kinds"),
        pytest.param([Way("a"), prefixed("b", "+1")], ALERT, "a", id="not where it does not serve the number"),
    ],
)
def test_the_clubs_own_go_first(gateways: list[Way], kind: MessageKind, order: str) -> None:
    """Before all that is about cost; the others stay behind it."""
    assert "".join(way.name for way in ways(gateways, Channel.TEXT, HERE, kind, {"b"})) == order


def test_a_gateway_that_cannot_carry_the_channel_is_never_chosen() -> None:
    """Not even where there is no other."""
    calls = Way("c", channels=frozenset({Channel.CALL}))

    assert ways([calls], Channel.TEXT, HERE, ALERT) == ()
    assert ways([Way("a"), calls], Channel.CALL, HERE, ALERT) == (calls,)


def test_the_one_that_just_failed_is_left_out_while_there_is_another() -> None:
    """Only the last one: who failed before that has its turn again."""
    a, b, c = Way("a"), Way("b"), Way("c")

    assert next_ways((a, b, c), []) == (a, b, c)
    assert next_ways((a, b, c), ["a"]) == (b, c)
    assert next_ways((a, b, c), ["a", "b"]) == (a, c)
    assert next_ways((a,), ["a"]) == (a,)
