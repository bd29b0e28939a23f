"""Many rows at once: what is written is what one row at a time would have written, on both databases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store import in_bulk, outbox
from service.store.tables import AttemptRow, ChainHeadRow, DiveRow, MessageRow
from service.store.types import NaiveTimeError
from service.store.upsert import insert_or_keep_rows, insert_rows, update_rows
from tests.store.examples import NOW, add_dive, filed, message

MANY = in_bulk.WORTH_IT_FROM
MANY_ALIKE = in_bulk.ALIKE_FROM
WORDS = {
    "quotes and escapes": 'He said "up" \\ and \\"down\\" {a,b} \'c\'',
    "lines and tabs": "one\ntwo\ttwo\r\n\x1f",
    "letters of every kind": "Åse Ø \u2013 \u4e2d \U0001f30a",
    "an escape that somebody wrote out": "\\u0000 and \\\\u0000",
    "nothing": "",
    "a mark": "one\x1etwo",
    "only that": "\x1e",
}


def heads(first: int, count: int) -> list[dict[str, object]]:
    """Heads of chains."""
    return [{"chain": f"c{n}", "seq": n, "hash": "h", "checkpointed_seq": 0} for n in range(first, first + count)]


def seqs(session: Session) -> dict[str, int]:
    """The number of each head."""
    return dict(iter(session.execute(select(ChainHeadRow.chain, ChainHeadRow.seq))))


def states(session: Session) -> list[str]:
    """What is stored of each dive, by their ids."""
    return list(session.execute(select(DiveRow.state).order_by(DiveRow.id)).scalars())


def add_dives(session: Session) -> list[str]:
    """As many dives as are written together; their ids in order."""
    for number in range(MANY):
        codes = {"start_code": f"S{number}", "finish_code": f"F{number}"}
        add_dive(session, replace(filed(), dive_id=f"d{number}", **codes))
    return [f"d{number}" for number in range(MANY)]


def write_states(session: Session, words: Sequence[str]) -> None:
    """Write these words for the state of dives that are there."""
    values = [{"of": one, "state": state} for one, state in zip(add_dives(session), words, strict=True)]
    assert update_rows(session, DiveRow, {"id": "of"}, values) == MANY


def bodies(session: Session) -> list[str]:
    """The words of all messages, by their steps."""
    return list(session.execute(select(MessageRow.body).order_by(MessageRow.step)).scalars())


@pytest.mark.parametrize("count", [1, MANY - 1, MANY, 50])
def test_as_many_rows_arrive_as_were_given(session: Session, count: int) -> None:
    """On either side of the number from which they go together."""
    insert_rows(session, ChainHeadRow, *heads(0, count))

    assert seqs(session) == {f"c{n}": n for n in range(count)}


def test_rows_that_are_there_are_kept_and_not_counted(session: Session) -> None:
    """As with one row at a time."""
    insert_rows(session, ChainHeadRow, *heads(0, 2))

    assert insert_or_keep_rows(session, ChainHeadRow, heads(0, MANY + 2)) == MANY


def test_only_rows_that_are_found_are_updated_and_counted(session: Session) -> None:
    """Each by all of its keys, each with its own values; a key may be a column that is changed."""
    insert_rows(session, ChainHeadRow, *heads(0, MANY))
    changed = [{"of": f"c{n}", "was": n, "seq": n + 100} for n in range(MANY + 1)]
    changed[0]["was"] = 7_000

    assert update_rows(session, ChainHeadRow, {"chain": "of", "seq": "was"}, changed) == MANY - 1
    assert seqs(session) == {"c0": 0, **{f"c{n}": n + 100 for n in range(1, MANY)}}


def test_nothing_to_update_is_no_statement(session: Session) -> None:
    """And touches no row."""
    assert update_rows(session, ChainHeadRow, {"chain": "of"}, []) == 0


@pytest.mark.parametrize("count", [1, MANY, MANY_ALIKE])
@pytest.mark.parametrize("words", WORDS.values(), ids=WORDS.keys())
def test_words_arrive_letter_by_letter(session: Session, words: str, count: int) -> None:
    """Whatever their letters mean where they are written on the way, one by one or once for all."""
    add_dive(session)

    outbox.queue_all(session, [message(step=f"s-{n}", body=words) for n in range(count)])

    assert bodies(session) == [words] * count


@pytest.mark.parametrize("words", WORDS.values(), ids=WORDS.keys())
def test_long_texts_arrive_letter_by_letter(session: Session, words: str) -> None:
    """The mark that stands between them too, when somebody has it in their words."""
    written = [words, *("plain" * 1_000 for _ in range(1, MANY))]

    write_states(session, written)

    assert states(session) == written


@pytest.mark.parametrize("broken", ["\x00", "\ud83c"])
def test_what_no_database_can_keep_is_replaced_in_a_long_text(session: Session, broken: str) -> None:
    """As in any other, and it breaks none of the others."""
    write_states(session, [f"a{broken}b", *("plain" for _ in range(1, MANY))])

    assert states(session) == ["a\ufffdb", *("plain" for _ in range(1, MANY))]


@pytest.mark.parametrize("broken", ["\x00", "\ud83c"])
def test_what_no_database_can_keep_is_replaced_where_all_say_it(session: Session, broken: str) -> None:
    """As where one does."""
    add_dive(session)

    outbox.queue_all(session, [message(step=f"s-{n}", body=f"a{broken}b") for n in range(MANY_ALIKE)])

    assert bodies(session) == ["a\ufffdb"] * MANY_ALIKE


@pytest.mark.parametrize("broken", ["\x00", "\ud83c"])
def test_what_no_database_can_keep_is_replaced(session: Session, broken: str) -> None:
    """A broken text is still a stored text, and it breaks none of the others."""
    add_dive(session)
    new = [message(step="s-0", body=f"a{broken}b"), *(message(step=f"s-{n}") for n in range(1, MANY))]

    outbox.queue_all(session, new)

    assert bodies(session) == ["a\ufffdb", *(one.body for one in new[1:])]


@pytest.mark.parametrize("broken", ["\x00", "\ud83c"])
def test_what_no_database_can_keep_is_replaced_beside_a_mark(session: Session, broken: str) -> None:
    """Where the words go as JSON."""
    write_states(session, [f"a{broken}b", "one\x1etwo", *("plain" for _ in range(2, MANY))])

    assert states(session) == ["a\ufffdb", "one\x1etwo", *("plain" for _ in range(2, MANY))]


@pytest.mark.parametrize("count", [1, MANY, MANY_ALIKE])
def test_rows_that_are_all_alike_arrive_as_often_as_they_were_given(session: Session, count: int) -> None:
    """Nothing in them says how many they are."""
    add_dive(session)
    [message_id] = outbox.queue_all(session, [message()])
    tried = {"message_id": message_id, "gateway": "first", "carried_by": "c-1", "started_at": NOW}

    insert_rows(session, AttemptRow, *([tried] * count))

    found = session.execute(select(AttemptRow.message_id, AttemptRow.started_at)).all()
    assert [tuple(one) for one in found] == [(message_id, NOW)] * count


@pytest.mark.parametrize("count", [MANY, MANY_ALIKE])
def test_instants_numbers_and_absent_values_arrive_as_they_are(session: Session, count: int) -> None:
    """To the microsecond, and the same instant whatever its zone."""
    add_dive(session)
    at = datetime(2027, 6, 1, 11, 0, 0, 123_456, tzinfo=timezone(timedelta(hours=2)))
    new = [message(step=f"s-{n}", due_at=at, rank=n, expires_at=NOW if n else None) for n in range(count)]

    ids = outbox.queue_all(session, new)

    for number, message_id in enumerate(ids):
        found = outbox.get(session, message_id or "")
        assert found is not None
        assert (found.due_at, found.rank, found.in_flight) == (at, number, False)
        assert found.expires_at == (NOW if number else None)


def test_an_instant_without_a_zone_is_refused(session: Session) -> None:
    """It could be any of a day's instants."""
    add_dive(session)
    naive = [message(step=f"s-{n}", due_at=NOW.replace(tzinfo=None)) for n in range(MANY)]

    with pytest.raises(NaiveTimeError):
        outbox.queue_all(session, naive)
    session.rollback()
