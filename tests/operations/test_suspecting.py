"""A gateway that accepts everything and delivers nothing is found out, kept from alarms, and trusted again."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.operations.breaking import Standing, standing
from service.operations.gateway import Blame, DeliveryReceipt, ReceiptState
from service.operations.receipts import receive_receipt
from service.operations.suspecting import SILENT_PHONES, is_silent, look_for_silence
from service.store import gateways
from service.store.gateways import GatewayState, Taken
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, DOV, FINN, Stage, plan_of, refuse

NOW = BEGIN_AT
WITHIN = timedelta(minutes=2)
SECOND = timedelta(seconds=1)
OLD = NOW - timedelta(minutes=9)


def to(phone: str, receipt: ReceiptState | None = None, ago: timedelta = WITHIN) -> Taken:
    """A text that the gateway took so long ago."""
    return Taken(phone, NOW - ago, receipt)


@pytest.mark.parametrize(
    ("taken", "silent"),
    [
        pytest.param([to(ANNA), to(BRAM), to(CLEO)], True, id="three phones and no word"),
        pytest.param([to(ANNA), to(BRAM)], False, id="two phones may be off"),
        pytest.param([to(ANNA), to(ANNA), to(ANNA), to(BRAM)], False, id="one phone that is off, told often"),
        pytest.param([to(ANNA), to(BRAM), to(CLEO, ago=WITHIN - SECOND)], False, id="the third has a second left"),
        pytest.param([to(ANNA), to(BRAM), to(DOV, ReceiptState.DELIVERED), to(CLEO)], False, id="one between arrived"),
        pytest.param([to(ANNA), to(BRAM), to(CLEO), to(DOV, ReceiptState.DELIVERED)], True, id="the last good is past"),
        pytest.param([to(DOV, ReceiptState.DELIVERED, SECOND), to(ANNA), to(BRAM), to(CLEO)], False, id="it just did"),
        pytest.param([to(ANNA, ReceiptState.FAILED), to(BRAM), to(CLEO)], False, id="a failure that it told of"),
        pytest.param([], False, id="nothing sent"),
    ],
)
def test_a_gateway_is_silent_after_three_phones_without_a_word(taken: list[Taken], *, silent: bool) -> None:
    """In a row, each with its time over."""
    assert SILENT_PHONES == 3
    assert is_silent(taken, NOW, WITHIN) is silent


def state_of(stage: Stage, name: str = "first") -> GatewayState:
    """How a gateway stands."""
    return stage.service.read(lambda session: gateways.states(session, [name])[name])


def swallowing(stage: Stage) -> str:
    """A dive whose first gateway takes everything, says that it sends receipts, and sends none; gives the dive's id."""
    stage.first.sends_receipts = True
    dive = stage.dive_in()
    stage.wait(minutes=64)
    return dive.id


def test_a_gateway_that_delivers_nothing_is_kept_from_alarms(stage: Stage) -> None:
    """Its next alarms go by the other one, admins are told once, calm news still goes its way."""
    swallowing(stage)

    stage.wait(minutes=6, step=timedelta(seconds=15))

    assert standing(state_of(stage), stage.clock.at) is Standing.SUSPECT
    told = [taken for taken in stage.journal if taken.to == FINN]
    assert len(told) == 1
    assert "gateway first takes texts but reports no delivery." in told[0].body
    stage.wait(minutes=40)
    last = [taken for taken in stage.journal if taken.to == CLEO and "CALL" in taken.body.upper()][-1]
    assert last.gateway == "second"
    stage.text(ANNA, "out 2")


def test_a_start_notice_does_not_arm_by_a_gateway_that_is_suspect(stage: Stage) -> None:
    """The diver would go in while no contact has the plan."""
    swallowing(stage)
    stage.wait(minutes=6, step=timedelta(seconds=15))
    assert standing(state_of(stage), stage.clock.at) is Standing.SUSPECT
    stage.text(ANNA, "out 2")

    dive = stage.dive_in(plan_of(1))

    notices = {one.handed_gateway for one in stage.messages(dive.id) if one.kind == "start_notice"}
    assert notices == {"second"}


def test_one_delivery_ends_the_suspicion(stage: Stage) -> None:
    """However late it comes."""
    swallowing(stage)
    stage.wait(minutes=6, step=timedelta(seconds=15))
    notice = next(taken for taken in stage.journal if taken.to == CLEO)

    stage.receipt(notice, ReceiptState.DELIVERED)

    assert standing(state_of(stage), stage.clock.at) is Standing.WORKING
    assert state_of(stage).reason is None
    look_for_silence(stage.service, "first")
    kinds = [entry.kind for entry in stage.entries(chain="service") if entry.kind.startswith("gateway_")]
    assert kinds[:2] == ["gateway_suspect", "gateway_works"]
    stage.text(ANNA, "out 2")


def test_a_gateway_that_sends_no_receipts_is_never_suspected(stage: Stage) -> None:
    """Silence is all that it can say."""
    stage.dive_in()

    stage.wait(minutes=80, step=timedelta(minutes=1))

    assert state_of(stage) == GatewayState("first")
    stage.text(ANNA, "out 2")


def test_a_receipt_that_blames_the_gateway_makes_it_suspect(stage: Stage) -> None:
    """An account that was suspended after it had taken the text is no way for an alarm."""
    stage.first.sends_receipts = True
    stage.dive_in()
    notice = next(taken for taken in stage.journal if taken.to == CLEO)

    stage.receipt(notice, ReceiptState.FAILED, code="30002", blame=Blame.GATEWAY)

    assert standing(state_of(stage), stage.clock.at) is Standing.SUSPECT
    assert state_of(stage).reason == "30002: a receipt says that it cannot send"
    stage.text(ANNA, "out 2")


def test_a_suspicion_outlives_a_rest(stage: Stage) -> None:
    """That it takes messages again does not say that it delivers them."""
    swallowing(stage)
    stage.wait(minutes=6, step=timedelta(seconds=15))
    suspect_at = state_of(stage).suspect_at
    stage.first.next = [refuse(Blame.GATEWAY)]
    stage.text(ANNA, "status")
    assert standing(state_of(stage), stage.clock.at) is Standing.RESTING

    stage.clock.at += timedelta(seconds=10)
    stage.text(ANNA, "status")

    assert standing(state_of(stage), stage.clock.at) is Standing.SUSPECT
    assert state_of(stage).suspect_at == suspect_at
    stage.text(ANNA, "out 2")


@pytest.mark.parametrize("early_s", [0, 1])
def test_no_receipt_in_time_counts_as_unreached_at_its_instant_and_not_before(stage: Stage, early_s: int) -> None:
    """Two minutes after the gateway took it, to the second."""
    swallowing(stage)
    stage.clock.at += timedelta(minutes=1)
    stage.turn()
    handed_at = stage.clock.at

    stage.clock.at = handed_at + WITHIN - early_s * SECOND
    stage.turn()

    assert bool([body for body in stage.to(DOV) if "OVERDUE" in body]) is (early_s == 0)
    stage.text(ANNA, "out 2")


# Codes that are in no table


def unknown_receipt(stage: Stage, code: str) -> DeliveryReceipt:
    """A receipt of a failure with a code that nobody knows."""
    receipt = DeliveryReceipt("first", "never heard of", ReceiptState.FAILED, code, None, {}, stage.clock.at)
    return replace(receipt, unrecognised=code)


def test_admins_hear_of_codes_in_no_table_once_a_day(stage: Stage) -> None:
    """Once for a gateway, whatever its codes; the log has each code once a day."""
    for code in ("39999", "39999", "38888"):
        receive_receipt(stage.service, unknown_receipt(stage, code))
    stage.turn()
    assert [body.partition(": ")[2] for body in stage.to(FINN)] == [
        "gateway first says 39999, which is in no table here. It is taken for a failure. Please look."
    ]

    stage.clock.at += timedelta(days=1)
    receive_receipt(stage.service, unknown_receipt(stage, "39999"))
    stage.turn()

    entries = [entry for entry in stage.entries(chain="service") if entry.kind == "unknown_code"]
    assert [(entry.detail or {})["code"] for entry in entries] == ["39999", "38888", "39999"]
    assert len(stage.to(FINN)) == 2
