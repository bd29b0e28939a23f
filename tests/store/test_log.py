"""The append-only log: written, read, erased, exported; and what the database itself refuses."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.domain.dive import Outcome
from service.domain.dive.events import Closed
from service.store import log, retention
from service.store.engine import reading, writing
from tests.store.examples import BY_ANNA, CLUB, NOW, add_dive, apply, by, filed, minutes, started

ACTOR = {"role": "admin", "name": "Finn Aske", "phone": "+447700900021"}


def note(session: Session, chain: str = "club:skerry-bay", number: int = 1, **changes: object) -> int:
    """Append an entry of no importance."""
    fields: dict[str, object] = {
        "chain": chain,
        "at": NOW,
        "kind": "settings",
        "actor": ACTOR,
        "detail": {"number": number, "words": "grüße"},
        "club_id": CLUB,
    }
    return log.append(session, **(fields | changes))  # type: ignore[arg-type]


def test_entries_come_back_in_order_and_as_they_were(session: Session) -> None:
    """The log says what was written, counted from one, each chain for itself."""
    assert [note(session, number=1), note(session, number=2), note(session, "club:other")] == [1, 2, 1]

    first, second = log.entries(session, "club:skerry-bay")

    assert (first.seq, second.seq) == (1, 2)
    assert first.detail == {"number": 1, "words": "grüße"}
    assert (first.actor, first.at, first.kind, first.club_id, first.dive_id) == (
        ACTOR,
        NOW,
        "settings",
        CLUB,
        None,
    )
    assert log.entries(session, "club:none") == []


def test_a_chain_is_named_after_its_dive_or_club() -> None:
    """The names are in every log that was ever written."""
    assert log.dive_chain("d1") == "dive:d1"
    assert log.club_chain("skerry-bay") == "club:skerry-bay"


def test_the_hash_is_the_one_that_the_page_describes(session: Session) -> None:
    """Anybody can check an export with nothing but SHA-256; the leaf byte is that of RFC 6962 section 2.1."""
    note(session, number=1)
    note(session, number=2)
    before = "00" * 32

    for entry in log.export(by(session), chain="club:skerry-bay"):
        salt = bytes.fromhex(entry["salt"])

        def sha(data: bytes) -> str:
            return hashlib.sha256(data).hexdigest()

        def canonical(value: object) -> bytes:
            return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()

        assert entry["actor_hash"] == sha(salt + canonical(entry["actor"]))
        assert entry["detail_hash"] == sha(salt + canonical(entry["detail"]))
        leaf = [entry[name] for name in ("chain", "seq", "at", "kind", "actor_hash", "detail_hash")]
        assert entry["prev_hash"] == before
        assert entry["hash"] == sha(b"\x00" + bytes.fromhex(before) + canonical(leaf))
        before = entry["hash"]


def test_equal_details_have_different_hashes(session: Session) -> None:
    """After an erasure nobody can find out by trying whose number it was."""
    note(session)
    note(session)

    one, other = log.export(by(session))

    assert one["detail"] == other["detail"]
    assert one["detail_hash"] != other["detail_hash"]
    assert one["actor_hash"] != other["actor_hash"]


def test_the_events_of_a_dive_are_those_entries_that_are_events(session: Session) -> None:
    """Folding leaves out texts, attempts and notes, and keeps their places in the count."""
    dive = add_dive(session)
    note(session, log.dive_chain("d1"), dive_id="d1")
    apply(session, dive, started())

    assert log.events(session, "d1") == [(1, filed()), (3, started())]
    assert log.events(session, "d9") == []


def test_an_erased_dive_keeps_its_chain_and_loses_who_and_what(engine: Engine) -> None:
    """After its retention time the detail goes, the proof stays."""
    with writing(engine) as session:
        dive = apply(session, add_dive(session), started())
        apply(session, dive, Closed(at=NOW, by=BY_ANNA, outcome=Outcome.SURFACED, count=3))
        note(session)
    with writing(engine) as session:
        assert retention.erase_dive(session, "d1", CLUB, NOW).entries == 3
        assert log.erase_details(session, "d1") == 0
        note(session, log.dive_chain("d1"), kind=log.DETAILS_ERASED, dive_id="d1")

    with reading(engine) as session:
        entries = log.entries(session, "dive:d1")[:3]
        assert [(entry.actor, entry.detail) for entry in entries] == [(None, None)] * 3
        assert [entry.kind for entry in entries] == ["event:filed", "event:started", "event:closed"]
        assert log.events(session, "d1") == []
        assert log.verify_all(session) == []
        assert log.not_folded(session) == 1
        assert log.erased_at(session, "d1") == NOW
        whole = json.dumps(list(log.export(by(session), chain="dive:d1")))
        assert BY_ANNA.name not in whole
        assert [entry.detail for entry in log.entries(session, "club:skerry-bay")] != [None]


def test_a_log_without_erasures_is_folded_whole(session: Session) -> None:
    """Nothing is left out of the check unless it was erased."""
    add_dive(session)

    assert log.not_folded(session) == 0


def test_an_export_can_be_narrowed(session: Session) -> None:
    """By chain and by club."""
    note(session, at=NOW)
    note(session, at=NOW + minutes(1))
    note(session, "club:other", at=NOW + minutes(2), club_id=None)

    def kept(**narrow: object) -> list[tuple[str, int]]:
        return [(entry["chain"], entry["seq"]) for entry in log.export(by(session), **narrow)]  # type: ignore[arg-type] # of each its own

    ours = [("club:skerry-bay", 1), ("club:skerry-bay", 2)]
    assert kept() == [*ours, ("club:other", 1)]
    assert kept(chain="club:other") == [("club:other", 1)]
    assert kept(club_id=CLUB) == ours


def test_an_export_is_up_to_where_the_log_was_and_holds_nobody_up(engine: Engine) -> None:
    """Whoever reads it in a pager for an hour keeps no clock from going on."""

    def read(work: Callable[[Session], list[Any]]) -> list[Any]:
        with reading(engine) as session:
            return work(session)

    with writing(engine) as session:
        for number in range(501):
            note(session, number=number)
    exported = log.export(read)
    first = next(exported)
    with writing(engine) as session:
        note(session, number=501)

    assert [first["seq"], *(entry["seq"] for entry in exported)] == list(range(1, 502))
    with reading(engine) as session:
        assert log.count(session) == 502


def test_an_export_is_plain_json(session: Session) -> None:
    """It can be written to a line as it is."""
    note(session)

    assert json.loads(json.dumps(next(log.export(by(session)))))["at"] == "2027-06-01T09:00:00.000000Z"


REFUSED = [
    "DELETE FROM log_entries",
    "UPDATE log_entries SET kind = 'other'",
    "UPDATE log_entries SET detail = '{}'",
    "UPDATE log_entries SET hash = prev_hash",
    "UPDATE log_entries SET at = at, seq = 9",
    "UPDATE log_entries SET detail = NULL",
    "UPDATE log_entries SET detail = NULL, actor = NULL",
    "UPDATE log_entries SET detail = NULL, actor = NULL, salt = NULL, kind = 'other'",
    "UPDATE log_entries SET detail = NULL, actor = NULL, salt = NULL, dive_id = 'd2'",
    "DELETE FROM log_checkpoints",
    "UPDATE log_checkpoints SET hash = prev_hash",
]


@pytest.mark.parametrize("statement", REFUSED)
def test_the_database_refuses_to_change_the_log(engine: Engine, statement: str) -> None:
    """Even a hand-written statement cannot take back what was logged."""
    with writing(engine) as session:
        note(session)
        log.checkpoint(session, NOW)

    with pytest.raises(DBAPIError, match="the log"), writing(engine) as session:
        session.execute(text(statement))

    with reading(engine) as session:
        assert log.verify_all(session) == []


@pytest.mark.postgres
@pytest.mark.parametrize("table", ["log_entries", "log_checkpoints"])
def test_postgresql_refuses_to_empty_the_log(postgres_engine: Engine, table: str) -> None:
    """TRUNCATE passes by triggers for rows, so it has one of its own."""
    with pytest.raises(DBAPIError, match="append-only"), writing(postgres_engine) as session:
        session.execute(text(f"TRUNCATE {table}"))


def test_what_was_erased_cannot_be_written_again(engine: Engine) -> None:
    """An erasure has no way back."""
    with writing(engine) as session:
        note(session, log.dive_chain("d1"))
        log.erase_details(session, "d1")

    with pytest.raises(DBAPIError, match="may only lose"), writing(engine) as session:
        session.execute(text("UPDATE log_entries SET detail = '{}', actor = '{}', salt = '00'"))


def test_a_checkpoint_covers_what_moved_since_the_last(session: Session) -> None:
    """Each one holds the heads that are new, and follows the one before."""
    note(session, "club:a", club_id=None)
    note(session, "club:b", club_id=None)
    log.checkpoint(session, NOW)
    note(session, "club:a", number=2, club_id=None)
    log.checkpoint(session, NOW + timedelta(hours=1))
    log.checkpoint(session, NOW + timedelta(hours=2))

    found = session.execute(text("SELECT heads, prev_hash, hash FROM log_checkpoints ORDER BY id")).all()
    heads = [{chain: seq for chain, (seq, _) in json.loads(row.heads).items()} for row in found]

    assert heads == [{"club:a": 1, "club:b": 1}, {"club:a": 2}, {}]
    assert [row.prev_hash for row in found] == ["0" * 64, found[0].hash, found[1].hash]
    assert log.verify_all(session) == []
