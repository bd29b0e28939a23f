"""Whatever is changed in the log or behind its back is found, and named."""

# ruff: noqa: S608 - the statements are of these tests' own words

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.store import log, log_check, log_erased
from service.store.chain import Fault
from service.store.engine import reading, writing
from service.store.log_check import Reached, verify_on
from tests.store.examples import NOW, add_dive, apply, by, filed, log_event, started

GUARDS = {
    "sqlite": [
        "DROP TRIGGER log_entries_no_delete",
        "DROP TRIGGER log_entries_erasure_only",
        "DROP TRIGGER log_checkpoints_no_delete",
        "DROP TRIGGER log_checkpoints_no_update",
    ],
    "postgresql": [
        "ALTER TABLE log_entries DISABLE TRIGGER ALL",
        "ALTER TABLE log_checkpoints DISABLE TRIGGER ALL",
    ],
}


@pytest.fixture
def logged(engine: Engine) -> Engine:
    """A started dive, a club chain of three entries and two checkpoints, all in order."""
    with writing(engine) as session:
        apply(session, add_dive(session), started())
        for number in range(3):
            log.append(
                session,
                chain="club:skerry-bay",
                at=NOW,
                kind="settings",
                actor={"name": "Finn Aske"},
                detail={"number": number},
                club_id="skerry-bay",
            )
            log.checkpoint(session, NOW)
    with reading(engine) as session:
        assert log.verify_all(session) == []
    return engine


def tamper(engine: Engine, *statements: str) -> list[Fault]:
    """What the check says after somebody with every right took the guards down and did this."""
    with writing(engine) as session:
        for statement in [*GUARDS[engine.dialect.name], *statements]:
            session.connection().exec_driver_sql(statement)
    with reading(engine) as session:
        faults = log.verify_all(session)
    assert log.verify_database(engine) == faults
    return faults


def test_a_sound_log_has_no_faults(logged: Engine) -> None:
    """The check does not cry wolf."""
    with reading(logged) as session:
        assert log.verify_chain(session, "club:skerry-bay") is None
        assert log.verify_chain(session, "dive:d1") is None
        assert log.verify_chain(session, "club:never") is None
        assert log.verify_dive(session, "d1") == []
        assert log.verify_all(session) == []


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("detail", "'{\"number\":7}'", "its detail was changed"),
        ("actor", '\'{"name":"Dov"}\'', "its actor was changed"),
        ("kind", "'login'", "its time, kind or hashes were changed"),
        ("at", "1798000000000000", "its time, kind or hashes were changed"),
        ("detail_hash", "prev_hash", "its time, kind or hashes were changed"),
        ("actor_hash", "prev_hash", "its time, kind or hashes were changed"),
        ("prev_hash", "hash", "it does not follow the entry before it"),
        ("hash", "prev_hash", "its time, kind or hashes were changed"),
        ("salt", "'00'", "its actor was changed"),
        ("salt", "NULL", "its actor was changed"),
        ("club_id", "'other'", "it was moved to another dive or club"),
    ],
)
def test_any_change_to_an_entry_is_found_at_that_entry(logged: Engine, column: str, value: str, words: str) -> None:
    """Whatever field it is, the chain says which entry is not as it was written."""
    if column == "at" and logged.dialect.name == "postgresql":
        value = "at + interval '1 second'"
    statement = f"UPDATE log_entries SET {column} = {value} WHERE chain = 'club:skerry-bay' AND seq = 2"

    assert Fault("club:skerry-bay", 2, words) in tamper(logged, statement)


def test_a_missing_entry_is_found(logged: Engine) -> None:
    """The count has a gap."""
    faults = tamper(logged, "DELETE FROM log_entries WHERE chain = 'club:skerry-bay' AND seq = 2")

    assert Fault("club:skerry-bay", 3, "entry 2 is missing") in faults


def test_an_entry_cut_off_at_the_end_is_found(logged: Engine) -> None:
    """The head remembers what was last."""
    faults = tamper(logged, "DELETE FROM log_entries WHERE chain = 'club:skerry-bay' AND seq = 3")

    words = "the chain does not end where its head says: entries were cut off"
    assert Fault("club:skerry-bay", 2, words) in faults


def test_an_entry_cut_off_together_with_its_head_is_found_by_a_checkpoint(logged: Engine) -> None:
    """Whoever turns the chain back cleverly still meets the hourly witness."""
    faults = tamper(
        logged,
        "DELETE FROM log_entries WHERE chain = 'club:skerry-bay' AND seq = 3",
        "UPDATE chain_heads SET seq = 2, hash = (SELECT hash FROM log_entries"
        " WHERE chain = 'club:skerry-bay' AND seq = 2) WHERE chain = 'club:skerry-bay'",
    )

    assert faults == [Fault("club:skerry-bay", 3, "entry 3 is missing: checkpoint 3 saw the chain up to 3")]


def test_a_whole_chain_that_is_gone_is_found(logged: Engine) -> None:
    """Not even its head remains, but a checkpoint saw it."""
    faults = tamper(
        logged,
        "DELETE FROM log_entries WHERE chain = 'club:skerry-bay'",
        "DELETE FROM chain_heads WHERE chain = 'club:skerry-bay'",
    )

    assert [fault.chain for fault in faults] == ["club:skerry-bay"]


def test_a_changed_checkpoint_is_found(logged: Engine) -> None:
    """A witness cannot be made to say something else."""
    faults = tamper(logged, "UPDATE log_checkpoints SET heads = '{}' WHERE id = 2")

    words = "the checkpoint was changed, or one before it is missing"
    assert faults == [Fault("checkpoints", 2, words)]


@pytest.mark.parametrize(("number", "words"), [(2, "one before it is missing"), (3, "checkpoints were cut off")])
def test_a_missing_checkpoint_is_found(logged: Engine, number: int, words: str) -> None:
    """In the middle or at the end."""
    faults = tamper(logged, f"DELETE FROM log_checkpoints WHERE id = {number}")

    assert [fault.chain for fault in faults] == ["checkpoints"]
    assert faults[0].words.endswith(words)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("phase = 'closed'", "the row of the dive differs from the fold in phase"),
        ("raise_by_at = NULL", "the row of the dive differs from the fold in raise_by_at"),
        ("lead_name = 'Nobody', head_count = 1", "differs from the fold in head_count, lead_name"),
        ("version = 7", "the row of the dive differs from the fold in version"),
        ("state = '{'", "the state of the dive cannot be read"),
        ("state = replace(state, 'Anna', 'Anne')", "the state of the dive is not the fold of its events"),
    ],
)
def test_a_row_that_is_not_the_fold_is_found(logged: Engine, change: str, words: str) -> None:
    """Whoever edits a dive by hand, without an event, is found out."""
    faults = tamper(logged, f"UPDATE dives SET {change}")

    assert len(faults) == 1
    assert (faults[0].chain, faults[0].seq) == ("dive:d1", None)
    assert words in faults[0].words


def test_a_dive_without_events_is_found(logged: Engine) -> None:
    """Every dive begins in the log."""
    faults = tamper(
        logged,
        "DELETE FROM log_entries WHERE chain = 'dive:d1'",
        "DELETE FROM chain_heads WHERE chain = 'dive:d1'",
    )

    assert Fault("dive:d1", None, "the log has no event of this dive") in faults


@pytest.mark.parametrize("again", [True, False], ids=["filed twice", "never filed"])
def test_events_that_cannot_be_folded_are_found(session: Session, *, again: bool) -> None:
    """An impossible story is a fault, not a crash of the check."""
    dive = add_dive(session)
    if again:
        log_event(session, dive, filed())
    else:
        other = add_dive(session, filed("d2", "11", "22"))
        log.append(
            session,
            chain=log.dive_chain("d2"),
            at=NOW,
            kind="event:levitated",
            actor={},
            detail={},
            dive_id=other.id,
        )

    (fault,) = log.verify_all(session)

    assert fault.seq == 2
    assert fault.words.startswith("its event cannot be folded")


def test_checking_a_dive_that_does_not_exist_says_so(session: Session) -> None:
    """A mistyped id is not a clean bill of health."""
    assert log.verify_dive(session, "d9") == [Fault("dive:d9", None, "there is no such dive")]


def test_what_is_no_event_has_no_part_in_the_fold(session: Session) -> None:
    """Texts, attempts and notes stand between the events of a dive and change nothing of it."""
    dive = add_dive(session)
    log.append(session, chain="dive:d1", at=NOW, kind="text_read", actor={}, detail={}, dive_id="d1")
    apply(session, dive, started())

    assert log.verify_all(session) == []


def test_a_chain_longer_than_a_block_is_read_and_checked_whole(engine: Engine) -> None:
    """Long chains are read in blocks of 500; the entries on both sides of a seam follow each other."""
    with writing(engine) as session:
        for number in range(1001):
            log.append(session, chain="club:long", at=NOW, kind="note", actor={}, detail={"number": number})

    with reading(engine) as session:
        exported = [entry["detail"]["number"] for entry in log.export(by(session))]
        assert exported == list(range(1001))
    assert log.verify_database(engine) == []
    assert in_pieces(engine, "club:long") == ([500, 1000, 1001], None)
    faults = tamper(engine, "UPDATE log_entries SET kind = 'other' WHERE seq = 1001")
    assert faults == [Fault("club:long", 1001, "its time, kind or hashes were changed")]
    assert in_pieces(engine, "club:long") == ([500, 1000, 1000], faults[0])
    with writing(engine) as session:  # the guards are down by now
        session.connection().exec_driver_sql("DELETE FROM log_entries WHERE seq = 1001")
    words = "the chain does not end where its head says: entries were cut off"
    assert in_pieces(engine, "club:long") == ([500, 1000, 1000], Fault("club:long", 1000, words))


def test_no_read_of_a_check_is_of_more_than_a_block(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """On SQLite nobody commits during a read, so that no alarm may have to wait for a long one."""
    with writing(engine) as session:
        for number in range(1001):
            log.append(session, chain="club:long", at=NOW, kind="note", actor={}, detail={"number": number})
        for _ in range(101):
            log.checkpoint(session, NOW)
    reads = []

    @contextmanager
    def counted(of: Engine) -> Iterator[Session]:
        reads.append(of)
        with reading(of) as session:
            yield session

    monkeypatch.setattr(log_check, "reading", counted)

    assert log.verify_database(engine) == []
    assert len(reads) == 1 + 3 + 3  # what there is, the chain, the checkpoints


@pytest.mark.parametrize("gone", ["actor = NULL, detail = NULL, salt = NULL", "actor = NULL"])
def test_an_entry_whose_details_somebody_took_out_is_found(logged: Engine, gone: str) -> None:
    """The database lets details be erased; of a dive all are, and the log says so. A single text cannot be hidden."""
    with writing(logged) as session:
        log.append(session, chain="dive:d1", at=NOW, kind="text_in", actor={}, detail={"text": "SOS"}, dive_id="d1")

    faults = tamper(logged, f"UPDATE log_entries SET {gone} WHERE kind = 'text_in'")

    assert faults == [Fault("dive:d1", 3, "its details were erased, and no entry says so")]


DAY = timedelta(days=1)
CHAINS = ("dive:d1", "club:skerry-bay", "service")


@pytest.fixture
def witnessed(logged: Engine) -> Engine:
    """A chain of each kind, all of them seen to their ends by a checkpoint."""
    with writing(logged) as session:
        for number in range(4):
            log.append(session, chain="service", at=NOW, kind="note", actor={}, detail={"number": number})
        log.checkpoint(session, NOW)
    return logged


def turned_back(chain: str, to: int) -> str:
    """The head of a chain set to an earlier entry, or taken away."""
    if not to:
        return f"DELETE FROM chain_heads WHERE chain = '{chain}'"
    last = f"SELECT hash FROM log_entries WHERE chain = '{chain}' AND seq = {to}"
    return f"UPDATE chain_heads SET seq = {to}, hash = ({last}) WHERE chain = '{chain}'"


@pytest.mark.parametrize("chain", CHAINS)
@pytest.mark.parametrize("left", [0, 1])
def test_an_end_that_was_cut_off_with_its_head_is_found_in_every_chain(
    witnessed: Engine, chain: str, left: int
) -> None:
    """Or all of it; the first entry that is missing is named."""
    gone = f"DELETE FROM log_entries WHERE chain = '{chain}' AND seq > {left}"

    faults = tamper(witnessed, gone, turned_back(chain, left))

    words = f"entry {left + 1} is missing: checkpoint "
    assert any((one.chain, one.seq) == (chain, left + 1) and one.words.startswith(words) for one in faults)


@pytest.mark.parametrize("chain", CHAINS)
def test_an_entry_that_is_missing_in_the_middle_is_found_in_every_chain(witnessed: Engine, chain: str) -> None:
    """The count has a gap."""
    faults = tamper(witnessed, f"DELETE FROM log_entries WHERE chain = '{chain}' AND seq = 1")

    assert Fault(chain, 2, "entry 1 is missing") in faults


@pytest.mark.parametrize("all_", [True, False])
def test_checkpoints_that_were_cut_off_with_their_head_are_found(witnessed: Engine, *, all_: bool) -> None:
    """Each chain knows up to where a checkpoint saw it, so that its own end cannot be cut off behind their back."""
    most = 0 if all_ else 1
    kept = f"SELECT hash FROM log_checkpoints WHERE id = {most}"
    head = "0" * 64 if all_ else f"({kept})"

    faults = tamper(
        witnessed,
        f"DELETE FROM log_checkpoints WHERE id > {most}",
        f"UPDATE chain_heads SET seq = {most}, hash = {repr(head) if all_ else head} WHERE chain = 'checkpoints'",
        "DELETE FROM log_entries WHERE chain = 'service' AND seq = 4",
        turned_back("service", 3),
    )

    assert [fault.chain for fault in faults] == ["checkpoints"]
    assert faults[0].words.startswith("checkpoints were cut off: one had seen entry ")


def test_a_dive_whose_row_is_gone_is_found(engine: Engine) -> None:
    """Its chain stays, and there is no such dive."""
    with writing(engine) as session:
        log.append(session, chain="dive:d9", at=NOW, kind="note", actor={}, detail={}, dive_id="d9")

    with reading(engine) as session:
        assert log.verify_all(session) == [Fault("dive:d9", None, "there is no such dive")]


def blank(chain: str, kind: str) -> str:
    """What erases the details of entries."""
    which = f"chain = '{chain}' AND kind = '{kind}'"
    return f"UPDATE log_entries SET actor = NULL, detail = NULL, salt = NULL WHERE {which}"


@pytest.mark.parametrize("chain", ["club:skerry-bay", "service"])
@pytest.mark.parametrize(
    ("kind", "said_after", "said", "hidden"),
    [
        ("text_in", None, {}, True),
        ("text_in", 7 * DAY, {"why": "7 days are over"}, False),
        ("attempt:accepted", 7 * DAY, {"why": "7 days are over"}, False),
        ("text_in", DAY, {"why": "7 days are over"}, True),
        ("text_in", DAY, {"why": log_erased.ON_A_WISH}, False),
        ("settings_changed", 180 * DAY, {"why": "180 days are over"}, True),
        ("settings_changed", DAY, {"why": log_erased.ON_A_WISH}, False),
    ],
)
def test_details_that_somebody_took_out_are_found_in_the_chains_of_clubs_and_of_the_service(
    engine: Engine, chain: str, kind: str, said_after: timedelta | None, said: dict[str, str], *, hidden: bool
) -> None:
    """What belongs to no dive is erased by its age, and what admins did only when a person wishes to be forgotten."""
    with writing(engine) as session:
        for which in ("before", kind, kind):
            log.append(session, chain=chain, at=NOW, kind=which, actor={}, detail={"text": "SOS"})
        if said_after is not None:
            log.append(session, chain=chain, at=NOW + said_after, kind=log.DETAILS_ERASED, actor={}, detail=said)

    faults = tamper(engine, blank(chain, kind))

    assert faults == ([Fault(chain, 2, "its details were erased, and no entry says so")] if hidden else [])


def test_an_end_of_a_wish_says_that_it_was_erased(engine: Engine) -> None:
    """Of whatever kind it was, in the chain of its club."""
    with writing(engine) as session:
        log.append(session, chain="club:skerry-bay", at=NOW, kind="page_viewed", actor={}, detail={})
        log.append(session, chain="club:skerry-bay", at=NOW, kind=log_erased.PERSON_ERASED, actor={}, detail={})

    assert tamper(engine, blank("club:skerry-bay", "page_viewed")) == []


def in_pieces(engine: Engine, chain: str) -> tuple[list[int], Fault | None]:
    """How far each piece came, and the fault that was found."""
    reached, seqs = Reached(), []
    while not reached.ended:
        with reading(engine) as session:
            reached = verify_on(session, chain, reached)
        seqs.append(reached.seq)
    return seqs, reached.fault
