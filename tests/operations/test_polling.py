"""Asking gateways for texts: what was never posted is found, what is known is passed over, and faults are told."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from service.clock import PacedClock
from service.operations import polling
from service.operations.gateway import InboundText, Route
from service.operations.polling import BACK_MAX_S, OVERDUE_AFTER_S, OVERLAP_S, poll
from service.operations.receiving import receive_text
from service.operations.service import Service
from service.store import polls
from tests.operations.stage import ANNA, BRAM, CLUB, FINN, OURS, HandMovedClock, ScriptedGateway, Stage
from tests.operations.test_arrival import at_once

OVERLAP, BACK_MAX = timedelta(seconds=OVERLAP_S), timedelta(seconds=BACK_MAX_S)
MINUTE = timedelta(minutes=1)


class Listing(ScriptedGateway):
    """A gateway with a list, that notes from when on it was asked."""

    def __init__(self, stage: Stage, name: str = "first") -> None:
        super().__init__(name, stage.clock, stage.first.counter, route=Route(lists=True), inbox=[])
        self.asked_since: list[datetime] = []

    def recent_texts(self, since: datetime, now: datetime) -> list[InboundText] | None:
        """Give what lies in the inbox, if there is one."""
        self.asked_since.append(since)
        return super().recent_texts(since, now)


def text(stage: Stage, body: str, sid: str = "SM1", sender: str = ANNA) -> InboundText:
    """A text as the first gateway lists it, of half a minute ago."""
    return InboundText("first", sid, sender, OURS, body, {"Body": body}, stage.clock.at - MINUTE / 2)


@pytest.fixture
def gateway(stage: Stage) -> Listing:
    """A gateway with an empty list."""
    return Listing(stage)


def ask(stage: Stage, *gateways: ScriptedGateway) -> int:
    """A minute goes by, and the gateways are asked."""
    stage.clock.at += MINUTE
    return poll(stage.service, gateways)


def test_a_finish_that_was_never_posted_is_found(stage: Stage, gateway: Listing) -> None:
    """Stored, acted on, and marked in the log, with the time at which the gateway had it."""
    dive = stage.dive_in()
    stage.clock.at += MINUTE
    gateway.inbox = [text(stage, "OUT 2")]

    assert poll(stage.service, [gateway]) == 1

    assert not stage.dive(dive.id).live
    [entry] = [one for one in stage.entries(chain=f"club:{CLUB}") if (one.detail or {}).get("way") == "listed"]
    assert (entry.kind, (entry.detail or {})["provider_id"]) == ("text_in", "SM1")
    assert datetime.fromisoformat((entry.detail or {})["received_at"]) == stage.clock.at - MINUTE / 2
    stage.courier.carry()


def test_what_was_posted_is_passed_over(stage: Stage, gateway: Listing) -> None:
    """However often it is listed: one event, one entry."""
    dive = stage.dive_in()
    gateway.inbox = [text(stage, "LATE 20")]
    inbound_id = receive_text(stage.service, gateway.inbox[0], authentic=True)
    assert inbound_id is not None
    stage.answer(inbound_id)

    assert [ask(stage, gateway) for _ in range(3)] == [0, 0, 0]

    assert stage.kinds(dive).count("event:extension_asked") == 1
    assert not [one for one in stage.entries(chain=f"club:{CLUB}") if (one.detail or {}).get("way")]


def test_a_forged_copy_does_not_hide_the_real_text(stage: Stage, gateway: Listing) -> None:
    """A stranger may know an id; only what was proven is known."""
    dive = stage.dive_in()
    gateway.inbox = [text(stage, "OUT 2")]
    receive_text(stage.service, gateway.inbox[0], authentic=False)

    assert ask(stage, gateway) == 1
    assert not stage.dive(dive.id).live
    stage.courier.carry()


def test_it_is_asked_from_where_it_was_read_to(stage: Stage, gateway: Listing) -> None:
    """With an overlap, since a text may get into the list late; after an outage from before it, within half a day."""
    begun = stage.clock.at
    ask(stage, gateway)
    ask(stage, gateway)
    stage.clock.at += timedelta(hours=3)
    ask(stage, gateway)
    stage.clock.at += timedelta(days=3)
    ask(stage, gateway)

    now = stage.clock.at
    assert gateway.asked_since == [
        begun + MINUTE - OVERLAP,
        begun + MINUTE - OVERLAP,
        begun + 2 * MINUTE - OVERLAP,
        now - BACK_MAX,
    ]


@pytest.mark.parametrize(("seconds", "asked"), [(44, 1), (46, 2)])
def test_it_is_not_asked_again_at_once(stage: Stage, gateway: Listing, seconds: int, asked: int) -> None:
    """Two beats send two ticks a minute: one of them asks."""
    poll(stage.service, [gateway])
    stage.clock.at += timedelta(seconds=seconds)
    poll(stage.service, [gateway])

    assert len(gateway.asked_since) == asked


@pytest.mark.parametrize(("seconds", "asked"), [(OVERDUE_AFTER_S - 1, 1), (OVERDUE_AFTER_S + 1, 2)])
def test_the_keeper_asks_only_when_the_workers_do_not(
    stage: Stage, gateway: Listing, seconds: float, asked: int
) -> None:
    """It looks every five seconds, and the workers ask every minute."""
    poll(stage.service, [gateway])
    stage.clock.at += timedelta(seconds=seconds)
    poll(stage.service, [gateway], OVERDUE_AFTER_S)

    assert len(gateway.asked_since) == asked


def test_the_limits_are_real_seconds_in_a_demo_too(stage: Stage, gateway: Listing) -> None:
    """At pace 60 a list is read again after 45 minutes of its clock, 45 real seconds."""
    paced = Service(stage.engine, PacedClock(60.0, stage.clock.at), stage.service.public_url, "worker-1")
    now = paced.clock.now()
    stage.service.write(lambda session: polls.claim(session, "first", now, read_before=now, until_at=now))
    for minutes, asked in ((40, 0), (50, 1)):
        read_to_at = now - timedelta(minutes=minutes)
        stage.service.write(lambda session, at=read_to_at: polls.done(session, "first", at))

        poll(paced, [gateway])
        assert len(gateway.asked_since) == asked


def test_many_at_once_ask_once(stage: Stage, gateway: Listing) -> None:
    """Two workers and two keepers: one has the list, the others go on with their work."""
    dive = stage.dive_in()
    stage.clock.at += MINUTE
    gateway.inbox = [text(stage, "LATE 20")]

    at_once([lambda: poll(stage.service, [gateway]) for _ in range(4)])

    assert len(gateway.asked_since) == 1
    assert stage.kinds(dive).count("event:extension_asked") == 1
    stage.courier.carry()


def test_who_died_while_asking_is_followed_by_another(
    stage: Stage, gateway: Listing, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The claim runs out, and what was not stored is found again."""
    dive = stage.dive_in()
    stage.clock.at += MINUTE
    gateway.inbox = [text(stage, "OUT 2")]

    def die(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(polling, "receive_text", die)
    with pytest.raises(KeyboardInterrupt):
        poll(stage.service, [gateway])
    monkeypatch.undo()
    assert poll(stage.service, [gateway]) == 0

    assert ask(stage, gateway) == 1
    assert not stage.dive(dive.id).live
    stage.courier.carry()


def test_three_faults_in_a_row_are_told(stage: Stage, gateway: Listing, caplog: pytest.LogCaptureFixture) -> None:
    """One may be passing. The third is in the log and told to the admins, once; the texts meanwhile are not lost."""
    dive = stage.dive_in()
    gateway.inbox = None
    for _ in range(2):
        ask(stage, gateway)
    assert "gateway_list_unreadable" not in [entry.kind for entry in stage.entries(chain="service")]
    for _ in range(3):
        ask(stage, gateway)

    [entry] = [one for one in stage.entries(chain="service") if one.kind == "gateway_list_unreadable"]
    assert entry.detail == {"gateway": "first"}
    levels = [record.levelname for record in caplog.records if record.message == "poll_failed"]
    assert levels == ["WARNING", "WARNING", "ERROR", "ERROR", "ERROR"]
    stage.courier.carry()
    assert len([body for body in stage.to(FINN) if "list of texts of gateway first" in body]) == 1

    stage.clock.at += MINUTE
    gateway.inbox = [text(stage, "OUT 2")]
    assert poll(stage.service, [gateway]) == 1
    assert not stage.dive(dive.id).live
    stage.courier.carry()


def test_faults_count_anew_once_it_was_read(stage: Stage, gateway: Listing) -> None:
    """Two, then a success, then two: nothing to tell."""
    for readable in (False, False, True, False, False):
        gateway.inbox = [] if readable else None
        ask(stage, gateway)

    assert "gateway_list_unreadable" not in [entry.kind for entry in stage.entries(chain="service")]


def test_one_gateway_that_fails_hides_no_other(stage: Stage, gateway: Listing) -> None:
    """Each has its list, its claim and its faults."""
    dive = stage.dive_in()
    broken = Listing(stage, "second")
    broken.inbox = None
    stage.clock.at += MINUTE
    gateway.inbox = [text(stage, "OUT 2")]

    assert poll(stage.service, [broken, gateway]) == 1
    assert not stage.dive(dive.id).live
    stage.courier.carry()


def test_a_gateway_without_a_list_is_not_asked(stage: Stage) -> None:
    """Nothing is written about it either."""
    gateway = Listing(stage)
    gateway.route = Route()

    assert ask(stage, gateway) == 0
    assert gateway.asked_since == []


def test_a_text_that_breaks_us_hides_no_other(stage: Stage, gateway: Listing, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is stored, and a sweep tries it again; the one behind it closes the dive."""
    dive = stage.dive_in()
    stage.clock.at += MINUTE
    gateway.inbox = [text(stage, "hello", "SM1", BRAM), text(stage, "OUT 2", "SM2")]
    whole = polling.answer_text
    tried: list[int] = []

    def broken(service: Service, inbound_id: int) -> None:
        tried.append(inbound_id)
        if len(tried) == 1:
            raise ValueError("broken on purpose")
        whole(service, inbound_id)

    monkeypatch.setattr(polling, "answer_text", broken)

    assert poll(stage.service, [gateway]) == 2
    assert not stage.dive(dive.id).live
    stage.wait(minutes=1)


def test_a_gateway_whose_clock_is_ahead_makes_no_text_wait(stage: Stage, gateway: Listing) -> None:
    """What it dates an hour from now came now."""
    stage.clock.at += MINUTE
    gateway.inbox = [
        InboundText("first", "SM1", ANNA, OURS, "status", {}, stage.clock.at + timedelta(hours=1)),
    ]

    assert ask(stage, gateway) == 1
    assert isinstance(stage.clock, HandMovedClock)
    stage.wait(minutes=2)
