"""The timeline: what the log has, in words, with how many texts each thing caused."""

from __future__ import annotations

from service.operations.pages import TimelineEntry, timeline
from service.store import log
from tests.operations.stage import ANNA, BEGIN_AT, CLEO, Stage


def test_a_timeline_says_who_did_what_when_and_how_many_texts_it_caused(stage: Stage) -> None:
    """Filed, in, armed; then what a contact did."""
    dive = stage.dive_in()
    stage.wait(minutes=66)
    stage.text(CLEO, f"OK {dive.reference}")

    lines = timeline(stage.service, dive.id)

    assert lines[0] == TimelineEntry(BEGIN_AT, "Anna Holt", "Plan filed for Lantern Cove, 2 divers.", 1, 1)
    words = [line.words for line in lines]
    assert "In, 2 divers. Due out 10:50." in words
    assert "Alerted: Cleo Marsh." in words
    assert (lines[-1].who, lines[-1].words) == ("Cleo Marsh", "Has the alarm and acts.")
    assert all(line.handed == line.texts for line in lines)
    assert [line.at for line in lines] == sorted(line.at for line in lines)
    stage.text(ANNA, "out 2")


def test_texts_that_no_gateway_took_are_counted_as_not_handed(stage: Stage) -> None:
    """The pack must not say that people were told who were not."""
    dive = stage.file()
    stage.receive_and_answer(ANNA, f"IN {dive.start_code}")

    [started] = [line for line in timeline(stage.service, dive.id) if line.words.startswith("In,")]

    assert (started.texts, started.handed) == (2, 0)
    stage.text(ANNA, "out 2")


def test_there_is_no_timeline_of_no_dive(stage: Stage) -> None:
    """Asked for a dive that never was, it is empty."""
    assert timeline(stage.service, "nowhere") == ()


def test_what_was_erased_is_a_line_that_says_so(unchecked: Stage) -> None:
    """Nothing is left out unsaid."""
    dive = unchecked.dive_in()
    unchecked.text(ANNA, "out 2")

    unchecked.service.write(lambda session: log.erase_details(session, dive.id))

    lines = timeline(unchecked.service, dive.id)
    assert lines
    assert {(line.who, line.words, line.texts) for line in lines} == {("", "The detail was erased.", 0)}


def test_an_entry_that_cannot_be_read_is_a_line_that_says_so(unchecked: Stage) -> None:
    """One bad entry must not take the pack away from rescue."""
    dive = unchecked.dive_in()
    unchecked.service.write(
        lambda session: log.append(
            session,
            chain=log.dive_chain(dive.id),
            at=unchecked.clock.at,
            kind="event:beamed_up",
            actor={"name": "nobody"},
            detail={},
            dive_id=dive.id,
        )
    )

    assert timeline(unchecked.service, dive.id)[-1].words == "This entry cannot be read (event:beamed_up)."
