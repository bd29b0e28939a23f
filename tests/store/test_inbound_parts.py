"""Parts of long texts: kept once, found by what they have in common, tied to the text that they went into."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from service.store import inbound, inbound_parts
from service.store.inbound_parts import Key
from tests.store.examples import ANNA, BRAM, NOW, NUMBER

KEY = Key("boathouse", ANNA, NUMBER, "7", 3)


def add(session: Session, number: int, *, key: Key = KEY, provider_id: str = "", at: datetime = NOW) -> int | None:
    """A gateway brings a part."""
    named = provider_id or f"msg_{number}"
    return inbound_parts.add(session, key, provider_id=named, number=number, body=f"part {number} ", received_at=at)


def text(session: Session, provider_id: str, *, authentic: bool = True) -> int:
    """A gateway brings a whole text."""
    text = inbound.NewText(
        gateway=KEY.gateway,
        provider_id=provider_id,
        sender=ANNA,
        receiver=NUMBER,
        body="whole",
        raw={},
        received_at=NOW,
        authentic=authentic,
    )
    stored = inbound.store(session, text)
    assert stored is not None
    return stored


def test_a_part_is_kept_as_it_came(session: Session) -> None:
    """With what it has in common with the others, and in the order of arrival."""
    add(session, 2)
    add(session, 1)

    found = inbound_parts.alike(session, KEY, NOW)

    assert [(part.number, part.body, part.received_at, part.inbound_id) for part in found] == [
        (2, "part 2 ", NOW, None),
        (1, "part 1 ", NOW, None),
    ]
    assert {part.key for part in found} == {KEY}


def test_an_id_that_came_before_is_no_new_part(session: Session) -> None:
    """Whether it was a part or a whole text; a forged text does not stand in the way."""
    text(session, "msg_whole")
    text(session, "msg_forged", authentic=False)

    assert add(session, 1) is not None
    assert add(session, 2, provider_id="msg_1") is None
    assert add(session, 2, provider_id="msg_whole") is None
    assert add(session, 2, provider_id="msg_forged") is not None
    assert add(session, 2, provider_id="msg_1", key=replace(KEY, gateway="pier")) is not None


@pytest.mark.parametrize(
    "other",
    [{"gateway": "pier"}, {"sender": BRAM}, {"receiver": "+447700900999"}, {"reference": "8"}, {"of": 2}],
    ids=lambda other: next(iter(other)),
)
def test_parts_of_other_texts_are_not_alike(session: Session, other: dict[str, object]) -> None:
    """Each of what they have in common tells them apart."""
    add(session, 1, key=replace(KEY, **other))  # type: ignore[arg-type]

    assert inbound_parts.alike(session, KEY, NOW) == []
    assert inbound_parts.unjoined(session, KEY) == []


def test_only_those_since_an_instant_are_alike(session: Session) -> None:
    """A reference that was used long ago is another one."""
    add(session, 1, at=NOW - timedelta(seconds=1))
    add(session, 2)

    assert [part.number for part in inbound_parts.alike(session, KEY, NOW)] == [2]


def test_what_waits_is_found_until_it_went_into_a_text(session: Session) -> None:
    """Those of before an instant, up to a limit, the first first."""
    first, second = add(session, 1), add(session, 2, at=NOW + timedelta(seconds=1))
    add(session, 3, at=NOW + timedelta(seconds=2))
    assert first is not None
    assert second is not None
    before = NOW + timedelta(seconds=2)

    assert [part.id for part in inbound_parts.waiting(session, before, 10)] == [first, second]
    assert [part.id for part in inbound_parts.waiting(session, before, 1)] == [first]

    whole = text(session, "parts.1")
    inbound_parts.tie(session, [first, second], whole)

    assert inbound_parts.waiting(session, before, 10) == []
    assert [part.number for part in inbound_parts.unjoined(session, KEY)] == [3]
    assert [part.inbound_id for part in inbound_parts.alike(session, KEY, NOW)] == [whole, whole, None]
