"""Personal detail goes when its time is over, never that of a dive that is open or kept; the log goes on to verify."""

from __future__ import annotations

from collections.abc import Collection
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, func, select, update
from sqlalchemy.orm import Session

from service.domain.dive.erased import ERASED, without_detail
from service.operations import joining, people_files
from service.operations.admin_roles import AdminRole
from service.operations.contact_reading import NamedPhone
from service.operations.people import PersonTyped
from service.operations.retention import DAYS_USUAL, SETTING, erase_past
from service.operations.signing_in import SignedIn
from service.store import admins, clubs, health, kept, log, retention
from service.store.engine import writing
from service.store.retention import Erased
from service.store.tables import Base, ClubRow, DiveRow, LogEntryRow, MessageRow
from tests.checker import chains
from tests.checker.reading import read
from tests.operations.conftest import staged_on
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, CLUB, DOV, STRANGER, Stage, plan, plan_of
from tests.store.test_log_check import GUARDS

DAY = timedelta(days=1)
# What the club keeps of people whatever becomes of one dive: its people, and who wants no texts.
THEIR_OWN = {"people", "admins", "opt_outs", "clubs", "practice_texts", "practice_calls", "alembic_version"}


def everywhere(stage: Stage, word: str) -> set[str]:
    """The tables in which a word still stands somewhere."""

    def look(session: Session) -> set[str]:
        return {
            table.name
            for table in Base.metadata.sorted_tables
            if any(word in repr(tuple(row)) for row in session.execute(select(table)))
        }

    return stage.service.read(look) - THEIR_OWN


def steadily(stage: Stage) -> None:
    """Let the job have run for a day, as it does in a service that is up."""
    for _ in range(5):
        erase_past(stage.service)
        stage.clock.at += timedelta(hours=6)


def in_days(stage: Stage, days: float) -> Erased:
    """Let days go by in which the job ran at its hours, but for its last round, which is this one."""
    stage.clock.at += timedelta(days=days)
    note = stage.clock.at - timedelta(hours=1)
    since = (note - 3 * DAY).isoformat()
    stage.service.write(lambda session: health.set_back(session, "retention", note, since))
    return erase_past(stage.service)


def a_night(stage: Stage) -> str:
    """A dive that went as far as rescue, with texts, positions and words of everybody; closed at its end."""
    dive = stage.dive_in(plan(vehicle="Green van", notes="Anna has a cough"))
    stage.text(ANNA, "POS 50.12345 -5.54321")
    stage.sleep(70)
    stage.turn()
    stage.text(CLEO, f"OK {dive.reference}")
    stage.text(CLEO, f"CALLED {dive.reference}")
    stage.text(BRAM, "we can see the van and wave")
    stage.text(CLEO, f"SAFE 2 {dive.reference}")
    return dive.id


def sound(engine: Engine) -> None:
    """The log verifies, asked by the service and by the checker's own recipe."""
    assert log.verify_database(engine) == []
    record = read(engine, [], BEGIN_AT)
    for ask in (
        chains.every_entry_is_as_it_was_written,
        chains.every_chain_is_whole,
        chains.every_entry_is_in_its_own_chain,
        chains.every_checkpoint_saw_what_is_there,
        chains.what_was_erased_keeps_its_hash,
    ):
        assert list(ask(record)) == []


def test_nothing_personal_is_left_anywhere_once_its_time_is_over(unchecked: Stage) -> None:
    """No table holds a name, number, word or position of the dive; chains, times and counts stay, and all verifies."""
    stage = unchecked
    dive_id = a_night(stage)
    stage.text(STRANGER, "is this the number for the boat trip")
    before = stage.dive(dive_id)
    stage.service.write(lambda session: log.checkpoint(session, stage.clock.at))
    entries = len(stage.entries(before))

    assert in_days(stage, DAYS_USUAL - 1) == Erased()
    assert everywhere(stage, "Cleo Marsh") >= {"dives", "log_entries", "messages", "dive_phones"}
    erased = in_days(stage, 2)

    assert erased.dives == 1
    assert erased.entries >= entries
    words = ("Anna Holt", "Cleo Marsh", ANNA, CLEO, DOV, STRANGER, "50.12345", "Green van", "cough", "wave")
    for word in (*words, "boat trip", before.start_code, before.finish_code):
        assert everywhere(stage, word) == set(), word
    after = stage.dive(dive_id)
    assert after == without_detail(before)
    assert (after.phase, after.closed_at, after.closed_count, after.head_count) == (
        before.phase,
        before.closed_at,
        before.closed_count,
        2,
    )
    assert after.plan.site.name == "Lantern Cove"
    assert erase_past(stage.service) == Erased()
    sound(stage.engine)


def test_an_erasure_is_in_the_chain_of_the_dive_and_in_that_of_the_club_with_counts(unchecked: Stage) -> None:
    """Who looks later sees that something was erased, when, how much and why; a fold of it is not compared."""
    dive_id = a_night(unchecked)
    in_days(unchecked, DAYS_USUAL + 1)

    own = unchecked.entries(chain=f"dive:{dive_id}")[-1]
    of_club = [entry for entry in unchecked.entries(chain=f"club:{CLUB}") if entry.kind == "details_erased"]

    assert own.kind == "details_erased"
    assert own.detail is not None
    assert own.detail["why"] == f"{DAYS_USUAL} days are over"
    assert own.detail["messages"] > 4
    assert of_club[0].detail is not None
    assert (of_club[0].detail["dives"], of_club[0].detail["of"]) == (1, [dive_id])
    assert unchecked.service.read(log.not_folded) == 1
    assert unchecked.service.read(lambda session: log.erased_at(session, dive_id)) == unchecked.clock.at


def test_an_open_dive_is_never_touched_however_old_it_is(unchecked: Stage) -> None:
    """Ten years on the alarm still stands, and all that rescue needs is there."""
    dive = unchecked.dive_in()
    unchecked.wait(minutes=70)

    assert in_days(unchecked, 3650).dives == 0

    assert unchecked.dive(dive.id).plan == dive.plan
    assert {"dives", "dive_phones", "messages", "log_entries"} <= everywhere(unchecked, CLEO)
    assert all(entry.detail is not None for entry in unchecked.entries(dive))
    said = [entry for entry in unchecked.entries(chain=f"club:{CLUB}") if entry.kind == "text_in"]
    assert [entry.detail is not None for entry in said] == [True]  # the text that started it


@pytest.mark.parametrize("days", [7, 30])
def test_the_clubs_own_days_count_from_the_close(unchecked: Stage, days: int) -> None:
    """A dive closed less than so many days ago stays, one closed longer ago goes."""
    stage = unchecked
    stage.service.write(lambda session: _set_days(session, days))
    old = a_night(stage)
    stage.clock.at += DAY
    young = a_night(stage)

    assert in_days(stage, days - 0.5).dives == 1

    assert stage.dive(old).plan.lead.name == ERASED
    assert stage.dive(young).plan.lead.name == "Anna Holt"
    sound(stage.engine)


def test_a_club_that_keeps_for_good_loses_nothing(unchecked: Stage) -> None:
    """Where the days are 0 nothing is ever erased."""
    unchecked.service.write(lambda session: _set_days(session, 0))
    dive_id = a_night(unchecked)

    assert in_days(unchecked, 3000) == Erased()
    assert unchecked.dive(dive_id).plan.lead.name == "Anna Holt"


def test_a_dive_that_is_kept_stays_whole_with_its_texts_until_it_is_let_go(unchecked: Stage) -> None:
    """For an inquiry nothing of it goes, not even the words in the club's chain; afterwards all of it."""
    stage = unchecked
    dive_id = a_night(stage)
    stage.service.write(lambda session: kept.keep(session, CLUB, dive_id, "Finn Aske", "inquiry", stage.clock.at))

    assert in_days(stage, DAYS_USUAL + 100).dives == 0
    assert {"inbound_texts", "log_entries", "messages", "dives"} <= everywhere(stage, "wave")
    stage.service.write(lambda session: kept.let_go(session, CLUB, dive_id))
    assert in_days(stage, 1).dives == 1

    assert everywhere(stage, "wave") == set()
    sound(stage.engine)


def test_a_clock_that_jumps_erases_nothing_for_a_day(unchecked: Stage) -> None:
    """A machine that wakes up in another year must not erase what nobody can bring back; set right, all goes on."""
    stage = unchecked
    dive_id = a_night(stage)
    steadily(stage)

    stage.clock.at += timedelta(days=400)
    assert erase_past(stage.service) == Erased()
    stage.clock.at += timedelta(hours=5)
    assert erase_past(stage.service) == Erased()
    stage.clock.at -= timedelta(days=400)  # somebody sets it right
    assert erase_past(stage.service) == Erased()
    assert stage.dive(dive_id).plan.lead.name == "Anna Holt"

    steadily(stage)
    assert in_days(stage, DAYS_USUAL + 1).dives == 1


def test_what_dies_in_the_middle_is_gone_on_with(unchecked: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """A dive is erased whole or not at all; the next run does the rest."""
    stage = unchecked
    dive_ids = [a_night(stage) for _ in range(3)]
    monkeypatch.setattr("service.operations.retention.DIVES_AT_ONCE", 1)
    real, calls = retention.erase_dive, []

    def breaks(session: Session, dive_id: str, *rest: Any) -> Erased:
        calls.append(dive_id)
        done = real(session, dive_id, *rest)
        if len(calls) == 2:
            raise KeyboardInterrupt("the power fails")
        return done

    monkeypatch.setattr("service.store.retention.erase_dive", breaks)
    with pytest.raises(KeyboardInterrupt, match="power"):
        in_days(stage, DAYS_USUAL + 1)
    erased = [stage.dive(dive_id).plan.lead.name == ERASED for dive_id in dive_ids]
    assert sum(erased) == 1

    assert in_days(stage, 0).dives == 2
    sound(stage.engine)


def breaks_at(monkeypatch: pytest.MonkeyPatch, broken: Collection[str]) -> None:
    """Let erasing fail in the middle of some dives."""
    real = retention.erase_dive

    def breaks(session: Session, dive_id: str, *rest: Any) -> Erased:
        done = real(session, dive_id, *rest)
        if dive_id in broken:
            raise RuntimeError("a fault of ours")
        return done

    monkeypatch.setattr("service.store.retention.erase_dive", breaks)


def not_erased(stage: Stage) -> list[Any]:
    """What the chain of the club says of what could not be erased."""
    return [one.detail for one in stage.entries(chain=f"club:{CLUB}") if one.kind == "not_erased"]


def told_of_it(stage: Stage) -> int:
    """How many texts of it are queued for the admins; the club of the stage has one."""
    found = select(func.count()).where(
        MessageRow.step.startswith("not_erased"), MessageRow.person_key.startswith("admin")
    )
    return stage.service.read(lambda session: session.execute(found).scalar_one())


def test_dives_that_cannot_be_erased_keep_no_other_from_it(unchecked: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """They stay whole, more of them than are taken at once; the others go, the admins hear of it once a week."""
    stage = unchecked
    dive_ids = [a_night(stage) for _ in range(4)]
    monkeypatch.setattr("service.operations.retention.DIVES_AT_ONCE", 2)
    broken = set(dive_ids[:3])
    breaks_at(monkeypatch, broken)

    assert in_days(stage, DAYS_USUAL + 1).dives == 1
    assert [stage.dive(dive_id).plan.lead.name for dive_id in dive_ids] == [*["Anna Holt"] * 3, ERASED]
    assert not_erased(stage) == [{"dives": 3, "of": sorted(broken)}]
    assert told_of_it(stage) == 1
    sound(stage.engine)

    assert in_days(stage, 1) == Erased()
    assert (len(not_erased(stage)), told_of_it(stage)) == (1, 1)
    in_days(stage, 7)
    assert (len(not_erased(stage)), told_of_it(stage)) == (2, 2)

    broken.clear()
    assert in_days(stage, 0).dives == 3
    sound(stage.engine)


def test_what_fails_in_one_club_keeps_no_other_club_from_it(unchecked: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its own admins hear of it; what belongs to no club is erased all the same."""
    stage = unchecked
    a_night(stage)
    real = retention.erase_loose_texts

    def breaks(session: Session, *rest: Any, receiver: str | None, receivers: Collection[str]) -> int:
        if receiver is not None:
            raise RuntimeError("a fault of ours")
        return real(session, *rest, receiver=receiver, receivers=receivers)

    monkeypatch.setattr("service.store.retention.erase_loose_texts", breaks)
    stage.text(STRANGER, "hello", receiver="+447700900999")
    in_days(stage, DAYS_USUAL + 1)

    assert not_erased(stage) == [{"dives": 0, "of": []}]
    assert "inbound_texts" not in everywhere(stage, STRANGER)


@pytest.mark.parametrize("torn", ["{torn", "[1, 2]", '{"inbound": [1], "part": {}}'])
def test_an_entry_that_cannot_be_read_keeps_no_other_from_being_erased(unchecked: Stage, torn: str) -> None:
    """Nobody can say whose it is, so it goes by its age; it kept all that came after it in its chain, without end."""
    stage = unchecked
    stage.text(STRANGER, "the first of all")
    with writing(stage.engine) as session:
        for statement in GUARDS[stage.engine.dialect.name]:
            session.connection().exec_driver_sql(statement)
        session.execute(update(LogEntryRow).where(LogEntryRow.kind == "text_in").values(detail=torn))
    stage.sleep(10)
    a_night(stage)
    stage.text(STRANGER, "hello from nobody")

    in_days(stage, DAYS_USUAL + 1)

    assert not_erased(stage) == []
    assert everywhere(stage, "from nobody") == everywhere(stage, "a cough") == everywhere(stage, torn) == set()


def test_a_dive_whose_message_is_still_carried_waits(unchecked: Stage) -> None:
    """What somebody has yet to be told is not taken away from under the courier."""
    dive_id = a_night(unchecked)
    waiting = update(MessageRow).where(MessageRow.dive_id == dive_id, MessageRow.kind == "stand_down")
    unchecked.service.write(lambda session: session.execute(waiting.values(state="queued")))

    assert in_days(unchecked, DAYS_USUAL + 1).dives == 0


def test_a_dive_that_cannot_be_read_is_erased_too(unchecked: Stage) -> None:
    """Nobody can say what of an unreadable state is personal, so all of it goes."""
    dive_id = a_night(unchecked)
    broken = update(DiveRow).where(DiveRow.id == dive_id).values(state='{"lead": "Anna Holt"')
    unchecked.service.write(lambda session: session.execute(broken))

    assert in_days(unchecked, DAYS_USUAL + 1).dives == 1
    assert everywhere(unchecked, "Anna Holt") == set()


def test_who_refused_to_be_a_contact_is_remembered_and_nobody_else(unchecked: Stage) -> None:
    """A refusal has to hold; that somebody agreed is forgotten with all else, and they would be asked anew."""
    stage = unchecked
    dive_id = a_night(stage)
    stage.text(CLEO, "AGREE")
    stage.text(DOV, "DECLINE")
    assert everywhere(stage, CLEO) >= {"reaches"}

    in_days(stage, DAYS_USUAL + 1)
    in_days(stage, 1)

    assert everywhere(stage, CLEO) == set()
    assert everywhere(stage, DOV) == {"reaches"}
    assert stage.dive(dive_id).closed_at is not None


def test_an_erasure_that_the_log_does_not_know_of_is_a_fault(unchecked: Stage) -> None:
    """Whoever erases by hand to hide a change is found out, and so is a row that was changed after an erasure."""
    stage = unchecked
    first, second = a_night(stage), a_night(stage)
    stage.service.write(lambda session: log.erase_details(session, first))
    [fault] = log.verify_database(stage.engine)
    assert (fault.chain, fault.words) == (f"dive:{first}", "its details were erased, and no entry says so")

    in_days(stage, DAYS_USUAL + 1)
    sound(stage.engine)
    more = update(DiveRow).where(DiveRow.id == second).values(head_count=1)
    stage.service.write(lambda session: session.execute(more))
    [fault] = log.verify_database(stage.engine)
    assert fault.words == "the row of the dive differs from the fold in head_count"


@pytest.mark.postgres
def test_a_dive_that_another_process_has_in_hand_is_passed_over(postgres_engine: Engine) -> None:
    """Two that erase at once never take the same dive, and neither waits for the other."""
    with staged_on(postgres_engine) as stage:
        dive_ids = {a_night(stage) for _ in range(2)}
        before = stage.clock.at + DAY
        with writing(stage.engine) as one, writing(stage.engine) as other:
            mine = retention.due(one, CLUB, before, 1)
            others = retention.due(other, CLUB, before, 5)

    assert {*mine, *others} == dive_ids
    assert len(mine) == len(others) == 1


def _set_days(session: Session, days: int) -> None:
    club = clubs.get(session, CLUB)
    assert isinstance(club, ClubRow)
    club.settings = {**club.settings, SETTING: days}


def test_a_storm_of_strangers_is_erased_in_small_steps(unchecked: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Texts of phones without a dive go by their age, with the entries that quote them, a few at a time."""
    stage = unchecked
    monkeypatch.setattr("service.operations.retention.ROWS_AT_ONCE", 3)
    for number in range(8):
        stage.text(f"+44770090080{number}", f"hello from nobody {number}")
    stage.dive_in(plan_of(7))

    erased = in_days(stage, DAYS_USUAL + 1)

    assert (erased.dives, erased.texts) == (0, 8)
    assert everywhere(stage, "from nobody") == set()
    assert everywhere(stage, "+44770090080") == set()


def test_what_nobody_finished_at_the_desk_or_the_door_is_not_kept(stage: Stage) -> None:
    """A form to join that nobody proved, and a list that nobody took over, also where no other one ever comes."""
    name = "Una Fell"
    [row] = stage.service.read(lambda session: admins.admins_to_tell(session, CLUB))
    owner = SignedIn(row.id, row.name, CLUB, "Skerry Bay Divers", "Europe/London", AdminRole.OWNER)
    people_files.look_at(stage.service, owner, f"name,phone\n{name},{STRANGER}\n".encode())
    joining.begin(stage.service, CLUB, PersonTyped(name, "", contacts=(NamedPhone("Cleo Marsh", CLEO),)))
    erase_past(stage.service)
    assert everywhere(stage, name) == {"people_imports", "joins"}

    stage.clock.at += people_files.KEPT
    erase_past(stage.service)
    assert everywhere(stage, name) == {"joins"}

    stage.clock.at += joining.KEPT
    erase_past(stage.service)
    assert everywhere(stage, name) == set()
