"""What a courier takes in hand: no more than it has hands for, and when it is worth looking again."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations import claiming
from service.operations.claiming import ALARMS_FIRST_S, LOOK_S, Claims
from service.operations.gateway import Route
from service.operations.parcels import Claimed
from tests.operations.stage import ScriptedGateway, Stage
from tests.operations.test_storm import queue

HERE, FARAWAY = "+4477009001", "+120255501"
QUICK = Route(segments_per_s=1_000.0)
ALERT, REPLY = MessageKind.ALERT, MessageKind.REPLY


def claims_of(stage: Stage, *gateways: ScriptedGateway) -> Claims:
    """Claims for a courier that carries by these."""
    return Claims(stage.service, gateways, "courier-1")


def numbers_of(claimed: Claimed) -> list[str]:
    """To whom what was claimed goes."""
    return [parcel.message.phone for parcel in claimed.parcels]


@pytest.mark.parametrize("route", [Route(), QUICK], ids=["no rate", "a rate"])
def test_a_courier_takes_no_more_than_it_has_hands_for(unchecked: Stage, route: Route) -> None:
    """The rest is free for another one; the lease of what only lay in its hands would run meanwhile."""
    stage = unchecked  # the numbers are nobody's
    stage.first.route = route
    queue(stage, [f"{HERE}{number:02}" for number in range(5)], ALERT)
    claims = claims_of(stage, stage.first)

    assert [len(claims.claim("urgent", 2).parcels) for _ in range(4)] == [2, 2, 1, 0]


@pytest.mark.parametrize("slow", [Channel.TEXT, Channel.CALL])
def test_whoever_waits_for_two_senders_looks_again_when_the_first_has_a_slot(unchecked: Stage, slow: Channel) -> None:
    """Whichever that is: else it sleeps on while it could send."""
    stage = unchecked  # the numbers are nobody's
    for gateway, channel in ((stage.first, Channel.TEXT), (stage.second, Channel.CALL)):
        gateway.channels, gateway.route = frozenset({channel}), Route(per_s=0.1 if channel is slow else 0.5)
        queue(stage, [f"{HERE}00", f"{HERE}01"], ALERT, channel)

    claimed = claims_of(stage, stage.first, stage.second).claim("urgent", 9)

    assert sorted(parcel.message.channel for parcel in claimed.parcels) == ["call", "text"]
    assert claimed.opens_at == stage.clock.at + timedelta(seconds=1)  # two seconds for each, and one may be early


def test_calls_that_wait_for_their_sender_hide_no_text_however_many_they_are(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More of them than are ever passed over, and all of them due before it."""
    stage = unchecked  # the numbers are nobody's
    monkeypatch.setattr(claiming, "PASSED_OVER_MAX", claiming.PAGE)
    stage.first.channels, stage.first.route = frozenset({Channel.CALL}), Route(per_s=0.1)
    stage.second.route = QUICK
    queue(stage, [f"+447700900{number:03}" for number in range(2 * claiming.PAGE)], ALERT, Channel.CALL)
    stage.clock.at += timedelta(seconds=1)
    queue(stage, [f"{FARAWAY}00"], ALERT)
    claims = claims_of(stage, stage.first, stage.second)

    assert len(claims.claim("urgent", 1).parcels) == 1

    assert numbers_of(claims.claim("urgent", 9)) == [f"{FARAWAY}00"]


def test_what_is_calm_is_looked_for_again_while_an_alarm_is_on_its_way(unchecked: Stage) -> None:
    """For a second at most, since a gateway that hangs keeps nothing calm waiting; and not beside an alarm."""
    stage = unchecked  # the numbers are nobody's
    queue(stage, [f"{HERE}00"], ALERT)
    queue(stage, [f"{HERE}01"], REPLY)
    claims = claims_of(stage, stage.first)

    assert numbers_of(claims.claim("all", 9)) == [f"{HERE}00"]
    waiting = claims.claim("all", 9)
    assert (waiting.parcels, waiting.opens_at) == ((), stage.clock.at + timedelta(seconds=LOOK_S))
    stage.clock.at += timedelta(seconds=ALARMS_FIRST_S)
    assert numbers_of(claims.claim("all", 9)) == [f"{HERE}01"]
