"""Texts that come at once are stored by few transactions, and each is answered for by itself."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import wait
from contextlib import contextmanager
from dataclasses import replace

import pytest
from sqlalchemy import Engine, event, func, select

from service.operations import storing_together
from service.operations.gateway import InboundText
from service.operations.receiving import receive_together
from service.operations.storing_together import REST_S, TOGETHER_MAX, StoringTogether
from service.store import log
from service.store.engine import writing
from service.store.tables import InboundTextRow
from tests.operations.stage import ANNA, CLUB, OURS, Stage

PATIENCE_S = 30.0


def brought(stage: Stage, number: int, body: str = "status") -> InboundText:
    """One of many texts."""
    return InboundText("first", f"SM{number}", ANNA, OURS, body, {"Body": body}, stage.clock.at)


@contextmanager
def held_up(stage: Stage) -> Iterator[None]:
    """Somebody else has the club's chain meanwhile."""
    held, let_go = threading.Event(), threading.Event()

    def hold() -> None:
        with writing(stage.service.engine) as session:
            log.hold(session, log.club_chain(CLUB))
            held.set()
            let_go.wait(PATIENCE_S)

    holder = threading.Thread(target=hold)
    holder.start()
    assert held.wait(PATIENCE_S)
    try:
        yield
    finally:
        let_go.set()
        holder.join()


@contextmanager
def counted(engine: Engine) -> Iterator[list[int]]:
    """How many transactions were committed meanwhile."""
    commits: list[int] = []

    def committed(_: object) -> None:
        commits.append(1)

    event.listen(engine, "commit", committed)
    try:
        yield commits
    finally:
        event.remove(engine, "commit", committed)


def stored(stage: Stage) -> int:
    """How many texts are in the database."""
    return stage.service.read(lambda session: session.execute(select(func.count(InboundTextRow.id))).scalar_one())


def test_texts_that_wait_for_the_chain_are_stored_by_one_commit(stage: Stage) -> None:
    """The first by its own, all that came meanwhile by the next, each with an entry of the log in its turn."""
    together, count = StoringTogether(stage.service), TOGETHER_MAX
    with held_up(stage), counted(stage.service.engine) as commits:
        storing = [together.submit(brought(stage, 0))]
        storing += [together.submit(brought(stage, number)) for number in range(1, count)]
    done, left = wait(storing, PATIENCE_S)

    assert left == set()
    assert len({one.result() for one in done}) == count
    assert stored(stage) == count
    assert len(commits) <= 1 + 3  # whoever held the chain; the first text, or as many as were there; the rest
    entries = [one for one in stage.entries(chain=log.club_chain(CLUB)) if one.kind == "text_in"]
    assert [(one.detail or {})["provider_id"] for one in entries] == [f"SM{number}" for number in range(count)]
    assert stage.service.read(lambda session: log.verify_chain(session, log.club_chain(CLUB))) is None


def test_a_text_that_came_before_is_stored_once_however_close(stage: Stage) -> None:
    """Also where both copies are in one transaction: only the first is to be answered."""
    together = StoringTogether(stage.service)
    with held_up(stage):
        storing = [together.submit(brought(stage, number)) for number in (0, 1, 1, 1)]
    ids = [one.result(PATIENCE_S) for one in storing]

    assert [one is None for one in ids] == [False, False, True, True]
    assert stored(stage) == 2


def test_only_the_text_at_fault_is_refused(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever brought it hears of it; the others that were to be stored with it are."""
    poison = brought(stage, 2)

    def breaks_on(whole: Callable[..., object]) -> Callable[..., object]:
        def broken(service: object, given: object, **named: object) -> object:
            if given == poison or (isinstance(given, list) and poison in given):
                raise ValueError("poison")
            return whole(service, given, **named)

        return broken

    for name in ("receive_together", "receive_text"):
        monkeypatch.setattr(storing_together, name, breaks_on(getattr(storing_together, name)))
    together = StoringTogether(stage.service)
    with held_up(stage):
        storing = [together.submit(brought(stage, number)) for number in range(4)]
    wait(storing, PATIENCE_S)

    assert [one.exception() is None for one in storing] == [True, True, False, True]
    assert stored(stage) == 3


def test_a_text_that_nobody_waits_for_any_more_is_not_stored(stage: Stage) -> None:
    """It lies on the disk by then."""
    together = StoringTogether(stage.service)
    with held_up(stage):
        first = together.submit(brought(stage, 0))
        give_up_at = time.monotonic() + PATIENCE_S
        while not first.running() and time.monotonic() < give_up_at:
            time.sleep(0.01)
        assert together.submit(brought(stage, 1)).cancel()
    first.result(PATIENCE_S)

    assert together.submit(brought(stage, 2)).result(PATIENCE_S) is not None
    assert stored(stage) == 2


def test_where_no_thread_can_be_started_whoever_brings_a_text_stores_it(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process that has all the threads it may have for a moment goes on as before, and holds no text for ever."""
    together = StoringTogether(stage.service)

    def none_left(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(threading.Thread, "start", none_left)
        stored_at_once = together.submit(brought(stage, 0))
    assert stored_at_once.done()

    assert together.submit(brought(stage, 1)).result(PATIENCE_S) is not None
    assert stored(stage) == 2


def test_texts_of_two_gateways_that_wait_together_count_once_each(stage: Stage) -> None:
    """As one after the other: a double is kept with what it is the same as, words that are sent again are new."""
    given = [
        replace(brought(stage, number, body), gateway=gateway)
        for number, (gateway, body) in enumerate(
            [
                *[("first", "OUT"), ("second", "OUT "), ("first", "late 20"), ("second", "OUT"), ("second", "status")],
                *[("second", "late 20"), ("first", "status"), ("first", "late 20"), ("third", "OUT")],
            ]
        )
    ]
    ids = receive_together(stage.service, given)

    every = select(InboundTextRow).order_by(InboundTextRow.id)
    rows = stage.service.read(lambda session: list(session.execute(every).scalars()))
    of = {int(row.provider_id.removeprefix("SM")): row for row in rows}
    same = {number: row.same_as for number, row in of.items() if row.same_as is not None}
    assert same == {1: of[0].id, 4: of[6].id, 5: of[2].id, 8: of[0].id}
    assert [place for place, one in enumerate(ids) if one is None] == sorted(same)
    assert [of[number].state for number in sorted(same)] == ["same"] * len(same)
    entries = [one for one in stage.entries(chain=log.club_chain(CLUB)) if one.kind == "text_in"]
    assert [(one.detail or {})["inbound"] for one in entries] == [of[number].id for number in range(len(given))]
    assert [(one.detail or {}).get("same_as") for one in entries] == [same.get(number) for number in range(len(given))]


def test_texts_that_come_right_after_another_share_the_next_transaction(stage: Stage) -> None:
    """The first goes at once; during the moment of rest after it the others gather."""
    over = threading.Event()
    rested: list[float] = []

    def rest(seconds: float) -> None:
        rested.append(seconds)
        over.wait(PATIENCE_S)

    together = StoringTogether(stage.service, rest)
    assert together.submit(brought(stage, 0)).result(PATIENCE_S) is not None
    with counted(stage.service.engine) as commits:
        storing = [together.submit(brought(stage, number)) for number in range(1, 6)]
        assert not any(one.done() for one in storing)
        over.set()
        assert None not in [one.result(PATIENCE_S) for one in storing]

    assert len(commits) == 1
    assert set(rested) == {REST_S}


def test_many_texts_take_as_many_statements_as_few(stage: Stage) -> None:
    """Each is a wait for the database, which has others to serve; SQLite writes row by row and waits for nobody."""
    statements: list[str] = []

    def note(_: object, __: object, statement: str, *___: object) -> None:
        statements.append(statement)

    receive_together(stage.service, [brought(stage, 0)])
    event.listen(stage.service.engine, "before_cursor_execute", note)
    receive_together(stage.service, [brought(stage, number) for number in range(1, 11)])
    few = len(statements)
    receive_together(stage.service, [brought(stage, number) for number in range(100, 100 + TOGETHER_MAX)])

    more = 0 if stage.service.engine.dialect.name == "postgresql" else TOGETHER_MAX - 10
    assert len(statements) - few == few + more
