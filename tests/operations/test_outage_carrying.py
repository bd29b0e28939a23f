"""A keeper's courier: nothing of a dive that is over goes out after its end, whatever was on its way then."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from msgspec.structs import replace

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations import outage_carrying
from service.operations.gateway import Blame, Outcome, Outgoing, Route, Unknown
from service.operations.outage_carrying import OutageCourier
from service.operations.outage_journal import Journal, Told
from service.operations.snapshotting import KeeperFiles
from tests.operations.away import NOT_CONFIRMED, Keeping, alarms, armed, gone
from tests.operations.stage import (
    ANNA,
    BEGIN_AT,
    CLEO,
    DOV,
    HandMovedClock,
    ScriptedGateway,
    Stage,
    accept,
    lose_the_answer,
    refuse,
    time_out,
)

ALARM = Told(
    id="alarm",
    club_id="skerry-bay",
    dive_id="dive",
    person_key="contact-0",
    name="Cleo Marsh",
    phone=CLEO,
    email=None,
    channel=Channel.TEXT,
    language="en",
    kind=int(MessageKind.ALERT),
    rank=0,
    step="outage-1-alert",
    subject=None,
    body="OVERDUE",
    segments=1,
    queued_at=BEGIN_AT,
    due_at=BEGIN_AT,
)


@dataclass
class Slow:
    """A gateway's answer that comes when it is let go, and says nothing."""

    asked: threading.Event = field(default_factory=threading.Event)
    let_go: threading.Event = field(default_factory=threading.Event)

    def __call__(self, _: ScriptedGateway, __: Outgoing) -> Outcome:
        """Wait for that."""
        self.asked.set()
        assert self.let_go.wait(30)
        return Unknown("no answer within 8 s")


def a_courier(stage: Stage, directory: Path) -> tuple[OutageCourier, Journal, HandMovedClock]:
    """One keeper's, by the first gateway alone, with its journal."""
    files = KeeperFiles(directory, "s" * 40)
    files.directory.mkdir(parents=True, exist_ok=True)
    clock, journal = HandMovedClock(), Journal(files)
    return OutageCourier(journal, [stage.first], clock), journal, clock


def told(step: str, kind: MessageKind = MessageKind.ALERT, **changes: Any) -> Told:
    """A message of that step to the first contact; its words are its step."""
    return replace(ALARM, id=step, step=step, kind=int(kind), body=step, **changes)


DISTRESS = told("outage-1-distress-9", MessageKind.DISTRESS)
NEWS = told("outage-1-partly_out-10")


@pytest.mark.parametrize(
    ("older", "newer", "go"),
    [
        (DISTRESS, NEWS, ["outage-1-distress-9", "outage-1-partly_out-10"]),
        (told("outage-1-alert-7"), told("outage-1-called-8"), ["outage-1-alert-7", "outage-1-called-8"]),
        (told("alert-7"), told("outage-1-late-8"), ["alert-7", "outage-1-late-8"]),
        (NEWS, DISTRESS, ["outage-1-distress-9", "outage-1-partly_out-10"]),
        (told("raised-4"), DISTRESS, ["outage-1-distress-9", "raised-4"]),
        (told("outage-1-alert-7"), DISTRESS, ["outage-1-distress-9"]),
        (told("alert-7"), DISTRESS, ["outage-1-distress-9"]),
        (told("distress-8", MessageKind.DISTRESS), DISTRESS, ["outage-1-distress-9"]),
        (DISTRESS, told("outage-1-distress_again-12", MessageKind.DISTRESS), ["outage-1-distress_again-12"]),
        (told("alert-7", person_key="contact-1"), DISTRESS, ["outage-1-distress-9", "alert-7"]),
        (told("alert-7", channel=Channel.CALL), DISTRESS, ["outage-1-distress-9", "alert-7"]),
        (told("alert-7", dive_id="other"), DISTRESS, ["outage-1-distress-9", "alert-7"]),
    ],
)
@pytest.mark.parametrize("again", [False, True], ids=["the same keeper", "another one"])
def test_only_a_rung_that_says_all_again_takes_the_place_of_an_older_one(
    unchecked: Stage, tmp_path: Path, older: Told, newer: Told, go: list[str], *, again: bool
) -> None:
    """News of an alarm says neither where nor since when; a keeper that is started anew does the same."""
    stage = unchecked  # what is carried is of no dive
    stage.first.channels = frozenset(Channel)
    courier, journal, _ = a_courier(stage, tmp_path)
    journal.write([older, newer])
    if again:
        courier.take_up(journal.read())
    else:
        courier.add([older])
        courier.add([newer])

    courier.carry(0.2)
    courier.close()

    assert sorted(text.body for text in stage.first.asked) == sorted(go)
    stage.first.channels = stage.second.channels


@pytest.mark.parametrize("again", [False, True], ids=["the same keeper", "another one"])
def test_a_rung_that_waits_for_its_next_try_gives_way_to_what_says_all_again(
    unchecked: Stage, tmp_path: Path, *, again: bool
) -> None:
    """As where there is a database; it keeps the place of the older one, and one that is being handed over stays."""
    stage = unchecked  # what is carried is of no dive
    courier, journal, clock = a_courier(stage, tmp_path)
    stage.first.usually = refuse(Blame.TRANSIENT)
    first = told("outage-1-distress-9", MessageKind.DISTRESS, rank=0)
    second = told("outage-1-distress_again-12", MessageKind.DISTRESS, rank=7)
    journal.write([first])
    courier.add([first])
    courier.carry(0.2)
    journal.write([second])
    if again:
        courier.close()
        courier, _, _ = a_courier(stage, tmp_path)
        courier.take_up(journal.read())
    else:
        courier.add([second])
    stage.first.usually = accept
    clock.at += timedelta(hours=1)
    courier.carry(0.2)
    courier.close()

    assert [text.body for text in stage.first.asked] == [first.body, second.body]
    assert courier._parcels[second.id].told.rank == 0


def test_a_rung_that_is_being_handed_over_stays(unchecked: Stage, tmp_path: Path) -> None:
    """Nobody knows whether it gets through."""
    stage = unchecked  # what is carried is of no dive
    courier, journal, clock = a_courier(stage, tmp_path)
    slow = Slow()
    stage.first.usually = slow
    journal.write([DISTRESS])
    courier.add([DISTRESS])
    courier.carry(0.2)
    assert slow.asked.wait(30)

    courier.add([told("outage-1-distress_again-12", MessageKind.DISTRESS)])
    slow.let_go.set()
    stage.first.usually = accept
    for _ in range(4):
        courier.carry(0.2)
        clock.at += timedelta(minutes=1)
    courier.close()

    bodies = [text.body for text in stage.first.asked]
    assert sorted(bodies) == sorted([DISTRESS.body, DISTRESS.body, "outage-1-distress_again-12"])


def test_news_of_an_alarm_does_not_keep_the_alarm_from_whoever_waits_for_a_slow_sender(
    unchecked: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Distress goes to the first contact and waits for the second as one of two comes out: both get all of it."""
    stage, keeping = unchecked, Keeping(unchecked, tmp_path)

    def pause(length_s: float) -> None:
        stage.clock.at += timedelta(seconds=length_s)

    monkeypatch.setattr(outage_carrying, "time", SimpleNamespace(sleep=pause, monotonic=time.monotonic))
    armed(keeping)
    stage.second.route = Route(prefixes=("+99",))
    with gone(stage.engine):
        keeping.without(minutes=14)
        stage.first.route = Route(segments_per_s=0.2)
        keeping.start_again()
        while not any("CALL RESCUE NOW" in body for body in stage.to(CLEO)):
            keeping.without(seconds=10)
        assert not any("CALL RESCUE NOW" in body for body in stage.to(DOV))
        keeping.spooled(ANNA, "OUT 1")
        keeping.without(minutes=2)

    last = stage.to(DOV)[-2:]
    assert "CALL RESCUE NOW" in last[0]
    assert "47.12345" in last[0]
    assert "1 of 2 out" in last[1]
    keeping.standby.close()


def test_an_alarm_that_was_with_a_gateway_when_its_dive_ended_is_not_tried_again(stage: Stage, tmp_path: Path) -> None:
    """Nobody knows whether it got through; its stand-down follows it, and no alarm comes after that."""
    files = KeeperFiles(tmp_path, "s" * 40)
    files.directory.mkdir(parents=True)
    clock, slow = HandMovedClock(), Slow()
    stage.first.usually = slow
    courier = OutageCourier(Journal(files), [stage.first], clock)
    courier.add([ALARM])
    courier.carry(0.2)
    assert slow.asked.wait(30)

    courier.drop("dive")
    slow.let_go.set()
    stage.first.usually = accept
    for _ in range(5):
        courier.carry(0.2)
        clock.at = clock.at.replace(hour=clock.at.hour + 1)
    courier.close()

    assert len(stage.first.asked) == 1


@pytest.mark.parametrize("again", [False, True], ids=["the same keeper", "another one"])
def test_an_alarm_that_nobody_took_before_the_finish_goes_out_no_more(
    unchecked: Stage, tmp_path: Path, *, again: bool
) -> None:
    """The gateways come back after the finish was heard: the alarm is over, also for a keeper that was started anew."""
    stage, keeping = unchecked, Keeping(unchecked, tmp_path)
    armed(keeping)
    stage.first.usually = stage.second.usually = time_out
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=10)
        keeping.spooled(ANNA, "OUT")
        keeping.without(seconds=10)
        if again:
            keeping.start_again()
        stage.first.usually = stage.second.usually = accept
        keeping.without(minutes=10)
        assert alarms(stage, CLEO) == []
        assert NOT_CONFIRMED not in stage.last_to(CLEO)
    keeping.standby.close()


@pytest.mark.parametrize("known", [False, True], ids=["heard by the keeper alone", "in the database before it went"])
def test_a_stand_down_that_no_gateway_took_is_sent_when_the_database_is_back(
    unchecked: Stage, tmp_path: Path, *, known: bool
) -> None:
    """Who may have the alarm is not left with it because the keeper's stand-down got nowhere."""
    stage, keeping = unchecked, Keeping(unchecked, tmp_path)
    armed(keeping)
    if known:
        stage.text(ANNA, "OUT")
    with gone(stage.engine):
        stage.first.usually = stage.second.usually = lose_the_answer
        keeping.without(minutes=2)
        stage.first.usually = stage.second.usually = time_out
        keeping.spooled(ANNA, "OUT")
        keeping.without(seconds=20)
        assert NOT_CONFIRMED in stage.last_to(CLEO)
    stage.first.usually = stage.second.usually = accept
    keeping.look()
    stage.turn()

    assert NOT_CONFIRMED not in stage.last_to(CLEO)
    keeping.standby.close()


@pytest.mark.parametrize("until", ["the gateways are back", "a keeper is started again", "the database is back"])
def test_a_stand_down_that_nobody_took_follows_no_alarm_that_opened_the_dive_again(
    unchecked: Stage, tmp_path: Path, until: str
) -> None:
    """They came out, then one of them collapsed: nobody reads last that it is over."""
    stage, keeping = unchecked, Keeping(unchecked, tmp_path)
    armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=3)
        stage.first.usually = stage.second.usually = time_out
        keeping.spooled(ANNA, "OUT")
        keeping.hears(ANNA, "SOS Bram has collapsed", minutes=1)
        if until == "a keeper is started again":
            keeping.start_again()
        if until != "the database is back":
            stage.first.usually = stage.second.usually = accept
            keeping.without(minutes=5)
    stage.first.usually = stage.second.usually = accept
    keeping.look()
    stage.wait(minutes=5)

    assert any("Bram has collapsed" in body for body in stage.to(CLEO))
    assert not any("It is over" in body for body in stage.to(CLEO))
    keeping.standby.close()


@pytest.mark.parametrize(
    ("kind", "answer"),
    [(MessageKind.REPLY, time_out), (MessageKind.ALERT, refuse(Blame.NUMBER))],
    ids=["a reply that may have got through", "a number that takes none of our texts"],
)
def test_a_keeper_that_is_started_again_tries_nothing_that_was_given_up(
    stage: Stage, tmp_path: Path, kind: MessageKind, answer: Any
) -> None:
    """The one before it did not, and nobody is served by a copy."""
    courier, journal, _ = a_courier(stage, tmp_path)
    stage.first.usually = answer
    [message] = messages = [told("outage-1-x-1", kind)]
    journal.write(messages)
    courier.add(messages)
    courier.carry(1)
    courier.close()

    after, *_ = a_courier(stage, tmp_path)
    stage.first.usually = accept
    after.take_up(journal.read())
    after.carry(1)
    after.close()

    assert [one.reference for one in stage.first.asked] == [message.id]
