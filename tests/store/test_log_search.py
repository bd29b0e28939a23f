"""Looking through a club's log: pages by key, and every question read off an index on both databases."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, event, text
from sqlalchemy.orm import Session

from service.store import log, log_search
from service.store.engine import writing
from service.store.log_search import PAGE, Wanted
from tests.store.examples import CLUB, NOW, add_dive, filed

KINDS = ("event:filed", "text_in", "settings", "signed_in")


def fill(session: Session, count: int, club_id: str = CLUB) -> None:
    """Entries of four kinds, two of them at each instant."""
    book = log.Book(session)
    for number in range(count):
        book.add(
            log.club_chain(club_id),
            at=NOW + timedelta(minutes=number // 2),
            kind=KINDS[number % len(KINDS)],
            actor='{"name":"Edda Rowe"}',
            detail=f'{{"number":{number}}}',
            club_id=club_id,
        )
    book.write()


def numbers(entries: tuple[log.Entry, ...]) -> list[int]:
    """Which they are."""
    return [entry.detail["number"] for entry in entries if entry.detail is not None]


def test_pages_hold_each_entry_once(session: Session) -> None:
    """Whatever is of one instant, and whatever came in meanwhile."""
    fill(session, 130)
    found, after = [], None
    for _ in range(3):
        page = log_search.page(session, Wanted(CLUB), after)
        found += numbers(page.entries)
        after = page.after
        if after is not None:
            log.append(session, chain=log.club_chain(CLUB), at=NOW + timedelta(days=1), kind="x", actor={}, detail={})

    assert found == list(range(129, -1, -1))
    assert after is None


def test_a_page_that_is_just_full_is_the_last(session: Session) -> None:
    """No empty page follows."""
    fill(session, PAGE)

    assert log_search.page(session, Wanted(CLUB)).after is None


def test_words_are_sought_in_whatever_case_and_whatever_letters(session: Session) -> None:
    """Of all alphabets, and with what JSON writes with a mark before it."""
    for words in ('Straße "Nord"', "ÇAY\\EVI", "plain"):
        log.append(session, chain=log.club_chain(CLUB), at=NOW, kind="x", actor={}, detail={"w": words}, club_id=CLUB)

    def found(*words: str) -> int:
        return len(log_search.read_on(session, Wanted(CLUB, words=words), None, None).entries)

    assert found("STRASSE", '"nord"') == 1
    assert found("çay\\evi") == 1
    assert found("plain", "nord") == 0
    assert found("a") == 3


def test_kinds_are_those_of_the_club_alone(session: Session) -> None:
    """Each once, in their order."""
    fill(session, 8)
    log.append(session, chain="club:far", at=NOW, kind="far", actor={}, detail={}, club_id="far")

    assert log_search.kinds(session, CLUB) == sorted(KINDS)
    assert log_search.kinds(session, "far") == ["far"]


def test_a_reference_leads_to_dives_of_the_club_alone(session: Session) -> None:
    """Nothing of another club has ever that reference."""
    dive = add_dive(session, filed())

    assert log_search.dives_with(session, CLUB, dive.reference) == (dive.id,)
    assert log_search.dives_with(session, "far", dive.reference) == ()


QUESTIONS: dict[str, dict[str, Any]] = {
    "all": {},
    "a period": {"since": NOW, "until": NOW + timedelta(hours=1)},
    "a kind": {"kinds": ("settings",)},
    "a kind in a period": {"kinds": ("settings",), "since": NOW},
    "dives": {"dive_ids": ("d1", "d2")},
}


@pytest.mark.parametrize("asked", QUESTIONS.values(), ids=QUESTIONS.keys())
@pytest.mark.parametrize("way", ["page", "export", "count"])
def test_every_question_is_read_off_an_index(engine: Engine, asked: dict[str, Any], way: str) -> None:
    """No table is read whole, on either database, however long the log is."""
    seen: list[tuple[str, Any]] = []
    with writing(engine) as session:
        fill(session, 4_000)
        fill(session, 400, "far")
        if engine.dialect.name == "postgresql":
            session.execute(text("ANALYZE log_entries"))
    with writing(engine) as session:
        connection = session.connection()

        def note(_: Any, __: Any, statement: str, parameters: Any, *___: Any) -> None:
            seen.append((statement, parameters))

        event.listen(connection, "before_cursor_execute", note)
        wanted = Wanted("far", **asked)
        if way == "page":
            log_search.page(session, wanted, log_search.Place(NOW + timedelta(minutes=5), 10))
        elif way == "export":
            log_search.exported(session, wanted, log_search.Place(NOW, 0), 100)
        else:
            log_search.count(session, wanted, 1_000)
        event.remove(connection, "before_cursor_execute", note)
        [(statement, parameters)] = seen
        plan = "\n".join(
            str(tuple(row)) for row in connection.exec_driver_sql(_explain(engine) + statement, parameters)
        )

    assert "ix_log_entries" in plan or "uq_log_entries_chain_seq" in plan or "sqlite_autoindex" in plan, plan
    assert "Seq Scan" not in plan, plan
    assert "SCAN log_entries" not in plan or "USING" in plan, plan


def _explain(engine: Engine) -> str:
    return "EXPLAIN " if engine.dialect.name == "postgresql" else "EXPLAIN QUERY PLAN "
