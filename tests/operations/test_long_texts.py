"""Long texts whose parts come one by one: joined when all are here, never read as whole with one missing."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from service.clock import PacedClock
from service.domain.dive import Phase
from service.operations.gateway import InboundText, TextPart
from service.operations.inbound import answer_text
from service.operations.intake import drain_quietly
from service.operations.receiving import join_overdue, receive_text
from service.operations.spooling import Spool
from service.store.tables import InboundPartRow, InboundTextRow
from tests.operations.stage import ANNA, BRAM, CLEO, OURS, Stage
from tests.operations.test_arrival import at_once

LONG = ["We are still at the east beach and ", "everything is well, the swell has come up and ", "we go to the steps."]
WHOLE = "".join(LONG)
ids = itertools.count(1)


def part(
    stage: Stage,
    number: int,
    body: str,
    *,
    of: int = 3,
    reference: str = "7",
    sender: str = ANNA,
    gateway: str = "boathouse",
    provider_id: str | None = None,
    authentic: bool = True,
) -> int | None:
    """One part comes in; gives the id of the text that is whole with it, and answers it as the web does."""
    whole = stage.receive(
        sender,
        body,
        gateway=gateway,
        provider_id=provider_id or f"msg_{next(ids)}",
        part=TextPart(reference, number, of),
        authentic=authentic,
    )
    if whole is not None:
        answer_text(stage.service, whole)
    return whole


def texts(stage: Stage) -> list[str]:
    """The bodies of all texts that were put together, in order."""
    rows = stage.service.read(
        lambda session: list(
            session.execute(
                select(InboundTextRow).where(InboundTextRow.gateway == "boathouse").order_by(InboundTextRow.id)
            ).scalars()
        )
    )
    return [row.body for row in rows]


def waiting(stage: Stage) -> int:
    """How many parts went into no text yet."""
    found = select(InboundPartRow).where(InboundPartRow.inbound_id.is_(None))
    return len(stage.service.read(lambda session: list(session.execute(found).scalars())))


def pass_seconds(stage: Stage, seconds: float) -> None:
    """Time passes, and then comes a sweep."""
    stage.clock.at += timedelta(seconds=seconds)
    stage.turn()


@pytest.mark.parametrize("order", list(itertools.permutations((1, 2, 3))), ids=str)
def test_parts_are_joined_in_whichever_order_they_come(quick_stage: Stage, order: tuple[int, ...]) -> None:
    """Nothing is read until all are here, and then one text."""
    stage = quick_stage

    joined = [part(stage, number, LONG[number - 1]) for number in order]

    assert joined[:2] == [None, None]
    assert joined[2] is not None
    assert texts(stage) == [WHOLE]
    assert waiting(stage) == 0


def test_a_long_text_does_what_it_says(stage: Stage) -> None:
    """A cry for help that needed two parts raises the alarm with all its words."""
    dive = stage.dive_in()

    part(stage, 2, "him anywhere near the steps", of=2)
    part(stage, 1, "I have lost Bram and cannot find ", of=2)
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert "cannot find him anywhere" in stage.last_to(CLEO)


def test_parts_that_come_twice_are_one(stage: Stage) -> None:
    """Under the same id, or under another one with the same words."""
    part(stage, 1, LONG[0], provider_id="msg_a")
    part(stage, 1, LONG[0], provider_id="msg_a")
    part(stage, 1, LONG[0], provider_id="msg_b")
    part(stage, 2, LONG[1])
    part(stage, 3, LONG[2])
    part(stage, 2, LONG[1], provider_id="msg_c")
    pass_seconds(stage, 61)

    assert texts(stage) == [WHOLE]
    assert waiting(stage) == 0


def test_two_parts_at_the_same_moment_make_one_text(stage: Stage) -> None:
    """Two web processes store them at once, and one of them sees that all are here."""
    part(stage, 1, LONG[0])

    at_once([lambda: part(stage, 2, LONG[1]), lambda: part(stage, 3, LONG[2])])

    assert texts(stage) == [WHOLE]
    assert waiting(stage) == 0


def test_a_part_is_in_the_log_before_it_is_acknowledged(stage: Stage) -> None:
    """Whoever looks at the log finds every part, and the text that it went into."""
    part(stage, 2, LONG[1], provider_id="msg_x")

    entry = stage.entries(chain="club:skerry-bay")[-1]

    assert (entry.kind, entry.detail["number"], entry.detail["of"]) == ("text_part_in", 2, 3)
    assert (entry.detail["body"], entry.detail["provider_id"]) == (LONG[1], "msg_x")


@pytest.mark.parametrize(
    ("came", "body"),
    [
        ((1,), f"{LONG[0]} [part missing]"),
        ((2,), f"[part missing] {LONG[1]} [part missing]"),
        ((3,), f"[part missing] {LONG[2]}"),
        ((1, 3), f"{LONG[0]} [part missing] {LONG[2]}"),
        ((1, 2), f"{LONG[0]}{LONG[1]} [part missing]"),
    ],
)
def test_a_part_that_never_comes_leaves_a_mark(quick_stage: Stage, came: tuple[int, ...], body: str) -> None:
    """After a minute what is here is read, with a mark for each gap, and not before."""
    stage = quick_stage
    for number in came:
        part(stage, number, LONG[number - 1])

    pass_seconds(stage, 59)
    assert texts(stage) == []
    pass_seconds(stage, 2)

    assert texts(stage) == [body]
    assert waiting(stage) == 0


@pytest.mark.parametrize("fragment", ["OUT", "OUT 2", "SAFE 2", "OK", "CALLED", "IN", "CALL OFF", "LATE 30", "STOP"])
def test_what_is_left_of_a_text_is_never_a_command(stage: Stage, fragment: str) -> None:
    """However whole a part looks, the clock runs on, and the sender is told so."""
    dive = stage.dive_in()
    before = len(stage.to(ANNA))

    part(stage, 1, fragment, of=2)
    pass_seconds(stage, 61)

    assert stage.dive(dive.id).phase is Phase.IN_WATER
    assert stage.dive(dive.id).raise_by_at == dive.raise_by_at
    (answer,) = stage.to(ANNA)[before:]
    assert "clock" in answer
    read = [entry for entry in stage.entries(dive) if entry.kind == "text_read"][-1]
    assert read.detail["intent"] == "unclear"


def test_the_words_that_are_left_are_quoted_in_the_alarm(stage: Stage) -> None:
    """What was last heard stands in the alarm, with its gap."""
    dive = stage.dive_in()

    part(stage, 1, "We swim towards the west", of=2)
    pass_seconds(stage, 61)
    stage.wait(minutes=70)

    assert stage.dive(dive.id).phase in (Phase.ALERT, Phase.DISTRESS)
    assert any("We swim towards the west [part missing]" in body for body in stage.to(CLEO))


@pytest.mark.parametrize(
    ("number", "words"),
    [(1, "We have lost Bram and cannot find"), (2, "he is not breathing"), (1, "SOS at the steps 47.12")],
)
def test_trouble_in_what_is_left_counts(stage: Stage, number: int, words: str) -> None:
    """A cry for help need not be whole."""
    dive = stage.dive_in()

    part(stage, number, words, of=2)
    pass_seconds(stage, 61)

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert words in stage.last_to(CLEO)
    assert stage.dive(dive.id).fix is None


def test_the_mark_itself_is_no_word_of_trouble(stage: Stage) -> None:
    """That a part is missing does not mean that somebody is."""
    dive = stage.dive_in()

    part(stage, 1, "The weather is fine and", of=2)
    pass_seconds(stage, 61)

    assert stage.dive(dive.id).phase is Phase.IN_WATER


def test_a_part_that_comes_late_makes_the_text_whole(stage: Stage) -> None:
    """The gap was told of; the whole words are read once they are here."""
    part(stage, 1, LONG[0])
    part(stage, 3, LONG[2])
    pass_seconds(stage, 61)

    part(stage, 2, LONG[1])
    pass_seconds(stage, 61)

    assert texts(stage) == [f"{LONG[0]} [part missing] {LONG[2]}", WHOLE]
    assert waiting(stage) == 0


def test_one_reference_an_hour_apart_is_two_texts(stage: Stage) -> None:
    """A phone that uses a reference again does not finish the sentence of an hour ago."""
    part(stage, 1, "We are at the beach and ", of=2)
    stage.sleep(60)
    part(stage, 2, "OUT", of=2)
    pass_seconds(stage, 61)

    assert texts(stage) == ["We are at the beach and  [part missing]", "[part missing] OUT"]


def test_one_reference_for_every_text_keeps_them_apart(stage: Stage) -> None:
    """Of a phone that never counts on, the second text begins where a number comes again with other words."""
    for first, second in (("One ", "two."), ("Three ", "four."), ("Five ", "six.")):
        part(stage, 1, first, of=2)
        part(stage, 2, second, of=2)
        stage.clock.at += timedelta(seconds=5)

    assert texts(stage) == ["One two.", "Three four.", "Five six."]


def test_a_second_text_ends_the_waiting_of_the_first(stage: Stage) -> None:
    """What still comes may be of either, so the first is read with its gap, and both are answered."""
    part(stage, 1, "One ", of=2)
    part(stage, 1, "Three ", of=2)
    part(stage, 2, "four.", of=2)
    pass_seconds(stage, 61)

    assert texts(stage) == ["One  [part missing]", "Three four."]
    assert waiting(stage) == 0


@pytest.mark.parametrize(
    "other",
    [{"reference": "8"}, {"of": 2}, {"gateway": "pier"}, {"sender": BRAM}],
    ids=["reference", "of", "gateway", "sender"],
)
def test_parts_of_other_texts_are_not_mixed_in(quick_stage: Stage, other: dict[str, Any]) -> None:
    """Reference, count, gateway and sender must all be the same."""
    stage = quick_stage
    part(stage, 1, LONG[0])
    part(stage, 3, LONG[2])

    part(stage, 2, LONG[1], **other)

    assert texts(stage) == []
    assert waiting(stage) == 3


def test_a_whole_text_beyond_the_limit_is_cut_and_says_so(stage: Stage) -> None:
    """What is kept never looks like a whole text."""
    for number in range(1, 13):
        part(stage, number, "x" * 150, of=12)

    (body,) = texts(stage)
    assert len(body) <= 1600
    assert body.endswith("more characters]")


def test_an_id_of_a_text_that_was_stored_is_no_part(stage: Stage) -> None:
    """Its words are known already, and are not waited for once more."""
    stage.receive(ANNA, LONG[0], gateway="boathouse", provider_id="msg_played")

    part(stage, 1, LONG[0], provider_id="msg_played")

    assert waiting(stage) == 0


def test_a_part_that_is_not_authentic_is_put_aside(stage: Stage) -> None:
    """It is kept as what it is, and joined with nothing."""
    part(stage, 1, LONG[0], provider_id="msg_forged", authentic=False)
    part(stage, 1, LONG[0], provider_id="msg_forged")
    part(stage, 2, LONG[1])
    part(stage, 3, LONG[2])

    assert texts(stage) == [LONG[0], WHOLE]


def test_sweeps_that_come_together_read_what_is_left_once(stage: Stage) -> None:
    """Any number of sweeps may run at once."""
    part(stage, 1, LONG[0])
    stage.clock.at += timedelta(seconds=61)

    at_once([lambda: join_overdue(stage.service) for _ in range(2)])
    stage.turn()

    assert texts(stage) == [f"{LONG[0]} [part missing]"]


@pytest.mark.parametrize(("minutes", "joined"), [(59, False), (61, True)])
def test_parts_wait_in_real_seconds_whatever_the_pace(quick_stage: Stage, minutes: int, *, joined: bool) -> None:
    """Where a second is a minute, the phone that sends the next part still needs real seconds for it."""
    stage = quick_stage
    stage.clock.at = datetime.now(UTC)
    service = replace(stage.service, clock=PacedClock(pace=60.0, origin=stage.clock.at))
    came = stage.clock.at - timedelta(minutes=minutes)
    values = {
        "gateway": "boathouse",
        "provider_id": "msg_1",
        "sender": ANNA,
        "receiver": OURS,
        "body": "OUT",
        "raw": {},
    }
    receive_text(service, InboundText(**values, received_at=came, part=TextPart("7", 1, 2)), authentic=True)

    join_overdue(service)
    found = texts(stage)
    stage.clock.at += timedelta(hours=2)
    stage.turn()

    assert found == (["OUT [part missing]"] if joined else [])


def test_a_part_that_lay_on_the_disk_is_joined_with_the_others(stage: Stage, tmp_path: Path) -> None:
    """The database was away while one part came; it is a part all the same once it is brought in."""
    spool = Spool(tmp_path / "spool", "s" * 40)
    spool.make()
    part(stage, 1, "I have lost Bram and ", of=2)
    values = {"gateway": "boathouse", "provider_id": "msg_disk", "sender": ANNA, "receiver": OURS, "raw": {}}
    spool.keep(InboundText(**values, body="cannot find him", received_at=stage.clock.at, part=TextPart("7", 2, 2)))

    drain_quietly(stage.service, spool)

    assert texts(stage) == ["I have lost Bram and cannot find him"]
