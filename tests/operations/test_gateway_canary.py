"""The daily test through each gateway: when, once, what is told where it fails, and how a gateway is shown."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.domain.people import Channel
from service.operations.breaking import Standing
from service.operations.gateway import Accepted, Blame, Described, Outcome, Outgoing, ReceiptState, Route
from service.operations.gateway_canary import due_since, fault_of, look_after_canaries
from service.operations.gateway_health import GatewayHealth, gateway_health, what_was_loud
from service.store import gateways
from service.store.gateways import Canary
from tests.operations.stage import (
    ANNA,
    BEGIN_AT,
    FINN,
    ScriptedGateway,
    Stage,
    Taken,
    break_down,
    refuse,
    time_out,
)
from tests.store.test_at_once import all_at_once

OPERATOR = "+447700900777"
SECOND = timedelta(seconds=1)
SENT = Canary(1, "first", BEGIN_AT, "accepted", None, None, "first-1", None)


def with_canary(stage: Stage, *, receipts: bool = True) -> None:
    """The first gateway has a number for tests, the second none."""
    stage.first.route = Route(canary=OPERATOR)
    stage.first.sends_receipts = receipts


def look(stage: Stage) -> int:
    """Once, as beat does every minute."""
    return look_after_canaries(stage.service, [stage.first, stage.second])


def taken_tests(stage: Stage) -> list[Taken]:
    """The tests that were taken."""
    return [taken for taken in stage.journal if taken.to == OPERATOR]


def to_admin(stage: Stage) -> list[str]:
    """What the admin was told, without the club's name."""
    stage.turn()
    return [body.partition(": ")[2] for body in stage.to(FINN)]


def shown(stage: Stage) -> GatewayHealth:
    """How the first gateway is shown."""
    first = stage.first
    about = Described("first", "form-post", first.channels, first.sends_receipts, first.route.canary is not None)
    return gateway_health(stage.service, [about])[0]


# When


@pytest.mark.parametrize(
    ("now", "since"),
    [
        ("2027-06-01T07:59:59", "2027-05-31T08:00"),
        ("2027-06-01T08:00:00", "2027-06-01T08:00"),
        ("2027-06-02T00:30:00", "2027-06-01T08:00"),
        ("2027-01-05T08:59:59", "2027-01-04T09:00"),
        ("2027-01-05T09:00:00", "2027-01-05T09:00"),
        ("2027-03-28T07:59:59", "2027-03-27T09:00"),
        ("2027-03-28T08:00:00", "2027-03-28T08:00"),
    ],
)
def test_a_test_is_due_at_nine_in_the_clubs_own_morning(now: str, since: str) -> None:
    """In summer, in winter, and on the morning after the clocks went forward."""
    assert due_since("Europe/London", datetime.fromisoformat(now).replace(tzinfo=UTC)) == datetime.fromisoformat(
        since
    ).replace(tzinfo=UTC)


def test_one_test_a_day_goes_through_each_gateway_that_has_a_number_for_it(stage: Stage) -> None:
    """However often it is looked; the next comes on the next morning."""
    with_canary(stage)

    assert [look(stage) for _ in range(3)] == [1, 0, 0]
    [taken] = taken_tests(stage)
    assert taken.body == (
        "Linetender: TEST of gateway first, 01.06.2027. Sent once a day by itself. No dive is meant, do nothing."
    )
    stage.receipt(taken, ReceiptState.DELIVERED)
    stage.clock.at = datetime(2027, 6, 2, 7, 59, 59, tzinfo=UTC)
    assert look(stage) == 0

    stage.clock.at += SECOND

    assert look(stage) == 1
    assert {taken.gateway for taken in taken_tests(stage)} == {"first"}


def test_two_that_look_at_once_send_one_test(stage: Stage) -> None:
    """It is claimed before it is sent."""
    with_canary(stage)

    assert sorted(all_at_once(lambda _: look(stage))) == [0, 0, 1]
    assert len(taken_tests(stage)) == 1


def test_an_e_mail_address_is_tested_by_e_mail(stage: Stage) -> None:
    """With a subject that says what it is."""
    stage.first.route = Route(canary="tests@club.example")
    stage.first.channels = frozenset({Channel.EMAIL})

    look(stage)

    [asked] = stage.first.asked
    assert (asked.channel, asked.subject) == (Channel.EMAIL, "TEST of gateway first")


# What is wrong with one


@pytest.mark.parametrize(
    ("changes", "age_s", "fault"),
    [
        pytest.param({}, 119, None, id="a second left"),
        pytest.param({}, 120, "was accepted and not delivered", id="no receipt in time"),
        pytest.param({"delivered_at": BEGIN_AT}, 9_999, None, id="delivered"),
        pytest.param({"outcome": "sending"}, 59, None, id="under way"),
        pytest.param({"outcome": "sending"}, 60, "got no answer", id="died on its way"),
        pytest.param({"outcome": "refused", "code": "20003"}, 0, "was not accepted (20003)", id="refused"),
        pytest.param({"outcome": "unknown"}, 0, "was not accepted", id="unknown"),
        pytest.param({"outcome": "failed", "code": "30005"}, 0, "was not delivered (30005)", id="failed by receipt"),
    ],
)
def test_what_is_wrong_with_a_test(changes: dict[str, object], age_s: int, fault: str | None) -> None:
    """At each boundary."""
    canary = replace(SENT, **changes)  # type: ignore[arg-type]

    assert fault_of(canary, BEGIN_AT + age_s * SECOND, SECOND, sends_receipts=True) == fault


def test_without_receipts_accepted_is_all_that_can_be_known() -> None:
    """However long it has been."""
    assert fault_of(SENT, BEGIN_AT + timedelta(days=1), SECOND, sends_receipts=False) is None


# What follows


@pytest.mark.parametrize(
    ("behaviour", "words"),
    [
        pytest.param(refuse(Blame.NUMBER), "was not accepted (21000)", id="refused"),
        pytest.param(time_out, "was not accepted", id="timed out"),
        pytest.param(break_down, "was not accepted", id="its code broke"),
    ],
)
def test_admins_are_told_once_of_a_test_that_failed(stage: Stage, behaviour: object, words: str) -> None:
    """And the gateway is shown as failing."""
    with_canary(stage)
    stage.first.next = [behaviour]  # type: ignore[list-item]

    for _ in range(3):
        look(stage)

    assert to_admin(stage) == [f"the daily test through gateway first {words}. Please look before an alarm needs it."]
    assert shown(stage).fault == f"the last test {words}"
    assert [e.kind for e in stage.entries(chain="service")].count("gateway_canary_failed") == 1


def test_a_test_that_is_not_delivered_in_time_is_told_and_a_late_receipt_clears_it(stage: Stage) -> None:
    """Two minutes after it was sent."""
    with_canary(stage)
    look(stage)
    stage.clock.at += timedelta(seconds=119)
    look(stage)
    assert to_admin(stage) == []
    assert shown(stage).canary is not None
    assert shown(stage).canary.waits  # type: ignore[union-attr]

    stage.clock.at += SECOND
    look(stage)

    assert "was accepted and not delivered." in to_admin(stage)[0]
    assert shown(stage).fault == "the last test was accepted and not delivered"
    stage.receipt(taken_tests(stage)[0], ReceiptState.DELIVERED)
    assert shown(stage).fault is None


def test_a_receipt_that_overtakes_our_own_record_counts(stage: Stage) -> None:
    """The gateway may be quicker than our database."""
    with_canary(stage)

    def tell_at_once(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        taken = gateway.take(text)
        stage.receipt(taken, ReceiptState.DELIVERED)
        return Accepted(taken.provider_id)

    stage.first.next = [tell_at_once]
    look(stage)

    canary = shown(stage).canary
    assert canary is not None
    assert (canary.fault, canary.waits) == (None, False)


def test_a_receipt_of_failure_fails_a_test_and_delivered_wins(stage: Stage) -> None:
    """In whatever order, as for any message."""
    with_canary(stage)
    look(stage)
    [taken] = taken_tests(stage)

    stage.receipt(taken, ReceiptState.FAILED, code="30005", blame=Blame.NUMBER)
    assert shown(stage).fault == "the last test was not delivered (30005)"
    stage.receipt(taken, ReceiptState.DELIVERED)
    stage.receipt(taken, ReceiptState.FAILED, code="30005", blame=Blame.NUMBER)

    canary = stage.service.read(lambda session: gateways.last_canaries(session, ["first"])["first"])
    assert canary.delivered_at == stage.clock.at


# How a gateway is shown


def test_a_gateway_without_a_number_for_tests_is_not_tested(stage: Stage) -> None:
    """Which is shown, and is no fault."""
    health = shown(stage)

    assert (health.canary, health.fault, health.standing) == (None, None, Standing.WORKING)
    assert look(stage) == 0


def test_the_last_day_is_counted_by_outcome(stage: Stage) -> None:
    """What is older than 24 hours is not."""
    stage.first.sends_receipts = True
    stage.file()
    stage.first.next = [time_out, refuse(Blame.FILTERED)]
    for _ in range(2):
        stage.receive_and_answer(ANNA, "status")
        stage.turn()
    for _ in range(3):
        stage.text(ANNA, "status")
    stage.receipt(stage.first.taken[-1], ReceiptState.DELIVERED)

    health = shown(stage)

    assert (health.tally.accepted, health.tally.refused, health.tally.unknown) == (4, 1, 1)
    assert health.delivered_share == 1 / 4
    stage.clock.at += timedelta(hours=24, seconds=1)
    assert shown(stage).tally.accepted == 0
    assert shown(stage).delivered_share is None


def test_a_gateway_that_rests_is_shown_with_its_reason_and_counted(stage: Stage) -> None:
    """Since when, why, and how often it came to that."""
    stage.first.next = [refuse(Blame.GATEWAY)]
    stage.file()

    health = shown(stage)

    assert (health.standing, health.reason, health.since_at) == (
        Standing.RESTING,
        "21000: refused by the script",
        BEGIN_AT,
    )
    assert health.fault == "resting: 21000: refused by the script"
    assert what_was_loud(stage.service).changes == {"gateway_rests": 1, "gateway_suspect": 0, "gateway_works": 0}
