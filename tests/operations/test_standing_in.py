"""With the database gone a keeper alarms by its snapshot and hears what is spooled; the record has it afterwards."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.exc import OperationalError

from service.domain.dive import Dive, Phase
from service.operations import merging, outage_journal, outage_ladder
from service.operations.backing_up import back_up
from service.operations.gateway import Blame
from service.operations.intake import drain_quietly
from service.operations.merging import merge_first
from service.operations.restoring import restore
from tests.operations.away import NOT_CONFIRMED, Keeping, alarms, armed, gone, read_only
from tests.operations.stage import (
    ANNA,
    BRAM,
    CLEO,
    DOV,
    FINN,
    Stage,
    accept,
    lose_the_answer,
    plan,
    plan_of,
    refuse,
    time_out,
)


def test_an_alarm_goes_out_two_minutes_after_the_database_went(keeping: Keeping) -> None:
    """Due in one minute: nothing before the second one, then the first contact has it, in full and not confirmed."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        keeping.without(seconds=110)
        assert alarms(stage, CLEO) == []
        keeping.without(seconds=20)
        [words] = alarms(stage, CLEO)
        assert alarms(stage, DOV) == []
    for part in ("Anna Holt + 1 (2 divers)", "They may be out", "7700 900001", "OVERDUE"):
        assert part in words

    keeping.look()
    stage.text(ANNA, "OUT")


def test_the_admins_hear_once_that_the_database_is_gone_and_once_that_it_is_back(keeping: Keeping) -> None:
    """A minute after it went, and when it is back, however long it took."""
    stage = keeping.stage
    armed(keeping, before=timedelta(minutes=30))
    with gone(stage.engine):
        keeping.without(seconds=50)
        assert stage.to(FINN) == []
        keeping.without(minutes=5)
        assert ["database is gone" in body for body in stage.to(FINN)] == [True]
    keeping.look()
    stage.turn()

    assert ["database is back" in body for body in stage.to(FINN)] == [False, True]
    stage.text(ANNA, "OUT")


def test_nobody_is_alarmed_again_once_the_database_is_back(keeping_on_both: Keeping) -> None:
    """The dive knows that its first contact has the alarm; the ladder goes on to the next, and ends by a stand-down."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
    keeping_on_both.look()
    stage.turn()

    after = stage.dive(dive.id)
    assert after.phase is Phase.ALERT
    assert [one.key for one in after.alerted] == ["contact-0"]
    assert len([body for body in stage.to(CLEO) if "OVERDUE" in body]) == 1
    stage.wait(minutes=6)
    assert any("OVERDUE" in body for body in stage.to(DOV))
    stage.text(ANNA, "OUT")
    assert "2 divers OUT" in stage.last_to(CLEO)


def test_a_dive_that_ended_unseen_is_stood_down_for_whoever_was_told(keeping_on_both: Keeping) -> None:
    """The finish was in the database before it went, and not in the snapshot: who was alarmed hears that it is over."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    stage.text(ANNA, "OUT")
    assert stage.dive(dive.id).phase is Phase.CLOSED
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        assert len(alarms(stage, CLEO)) == 1
    keeping_on_both.look()
    stage.turn()

    assert stage.to(CLEO)[-1] != alarms(stage, CLEO)[-1]
    assert "the dive is over" in stage.last_to(CLEO)


def test_the_repeats_come_to_an_end(keeping: Keeping) -> None:
    """Nobody answers and the database stays away: after an hour of distress nothing more goes out by a snapshot."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=100)
        told = len(alarms(stage, CLEO))
        keeping.without(minutes=60)
        assert len(alarms(stage, CLEO)) == told
        assert told == 1 + 6
        assert "no contact has answered" in stage.last_to(FINN)
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_a_keeper_that_is_started_again_neither_forgets_nor_repeats(keeping: Keeping) -> None:
    """Each minute another one: the first contact has one alarm, the second has theirs in time."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=10)
        for _ in range(6):
            keeping.start_again()
            keeping.without(minutes=1)
        assert len(alarms(stage, CLEO)) == 1
        assert len(alarms(stage, DOV)) == 1
        assert len(stage.to(FINN)) == 1
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_a_gateway_that_fails_is_passed_by(keeping_on_both: Keeping) -> None:
    """The first answers nothing: the second has it in the same look, and both attempts are in the record."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    stage.first.usually = time_out
    with gone(stage.engine):
        keeping_on_both.without(minutes=2, seconds=10)
        assert [taken.gateway for taken in stage.journal if NOT_CONFIRMED in taken.body] == ["second"]
    stage.first.usually = stage.second.usually
    keeping_on_both.look()

    [entry] = [one for one in stage.entries(dive) if one.kind == "told_meanwhile"]
    assert entry.detail is not None
    assert [(one["gateway"], one["outcome"]) for one in entry.detail["attempts"]] == [
        ("first", "unknown"),
        ("second", "accepted"),
    ]
    stage.turn()
    stage.text(ANNA, "OUT")


def test_a_contact_who_cannot_be_reached_is_not_waited_for(keeping: Keeping) -> None:
    """Their number is refused: the next one is told in the next look."""
    stage = keeping.stage
    dive = armed(keeping)
    for gateway in (stage.first, stage.second):
        gateway.numbers[CLEO] = refuse(Blame.NUMBER)
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=20)
        assert len(alarms(stage, DOV)) == 1
    keeping.look()

    assert [one.key for one in stage.dive(dive.id).alerted] == ["contact-1"]
    for gateway in (stage.first, stage.second):
        gateway.numbers.clear()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_a_plan_that_nobody_started_is_taken_as_started(keeping_on_both: Keeping) -> None:
    """Filed with a planned time in: the clock of the snapshot runs from there, and the record says so afterwards."""
    stage = keeping_on_both.stage
    dive = stage.file(plan(time_in_at=stage.clock.at + timedelta(minutes=5)))
    keeping_on_both.look()
    with gone(stage.engine):
        keeping_on_both.without(minutes=5 + 50 + 15 + 1)
        assert len(alarms(stage, CLEO)) == 1
    keeping_on_both.look()
    stage.turn()

    after = stage.dive(dive.id)
    assert (after.phase, after.assumed) == (Phase.ALERT, True)
    assert len([body for body in stage.to(CLEO) if "OVERDUE" in body]) == 1
    stage.text(ANNA, "OUT")


def test_merging_twice_changes_nothing(keeping_on_both: Keeping) -> None:
    """The journal comes back as from a crash before it was dropped: no row, no entry and no message more."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=12)
        path = keeping_on_both.spool.keeper.journal
        kept = path.read_bytes()
    keeping_on_both.look()
    before = (len(stage.entries(dive)), len(stage.entries(chain="service")), len(stage.messages(dive.id)))
    path.write_bytes(kept)
    keeping_on_both.standby.look()

    assert not path.exists()
    assert (len(stage.entries(dive)), len(stage.entries(chain="service")), len(stage.messages(dive.id))) == before
    stage.turn()
    stage.text(ANNA, "OUT")


def test_the_journals_of_two_keepers_both_come_in(stage: Stage, tmp_path: Path) -> None:
    """Each has its own disk and knows nothing of the other: twice rather than never, and the record has both."""
    one, other = Keeping(stage, tmp_path / "one"), Keeping(stage, tmp_path / "other")
    dive = armed(one)
    other.look()
    with gone(stage.engine):
        one.without(minutes=2, seconds=30)
        other.without(minutes=2, seconds=30)
        assert len(alarms(stage, CLEO)) == 2
    one.look()
    other.look()
    stage.turn()

    told = [message for message in stage.messages(dive.id) if message.step.startswith("outage-")]
    assert [message.person_key for message in told] == ["contact-0", "contact-0"]
    assert len([body for body in stage.to(CLEO) if "OVERDUE" in body]) == 2
    stage.text(ANNA, "OUT")
    for keeping in (one, other):
        keeping.standby.close()


def test_an_answer_that_was_lost_is_no_reason_to_forget_whom_to_stand_down(keeping: Keeping) -> None:
    """Both gateways took the alarm and neither could say so: the contact may have it, and hears that it is over."""
    stage = keeping.stage
    dive = armed(keeping)
    stage.first.usually = stage.second.usually = lose_the_answer
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=10)
        keeping.spooled(ANNA, "OUT")
        keeping.without(seconds=20)
    stage.first.usually = stage.second.usually = accept
    keeping.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.CLOSED
    assert NOT_CONFIRMED not in stage.last_to(CLEO)


def test_a_database_that_takes_no_writes_counts_as_gone(keeping: Keeping) -> None:
    """Full or read-only: it can be read, and nothing can be decided in it."""
    stage = keeping.stage
    armed(keeping)
    with read_only(stage.engine):
        keeping.without(minutes=2, seconds=10)
        assert len(alarms(stage, CLEO)) == 1
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_an_alarm_that_the_database_had_decided_goes_out(keeping_on_both: Keeping) -> None:
    """Queued, in the snapshot, carried by nobody: it goes as it is, and is not sent once more afterwards."""
    stage = keeping_on_both.stage
    dive = stage.dive_in()
    stage.receive_and_answer(BRAM, "SOS lost Anna")
    keeping_on_both.look()
    with gone(stage.engine):
        keeping_on_both.without(minutes=1, seconds=10)
        assert "lost Anna" in stage.last_to(CLEO)
    keeping_on_both.look()
    stage.courier.carry()

    assert len([body for body in stage.to(CLEO) if "lost Anna" in body]) == 1
    message = stage.message(dive.id, "contact-0", "raised")
    assert (message.state, message.attempts) == ("handed", 1)
    stage.text(ANNA, "OUT")


def test_a_disk_that_is_full_too_stops_no_alarm(keeping: Keeping, monkeypatch: pytest.MonkeyPatch) -> None:
    """The journal is kept in mind, and comes into the record all the same."""
    stage = keeping.stage
    dive = armed(keeping)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with gone(stage.engine), monkeypatch.context() as patch:
        patch.setattr(outage_journal, "append_whole", full)
        keeping.without(minutes=2, seconds=10)
        assert len(alarms(stage, CLEO)) == 1
        assert not keeping.spool.keeper.journal.exists()
    keeping.look()

    assert [one.key for one in stage.dive(dive.id).alerted] == ["contact-0"]
    stage.turn()
    stage.text(ANNA, "OUT")


def test_a_dive_on_which_the_rules_fail_holds_up_no_other(keeping: Keeping, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its contacts get the plainest alarm, once; the other's are told as ever."""
    stage = keeping.stage
    bad = stage.dive_in(plan_of(1))
    armed(keeping)
    rules = outage_ladder.decide

    def break_down(dive: Dive, *given: Any) -> Any:
        if dive.id == bad.id:
            raise RuntimeError("a fault in the rules")
        return rules(dive, *given)

    monkeypatch.setattr(outage_ladder, "decide", break_down)
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=10)
        assert len(alarms(stage, CLEO)) == 1
        keeping.without(minutes=2)
        for contact in bad.contacts:
            told = [body for body in stage.to(contact.phone or "") if "a dive may be overdue" in body]
            assert len(told) == 1
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")
    stage.text(bad.lead.phone or "", "OUT")


def test_where_no_keeper_runs_the_sweep_brings_the_journal_in_first(keeping: Keeping) -> None:
    """The keeper died in the outage: a worker of that machine knows whom it told before it decides anything."""
    stage = keeping.stage
    dive = armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=3)
        keeping.standby.close()
    drain_quietly(stage.service, keeping.spool)
    stage.turn()

    assert not keeping.spool.keeper.journal.exists()
    assert len([body for body in stage.to(CLEO) if "OVERDUE" in body]) == 1
    assert [one.key for one in stage.dive(dive.id).alerted] == ["contact-0"]
    stage.text(ANNA, "OUT")
    keeping.start()


def test_a_keeper_that_runs_brings_its_journal_in_itself(keeping: Keeping) -> None:
    """Somebody else waits for it a little, and then goes on: an alarm that is due waits no longer."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=10)
    merge_first(stage.service, keeping.spool.keeper, wait_s=0.1)

    assert keeping.spool.keeper.journal.exists()
    keeping.look()
    assert not keeping.spool.keeper.journal.exists()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_what_cannot_be_brought_in_is_put_aside(keeping: Keeping, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of ours in merging must not look like a database that is gone for ever; the admins hear of it."""
    stage = keeping.stage
    armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=2, seconds=10)

    def break_down(*_: object) -> None:
        raise RuntimeError("a fault of ours")

    with monkeypatch.context() as patch:
        patch.setattr(merging, "_merge_one", break_down)
        keeping.look()
    stage.courier.carry()

    [aside] = keeping.spool.keeper.directory.glob("*.aside")
    assert "could not be brought in" in stage.last_to(FINN)
    aside.rename(keeping.spool.keeper.journal)
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_a_dive_that_the_restored_database_does_not_know_keeps_no_other_out(unchecked: Stage, tmp_path: Path) -> None:
    """Filed after the backup, alarmed without the database: its record is put aside, and the keeper keeps watch."""
    stage = unchecked
    path, _ = back_up(stage.engine, tmp_path / "one", stage.clock.at, "1.0")
    keeping = Keeping(stage, tmp_path / "keeper")
    armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=3)
    restore(stage.service, path, replaces=True, even_if_running=True)
    keeping.look()
    stage.courier.carry()

    assert not keeping.spool.keeper.journal.exists()
    assert any("1 dives could not be brought in" in body for body in stage.to(FINN))
    assert any("The database was set back" in body for body in stage.to(FINN))
    keeping.standby.close()


def test_a_crash_in_mid_merge_loses_nothing(keeping_on_both: Keeping, monkeypatch: pytest.MonkeyPatch) -> None:
    """The database goes once more after the first of two dives: the next look brings in both, and neither twice."""
    stage = keeping_on_both.stage
    other = stage.dive_in(plan_of(1))
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
    real, merged = merging._merge_one, []

    def once(*given: Any) -> None:
        if len(merged) == 2:
            raise OperationalError("COMMIT", {}, OSError("gone again"))
        merged.append(given[2])
        real(*given)

    with monkeypatch.context() as patch:
        patch.setattr(merging, "_merge_one", once)
        with pytest.raises(OperationalError):
            keeping_on_both.standby.look()
    keeping_on_both.look()

    for one in (dive, other):
        assert [kind for kind in stage.kinds(one) if kind == "told_meanwhile"] == ["told_meanwhile"]
        assert [told.key for told in stage.dive(one.id).alerted] == ["contact-0"]
    stage.turn()
    for one in (dive, other):
        stage.text(one.lead.phone or "", "OUT")


def test_who_may_not_have_the_alarm_is_told_again(keeping_on_both: Keeping) -> None:
    """No gateway took it without the database: the dive does not believe that anybody was told, and tells them now."""
    stage = keeping_on_both.stage
    armed(keeping_on_both)
    stage.first.usually = stage.second.usually = time_out
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
    stage.first.usually = stage.second.usually = accept
    keeping_on_both.look()
    stage.turn()

    assert "OVERDUE" in stage.last_to(CLEO)
    stage.text(ANNA, "OUT")


def test_distress_that_one_of_them_may_not_have_is_told_to_all_again(keeping_on_both: Keeping) -> None:
    """The second contact's network was away: they do not wait ten minutes for the next round."""
    stage = keeping_on_both.stage
    armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=15)
        for gateway in (stage.first, stage.second):
            gateway.numbers[DOV] = time_out
        keeping_on_both.without(minutes=2)
        assert "CALL RESCUE NOW" in stage.last_to(CLEO)
    for gateway in (stage.first, stage.second):
        gateway.numbers.clear()
    keeping_on_both.look()
    stage.turn()

    assert "CALL RESCUE NOW" in stage.last_to(DOV)
    assert NOT_CONFIRMED not in stage.last_to(DOV)
    stage.text(ANNA, "OUT")


@dataclass
class GoingClock:
    """A clock that goes on between any two looks at it, as every real one does."""

    stage: Stage
    looks: int = 0

    def now(self) -> datetime:
        """A microsecond later each time, a second behind the gateways'."""
        self.looks += 1
        return self.stage.clock.at + timedelta(seconds=-1, microseconds=self.looks)


def test_the_dive_knows_who_was_told_by_a_clock_that_goes_on(keeping_on_both: Keeping) -> None:
    """Wording takes time, and the messages are found to be of their step all the same."""
    stage = keeping_on_both.stage
    keeping_on_both.clock = GoingClock(stage)
    keeping_on_both.start_again()
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
    keeping_on_both.look()
    stage.turn()

    assert [one.key for one in stage.dive(dive.id).alerted] == ["contact-0"]
    assert len([body for body in stage.to(CLEO) if "OVERDUE" in body]) == 1
    stage.text(ANNA, "OUT")
