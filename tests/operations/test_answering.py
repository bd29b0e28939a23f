"""Texts are answered apart from those who take them, a bounded number at once; what is too much is left to a sweep."""

from __future__ import annotations

import sqlite3
import threading
from datetime import timedelta

import pytest
from sqlalchemy.exc import OperationalError

from service.operations import answering, inbound
from service.operations.answering import AT_ONCE, LEFT, Answering
from service.operations.inbound import AT_ONE_LOOK, WAITING_AFTER_S, answer_waiting
from service.operations.service import Service
from service.operations.sweeping import sweep
from tests.operations.stage import ANNA, Stage


def stored(stage: Stage, count: int) -> list[int]:
    """So many texts that are stored and not answered."""
    found = [stage.receive(ANNA, f"status {number}") for number in range(count)]
    return [one for one in found if one is not None]


def test_a_text_is_answered_by_a_thread_apart(quick_stage: Stage) -> None:
    """Whoever took it is free at once."""
    answer = Answering(quick_stage.service)
    [text] = stored(quick_stage, 1)

    answer(text)
    answer.close()
    quick_stage.courier.carry()

    assert len(quick_stage.to(ANNA)) == 1


def test_what_is_too_much_is_left_to_the_sweep(
    quick_stage: Stage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Those under way hang; one more finds no room, and is answered all the same."""
    stage, over = quick_stage, threading.Event()
    texts = stored(stage, AT_ONCE + 1)
    whole = answering.answer_text
    monkeypatch.setattr(answering, "answer_text", lambda *given: (over.wait(20), whole(*given)))
    answer = Answering(stage.service, waiting_max=AT_ONCE)

    for text in texts:
        answer(text)
    over.set()
    answer.close()
    stage.clock.at += timedelta(seconds=WAITING_AFTER_S + 1)

    assert LEFT in caplog.messages
    assert answer_waiting(stage.service) == 1
    stage.courier.carry()
    assert len(stage.to(ANNA)) == len(texts)


def test_a_flood_of_texts_keeps_no_sweep_from_the_next_dive(quick_stage: Stage) -> None:
    """Each sweep answers some of what waits, the oldest first, until nothing does."""
    stage = quick_stage
    stored(stage, 2 * AT_ONE_LOOK + 1)
    stage.clock.at += timedelta(seconds=WAITING_AFTER_S + 1)

    assert [answer_waiting(stage.service) for _ in range(4)] == [AT_ONE_LOOK, AT_ONE_LOOK, 1, 0]


def test_a_dive_that_falls_due_behind_a_flood_of_texts_waits_for_a_handful(
    quick_stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sweep leaves the rest of them to the next one, which sees to the dive first."""
    stage = quick_stage
    dive = stage.dive_in()
    stage.wait(minutes=64, step=timedelta(minutes=4))
    stored(stage, 3 * AT_ONE_LOOK)
    stage.clock.at = dive.filed_at + timedelta(minutes=65, seconds=-1)
    whole, answered = inbound.answer_text, []

    def slow(service: Service, inbound_id: int) -> None:
        answered.append(inbound_id)
        stage.clock.at += timedelta(seconds=0.1)
        whole(service, inbound_id)

    monkeypatch.setattr(inbound, "answer_text", slow)
    sweep(stage.service)
    assert (len(answered), stage.dive(dive.id).alarmed) == (AT_ONE_LOOK, False)

    sweep(stage.service)
    assert stage.dive(dive.id).alarmed


def test_a_sweep_tries_no_more_texts_once_the_database_fails(
    quick_stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each try may take as long as the database keeps us, and dives and receipts wait behind it."""
    stored(quick_stage, 3 * AT_ONE_LOOK)
    quick_stage.clock.at += timedelta(seconds=WAITING_AFTER_S + 1)
    tried: list[int] = []
    busy = sqlite3.OperationalError("database is locked")
    busy.sqlite_errorcode = sqlite3.SQLITE_BUSY

    def fail(_: object, inbound_id: int) -> None:
        tried.append(inbound_id)
        raise OperationalError("COMMIT", {}, busy)

    monkeypatch.setattr(inbound, "answer_text", fail)
    sweep(quick_stage.service)

    assert len(tried) == 1


def test_an_answer_that_fails_ends_no_thread(
    quick_stage: Stage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The next text has its turn."""
    stage = quick_stage
    first, second = stored(stage, 2)
    whole = answering.answer_text

    def fail_once(service: object, inbound_id: int) -> None:
        if inbound_id == first:
            raise ValueError("a text that breaks us")
        whole(stage.service, inbound_id)

    monkeypatch.setattr(answering, "answer_text", fail_once)
    answer = Answering(stage.service, waiting_max=1)
    answer(first)
    stage.until(lambda: answering.NOT_ANSWERED in caplog.messages)
    assert stage.until(lambda: answer._room._value == 1)
    answer(second)
    answer.close()

    monkeypatch.undo()
    stage.clock.at += timedelta(seconds=WAITING_AFTER_S + 1)
    assert answer_waiting(stage.service) == 1
