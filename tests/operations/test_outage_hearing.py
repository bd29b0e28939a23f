"""What in the spool a keeper hears while the database is gone, and what it makes of it."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from service.domain.dive import Phase
from service.operations import intake
from service.operations.intake import drain_quietly
from service.operations.outage_journal import Entry, Told
from tests.operations.away import Keeping, alarms, armed, gone
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, DOV, STRANGER, Stage, plan, plan_of


def test_whoever_was_told_hears_that_it_is_over_when_the_finish_lay_in_the_spool(keeping: Keeping) -> None:
    """The finish stops the alarm of the snapshot and stands down at once; it is in the record afterwards, too."""
    stage = keeping.stage
    dive = armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=3)
        assert len(alarms(stage, CLEO)) == 1
        keeping.spooled(ANNA, "OUT")
        keeping.without(minutes=30)
        assert alarms(stage, DOV) == []
        assert "2 divers OUT" in stage.last_to(CLEO)
    keeping.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.CLOSED
    assert "OUT" in stage.last_to(CLEO)


def test_an_sos_in_the_spool_raises_at_once(keeping: Keeping) -> None:
    """Long before due out, with the database gone: every contact has the diver's words."""
    stage = keeping.stage
    stage.dive_in()
    keeping.look()
    with gone(stage.engine):
        keeping.hears(BRAM, "SOS lost Anna")
        for phone in (CLEO, DOV):
            assert "lost Anna" in stage.last_to(phone)
            assert alarms(stage, phone) == []
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_an_ok_in_the_spool_stops_the_search_for_the_next_contact(keeping: Keeping) -> None:
    """It does not stop the distress step: that still goes to all."""
    stage = keeping.stage
    dive = armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=3)
        keeping.spooled(CLEO, f"OK {dive.reference}")
        keeping.without(minutes=9)
        assert alarms(stage, DOV) == []
        keeping.without(minutes=10)
        assert "CALL RESCUE NOW" in alarms(stage, DOV)[0]
    keeping.look()
    stage.turn()

    assert [one.key for one in stage.dive(dive.id).acknowledged] == ["contact-0"]
    stage.text(CLEO, f"SAFE 2 {dive.reference}")


@pytest.mark.parametrize(
    ("sender", "words", "stops"),
    [
        pytest.param(ANNA, "OUT", True, id="the lead"),
        pytest.param(STRANGER, "OUT {finish}", True, id="anybody with the finish code"),
        pytest.param(STRANGER, "OUT", False, id="a stranger without it"),
        pytest.param(ANNA, "OUT 1", False, id="fewer than went in"),
        pytest.param(ANNA, "out of the car park now", False, id="what is not wholly understood"),
        pytest.param(CLEO, "OUT", False, id="a contact"),
        pytest.param(CLEO, "SAFE 2 {ref}", True, id="a contact who knows that all are safe"),
        pytest.param(CLEO, "OK {ref}", False, id="an OK to no alarm"),
        pytest.param(ANNA, "LATE 20", False, id="a delay that nobody ashore holds"),
    ],
)
def test_what_in_the_spool_stops_an_alarm(keeping: Keeping, sender: str, words: str, *, stops: bool) -> None:
    """Only an explicit, wholly understood and attributable finish."""
    stage = keeping.stage
    dive = armed(keeping)
    with gone(stage.engine):
        keeping.without(seconds=20)
        keeping.spooled(sender, words.format(finish=dive.finish_code, ref=dive.reference))
        keeping.without(minutes=2)
        assert (alarms(stage, CLEO) == []) is stops
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT 2")


def test_a_line_of_the_journal_that_was_torn_silences_no_keeper(unchecked: Stage, tmp_path: Path) -> None:
    """The message of an attempt cannot be read any more: the next keeper goes on, and the rest comes in."""
    stage, keeping = unchecked, Keeping(unchecked, tmp_path)
    dive = armed(keeping)
    files = keeping.spool.keeper
    with gone(stage.engine):
        keeping.without(minutes=3)
        lines = list(files.sealed(files.journal))
        told = next(n for n, line in enumerate(lines) if isinstance(e := files.unseal(line, Entry), Told) and e.dive_id)
        files.journal.write_bytes(b"".join([*lines[:told], b"torn\n", *lines[told + 1 :]]))
        keeping.start_again()
        keeping.without(minutes=6)
        assert len(alarms(stage, DOV)) == 1
    keeping.look()

    assert not files.journal.exists()
    assert "contact-1" in {one.key for one in stage.dive(dive.id).alerted}
    keeping.standby.close()


def test_a_finish_is_heard_though_what_a_keeper_told_cannot_be_brought_in(
    keeping: Keeping, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk with the journal is at fault: what lies in the spool is read all the same."""
    stage = keeping.stage
    dive = armed(keeping)
    keeping.spooled(ANNA, "OUT")

    def break_down(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(intake, "merge_first", break_down)
    drain_quietly(stage.service, keeping.spool)

    assert stage.dive(dive.id).phase is Phase.CLOSED


def test_an_out_closes_no_plan_while_what_is_over_cannot_be_looked_up(keeping: Keeping) -> None:
    """It may be of a dive that is in no snapshot; the plan's own start and alarm go on."""
    stage = keeping.stage
    dive = stage.file(plan(time_in_at=BEGIN_AT + timedelta(minutes=30)))
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=3)
        keeping.spooled(ANNA, "OUT")
        keeping.without(minutes=105)
        assert len(alarms(stage, CLEO)) == 1
    keeping.look()
    stage.turn()
    stage.text(ANNA, f"OUT 2 {dive.reference}")


def an_out_comes_in_an_outage(keeping: Keeping) -> None:
    """Soon after the database went, which is back once the alarm has gone out."""
    stage = keeping.stage
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=3)
        keeping.spooled(ANNA, "OUT")
        keeping.without(minutes=70)
        assert alarms(stage, CLEO)
    keeping.look()
    stage.turn()


@pytest.mark.parametrize("words", ["IN {ref} 20", "IN {code} 20"])
def test_fewer_minutes_of_a_start_count_in_an_outage_too(keeping: Keeping, words: str) -> None:
    """The alarm comes by them, and not by the fifty of the plan."""
    stage = keeping.stage
    dive = stage.file()
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=3)
        keeping.spooled(ANNA, words.format(ref=dive.reference, code=dive.start_code))
        keeping.without(minutes=40)
        assert alarms(stage, CLEO)
    keeping.look()
    stage.turn()
    stage.text(ANNA, f"OUT {dive.finish_code}")


def test_an_early_out_ends_no_dive_that_another_group_may_have_joined(keeping: Keeping) -> None:
    """As with the database; nobody can be asked now, so the clock goes on."""
    stage = keeping.stage
    dive = stage.dive_in()
    stage.file(plan())
    an_out_comes_in_an_outage(keeping)

    assert stage.dive(dive.id).outcome is None


def test_an_early_out_ends_no_dive_while_one_before_it_ended_lately(keeping: Keeping) -> None:
    """A carrier may have kept the first OUT: as with the database it is no end of the second dive."""
    stage = keeping.stage
    first = stage.dive_in()
    stage.text(ANNA, f"OUT {first.finish_code}")
    second = stage.dive_in(plan())
    an_out_comes_in_an_outage(keeping)

    assert stage.dive(second.id).outcome is None


def test_an_answer_takes_no_alarm_while_another_one_of_theirs_was_just_stood_down(keeping: Keeping) -> None:
    """Their OK may be about that: the search for the next contact goes on."""
    stage = keeping.stage
    first, second = stage.dive_in(), stage.dive_in(plan_of(1, (CLEO, DOV)))
    stage.wait(minutes=66)
    stage.text(ANNA, f"OUT {first.finish_code}")
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=10)
        keeping.spooled(CLEO, "OK")
        keeping.without(minutes=6)
        assert alarms(stage, DOV)
    keeping.look()
    stage.turn()
    stage.text(second.lead.phone or "", f"OUT {second.finish_code}")


def test_what_ended_hours_ago_stands_in_nobodys_way(keeping: Keeping) -> None:
    """Two hours after its end words are not about it."""
    stage = keeping.stage
    first = stage.dive_in()
    stage.text(ANNA, f"OUT {first.finish_code}")
    stage.wait(minutes=121)
    stage.dive_in(plan())
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=3)
        keeping.spooled(ANNA, "OUT")
        keeping.without(minutes=70)
        assert not alarms(stage, CLEO)
    keeping.look()
    stage.turn()


def test_called_of_before_its_taking_back_ends_no_repeats(keeping: Keeping) -> None:
    """A gateway brings both, the earlier word last: all have just heard that nobody has called."""
    stage = keeping.stage
    dive = armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=30)
        keeping.spooled(CLEO, f"CALLED {dive.reference}")
        keeping.without(minutes=5)
        keeping.spooled(DOV, f"NOT CALLED {dive.reference}")
        keeping.without(minutes=1)
        keeping.spooled(CLEO, f"CALLED 4711 {dive.reference}", lay=timedelta(minutes=6))
        keeping.without(minutes=10)
        assert len([text for text in alarms(stage, DOV) if "CALL RESCUE NOW" in text or "NOT CALLED" in text]) >= 3
    keeping.look()
    stage.turn()

    assert stage.dive(dive.id).not_called_after_all
    stage.text(ANNA, "OUT")
