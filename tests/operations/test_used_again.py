"""A gateway that numbers anew brings another text under an id that it had used: both count, each of them once."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import update

from service.domain.dive import Phase
from service.domain.dive.erased import ERASED
from service.operations.gateway import InboundText, TextPart
from service.operations.inbound import answer_text
from service.operations.polling import poll
from service.operations.receiving import Way, receive_text, receive_together
from service.operations.used_again import USED_AGAIN
from service.store.tables import InboundTextRow
from tests.operations.stage import ANNA, BRAM, OURS, Stage
from tests.operations.test_long_texts import texts as joined


def text(stage: Stage, body: str, sender: str = ANNA, provider_id: str = "1") -> InboundText:
    """A text from a gateway whose ids are numbers."""
    return InboundText("first", provider_id, sender, OURS, body, {"Body": body}, stage.clock.at)


def bodies(stage: Stage) -> list[str]:
    """What is stored, in order."""
    return stage.service.read(
        lambda session: [row.body for row in session.query(InboundTextRow).order_by(InboundTextRow.id)]
    )


def test_a_call_for_help_under_a_used_id_is_heard(stage: Stage, caplog: pytest.LogCaptureFixture) -> None:
    """The gateway hears that we have it, so we must: months later its counter was at one again."""
    stage.text(ANNA, "status", provider_id="1")
    stage.clock.at += timedelta(days=60)
    dive = stage.dive_in()

    again = stage.receive(ANNA, "SOS", provider_id="1")

    assert again is not None
    answer_text(stage.service, again)
    assert stage.dive(dive.id).phase is Phase.ALERT
    assert USED_AGAIN in [record.message for record in caplog.records]


def test_an_id_whose_text_was_erased_brings_a_new_one(stage: Stage) -> None:
    """After half a year nobody repeats it; what a gateway brings that counts from one again would all be lost."""
    stage.text(ANNA, "status", provider_id="1")
    erase = update(InboundTextRow).where(InboundTextRow.provider_id == "1").values(sender="", body=ERASED)
    stage.service.write(lambda session: session.execute(erase))

    assert [stage.receive(ANNA, "SOS", provider_id="1") is None for _ in range(2)] == [False, True]
    stage.sleep(1)
    stage.turn()


def test_the_other_text_counts_once_too(stage: Stage) -> None:
    """Its gateway repeats itself after a lost answer; the log has both under the id that the gateway gave."""
    for body in ("late 10", "late 20", "late 20", "late 10"):
        stage.receive(ANNA, body, provider_id="1")

    told = [entry.detail for entry in stage.entries(chain="club:skerry-bay") if entry.kind == "text_in"]
    assert bodies(stage) == ["late 10", "late 20"]
    assert [(one["body"], one["provider_id"]) for one in told] == [("late 10", "1"), ("late 20", "1")]


def test_the_same_words_of_somebody_else_are_another_text(stage: Stage) -> None:
    """Two phones text OK; a number that is written in another way is the same phone."""
    assert stage.receive(ANNA, "OK", provider_id="1") is not None

    assert stage.receive("07700 900001", " OK ", provider_id="1") is None
    assert stage.receive(BRAM, "OK", provider_id="1") is not None


@pytest.mark.parametrize(
    ("later", "signed", "counts"),
    [
        (timedelta(days=1), True, [True, False, True]),
        (timedelta(days=1, seconds=1), True, [True, True, True]),
        (timedelta(days=60), True, [True, True, True]),
        (timedelta(days=60), False, [True, False, False]),
    ],
    ids=["repeated for a day", "longer than that", "months later", "no time is signed"],
)
def test_the_very_same_words_under_a_used_id_are_a_repeat_for_a_day(
    stage: Stage, later: timedelta, *, signed: bool, counts: list[bool]
) -> None:
    """Each OUT and SOS of a gateway that counts anew is heard, and each repeat once; nobody plays an old OUT again."""
    given = {"provider_id": "1", "signed_at": stage.clock.at if signed else None}
    for is_another in counts:
        dive = stage.dive_in()

        heard = stage.receive(ANNA, "OUT 2", **given)
        assert stage.receive(ANNA, "OUT 2", **given) is None
        if heard is not None:
            answer_text(stage.service, heard)

        assert stage.dive(dive.id).live is not is_another
        stage.text(BRAM, "OUT 2")
        stage.clock.at += later


def test_parts_of_the_very_same_words_are_repeats_for_a_day(stage: Stage) -> None:
    """As whole texts are."""
    for _ in range(2):
        for number, body in ((1, "I have lost Bram, "), (2, "help"), (1, "I have lost Bram, "), (2, "help")):
            part = {"part": TextPart("7", number, 2), "signed_at": stage.clock.at}
            stage.receive(ANNA, body, gateway="boathouse", provider_id=str(number), **part)
        stage.clock.at += timedelta(days=2)

    stage.turn()
    assert joined(stage) == ["I have lost Bram, help"] * 2


def test_texts_that_are_stored_together_are_told_apart_as_well(stage: Stage) -> None:
    """In one transaction and in the next, each where it was given."""
    first = receive_together(stage.service, [text(stage, "IN"), text(stage, "OUT"), text(stage, "IN")])
    second = receive_together(stage.service, [text(stage, "OUT"), text(stage, "SOS"), text(stage, "SOS")])

    assert [one is None for one in first + second] == [False, False, True, True, False, True]
    assert bodies(stage) == ["IN", "OUT", "SOS"]


def test_a_list_names_what_was_posted_and_is_believed_by_the_id_alone(stage: Stage) -> None:
    """It may write the words in another way, and LATE must not count twice."""
    listed = text(stage, "late 10.")
    stage.receive(ANNA, "late 10", provider_id="1")
    stage.first.inbox = [listed]

    assert receive_text(stage.service, listed, authentic=True, way=Way.LISTED) is None
    assert poll(stage.service, [stage.first]) == 0


def test_parts_under_used_ids_make_their_own_text(stage: Stage) -> None:
    """Each part has an id, and each of them may have been used before, as a part or for a whole text."""

    def part(number: int, body: str, provider_id: str) -> int | None:
        return stage.receive(ANNA, body, gateway="boathouse", provider_id=provider_id, part=TextPart("7", number, 2))

    stage.text(ANNA, "status", gateway="boathouse", provider_id="3")
    part(1, "We go in at ", "1")
    part(2, "the steps", "2")
    stage.clock.at += timedelta(days=1)
    for _ in range(2):
        part(1, "I have lost Bram and cannot find ", "2")
        part(2, "him anywhere near the steps", "3")

    stage.turn()
    assert joined(stage) == [
        "status",
        "We go in at the steps",
        "I have lost Bram and cannot find him anywhere near the steps",
    ]
