"""One text that two gateways bring counts once; words that are sent again count again."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from service.operations.gateway import InboundText
from service.operations.receiving import receive_text
from service.operations.same_text import SAME_WITHIN
from service.store.tables import InboundTextRow
from tests.operations.stage import ANNA, BRAM, OURS, Stage
from tests.operations.test_arrival import at_once


def rows(stage: Stage) -> list[InboundTextRow]:
    """All texts that are stored, first to last."""
    every = select(InboundTextRow).order_by(InboundTextRow.id)
    return stage.service.read(lambda session: list(session.execute(every).scalars()))


def brought(stage: Stage, gateway: str, **given: Any) -> bool:
    """Whether LATE 20 of Anna, brought by that gateway, is a new text; if it is, it is acted on."""
    inbound_id = stage.receive(**({"sender": ANNA, "body": "LATE 20", "gateway": gateway} | given))
    if inbound_id is not None:
        stage.answer(inbound_id)
    return inbound_id is not None


def test_the_same_text_by_another_gateway_is_kept_and_not_acted_on(stage: Stage) -> None:
    """Stored and logged with what it is the same as; one extension is asked for, one answer sent."""
    dive = stage.dive_in()
    first = stage.receive(ANNA, "LATE 20", gateway="first")
    assert first is not None
    stage.answer(first)

    assert stage.receive(ANNA, "LATE 20", gateway="second") is None

    stage.wait(minutes=1)
    double = rows(stage)[-1]
    assert (double.gateway, double.state, double.same_as, double.answered_at) == ("second", "same", first, None)
    [entry] = [one for one in stage.entries(chain="club:skerry-bay") if (one.detail or {}).get("same_as")]
    assert (entry.kind, (entry.detail or {})["same_as"]) == ("text_in", first)
    assert stage.kinds(dive).count("event:extension_asked") == 1


@pytest.mark.parametrize(
    ("given", "new"),
    [
        pytest.param({}, False, id="word for word"),
        pytest.param({"body": " LATE 20\n"}, False, id="space at the ends"),
        pytest.param({"body": "LATE  20"}, True, id="space within"),
        pytest.param({"body": "late 20"}, True, id="other letters"),
        pytest.param({"sender": BRAM}, True, id="another sender"),
        pytest.param({"sender": "07700 900001"}, False, id="the sender as people write it"),
        pytest.param({"sender": "447700900001"}, False, id="the sender without its plus"),
        pytest.param({"sender": "Anna"}, True, id="a sender that is no number"),
        pytest.param({"receiver": "+447700900777"}, True, id="another number of ours"),
    ],
)
def test_what_is_the_same_text(stage: Stage, given: dict[str, str], *, new: bool) -> None:
    """Sender and receiver, whatever their spelling, and every word."""
    assert brought(stage, "first")

    assert brought(stage, "second", **given) is new


@pytest.mark.parametrize(
    ("later", "new"),
    [
        (-SAME_WITHIN - timedelta(seconds=1), True),
        (-SAME_WITHIN, False),
        (SAME_WITHIN, False),
        (SAME_WITHIN + timedelta(seconds=1), True),
    ],
    ids=["well before", "just before", "just after", "well after"],
)
def test_two_minutes_are_the_limit(stage: Stage, later: timedelta, *, new: bool) -> None:
    """Either way, since one of them may have lain on a disk; a second beyond it is a new text."""
    stage.clock.at += timedelta(minutes=10)
    at = stage.clock.at - timedelta(minutes=5)
    assert brought(stage, "first", received_at=at)

    assert brought(stage, "second", received_at=at + later) is new


@pytest.mark.parametrize(
    ("gateways", "new"),
    [
        ("first first", "new new"),
        ("first second first second", "new same new same"),
        ("first first second second", "new new same same"),
        ("first second second", "new same new"),
        ("first second third", "new same same"),
        ("first second second first", "new same new same"),
    ],
)
def test_words_that_are_sent_twice_are_two_texts(stage: Stage, gateways: str, new: str) -> None:
    """Each text has one double by each gateway; one more of the same gateway was sent once more."""
    seen = ["new" if brought(stage, gateway) else "same" for gateway in gateways.split()]

    assert seen == new.split()


def test_a_forged_text_is_no_double_and_has_none(stage: Stage) -> None:
    """Else a stranger could have a real text ignored by sending it first."""
    assert stage.receive(ANNA, "OUT 2", gateway="first", authentic=False) is not None
    assert stage.receive(ANNA, "OUT 2", gateway="second") is not None
    assert stage.receive(ANNA, "OUT 2", gateway="first", provider_id="forged", authentic=False) is not None
    stage.wait(minutes=1)


def test_a_text_to_no_club_is_compared_as_well(stage: Stage) -> None:
    """It is put aside once, and its double is known as one."""
    assert brought(stage, "first", receiver="+447700900777")
    assert not brought(stage, "second", receiver="+447700900777")


def test_two_gateways_in_the_same_instant_make_one_text(stage: Stage) -> None:
    """Neither sees the other's before it is committed, and yet one is the double: many times over."""
    for number in range(12):
        texts = [
            InboundText(gateway, f"{gateway}-{number}", ANNA, OURS, f"hello {number}", {}, stage.clock.at)
            for gateway in ("first", "second", "third")
        ]
        at_once([lambda one=one: receive_text(stage.service, one, authentic=True) for one in texts])

    every = rows(stage)
    new = [one for one in every if one.same_as is None]
    assert len(every) == 36
    assert sorted(one.body for one in new) == sorted(f"hello {number}" for number in range(12))
    body_of = {one.id: one.body for one in new}
    assert all(one.body == body_of[one.same_as] for one in every if one.same_as is not None)
    stage.wait(minutes=1)
