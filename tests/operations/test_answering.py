"""Texts are answered apart from those who take them, a bounded number at once; what is too much is left to a sweep."""

from __future__ import annotations

import importlib
import sqlite3
import threading
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy.exc import OperationalError

from service.domain.dive.commands import Finish
from service.operations import answering, inbound
from service.operations.addressing import Answer, Text
from service.operations.answering import AT_ONCE, LEFT, Answering
from service.operations.inbound import AT_ONE_LOOK, WAITING_AFTER_S, answer_together, answer_waiting
from service.operations.recording import act
from service.operations.service import Service
from service.operations.sweeping import sweep
from service.store.dives import StaleDive
from tests.operations.stage import ANNA, BY_ANNA, Stage


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


def test_one_that_breaks_us_keeps_no_answer_from_those_beside_it(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """What they did together is undone, and each is answered by itself; the one at fault has used one of its tries."""
    dive = stage.dive_in()
    ids = [stage.receive(ANNA, body) for body in ("LATE 20", "poison", "OUT 2")]
    whole = inbound.answer

    def broken(text: Text) -> Answer:
        if text.words == "poison":
            raise ValueError("broken on purpose")
        return whole(text)

    monkeypatch.setattr(inbound, "answer", broken)
    answer_together(stage.service, [one for one in ids if one is not None])

    assert stage.kinds(dive).count("event:extension_asked") == 1
    assert not stage.dive(dive.id).live
    assert inbound.ONE_BY_ONE in caplog.messages
    monkeypatch.undo()
    stage.wait(minutes=1)
    assert stage.kinds(dive).count("text_read") == 4


def test_those_that_the_database_fails_are_left_together(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """No fault of theirs: nothing of it is done, and the sweep takes all of them up."""
    dive = stage.dive_in()
    ids = [stage.receive(ANNA, body) for body in ("LATE 20", "OUT 2")]
    whole, calls = inbound.answer, []

    def busy(text: Text) -> Answer:
        calls.append(text.words)
        if text.words == "OUT 2":
            raise StaleDive(dive.id)
        return whole(text)

    monkeypatch.setattr(inbound, "answer", busy)
    with pytest.raises(StaleDive):
        answer_together(stage.service, [one for one in ids if one is not None])

    assert calls == ["LATE 20", "OUT 2"] * 3
    assert stage.kinds(dive).count("event:extension_asked") == 0
    monkeypatch.undo()
    stage.wait(minutes=1)
    assert not stage.dive(dive.id).live


def test_a_finish_is_of_when_it_was_its_turn(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Found by an hour of chaos: it waited for others to write, and the log had it end before what they had decided."""
    dive = stage.dive_in()
    waits(stage, monkeypatch, "service.store.inbound.lock_one")
    stage.text(ANNA, "OUT 2")

    assert stage.dive(dive.id).closed_at == stage.clock.at


def test_what_is_done_on_a_page_is_of_when_the_dive_was_to_be_had(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same of whatever comes by page, API or desk."""
    dive = stage.dive_in()
    waits(stage, monkeypatch, "service.store.dives.lock")
    act(stage.service, dive.id, Finish(BY_ANNA, count=2))

    assert stage.dive(dive.id).closed_at == stage.clock.at


def waits(stage: Stage, monkeypatch: pytest.MonkeyPatch, lock: str) -> None:
    """Whoever asks for this lock the first time has it 18 s later."""
    module, _, name = lock.rpartition(".")
    whole, late = getattr(importlib.import_module(module), name), [timedelta(seconds=18)]

    def slow(*given: Any) -> Any:
        stage.clock.at += late.pop() if late else timedelta(0)
        return whole(*given)

    monkeypatch.setattr(lock, slow)
