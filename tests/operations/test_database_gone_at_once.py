"""What waits together hears of a fault together, and what nobody waits for keeps nobody: without any database."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Iterator
from concurrent.futures import wait
from dataclasses import replace
from datetime import datetime
from typing import cast

import pytest
from sqlalchemy.exc import OperationalError

from service.domain.people import Channel
from service.operations import asking, storing_together
from service.operations.asking import Asking
from service.operations.gateway import CannotTell, Found, Gateway, InboundText, Lookup, NotFound, Outgoing, Route
from service.operations.routing import prefixes_of, sender_name
from service.operations.service import Service
from service.operations.storing_together import StoringTogether
from tests.operations.stage import ANNA, BEGIN_AT, OURS, HandMovedClock, ScriptedGateway

PATIENCE_S = 30.0
TEXT = InboundText("first", "SM0", ANNA, OURS, "status", {}, BEGIN_AT)
NO_SERVICE = cast("Service", None)  # what would write is replaced here


class Storing:
    """Stands for the database: the first text waits for `go_on`, and from then on `fault` is raised, if any."""

    def __init__(self, fault: Exception | None = None) -> None:
        self.begun, self.go_on = threading.Event(), threading.Event()
        self.fault = fault
        self.batches: list[list[str]] = []
        self.ids = itertools.count(1)

    def together(self, _: Service, texts: list[InboundText]) -> list[int | None]:
        """As `receive_together`."""
        self.batches.append([text.provider_id for text in texts])
        self.begun.set()
        assert self.go_on.wait(PATIENCE_S)
        if self.fault is not None and len(self.batches) > 1:
            raise self.fault
        return [next(self.ids) for _ in texts]


def three(storing: Storing, monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """One text being stored, and two that wait behind it."""
    monkeypatch.setattr(storing_together, "receive_together", storing.together)
    together = StoringTogether(NO_SERVICE, pause=lambda _: None)
    first = together.submit(TEXT)
    assert storing.begun.wait(PATIENCE_S)
    return [together, first, *(together.submit(replace(TEXT, provider_id=f"SM{number}")) for number in (1, 2))]


def test_where_the_database_is_gone_all_hear_of_it_and_none_is_tried_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each would wait for it once more, and its gateway is waiting."""
    gone = OperationalError("COMMIT", {}, ConnectionRefusedError("the database is gone"))
    storing = Storing(gone)
    _, first, *others = three(storing, monkeypatch)

    storing.go_on.set()
    wait([first, *others], PATIENCE_S)  # type: ignore[list-item]

    assert first.result() == 1  # type: ignore[attr-defined]
    assert [one.exception() for one in others] == [gone, gone]  # type: ignore[attr-defined]
    assert storing.batches == [["SM0"], ["SM1", "SM2"]]


def test_where_nobody_waits_for_any_of_them_none_is_stored(monkeypatch: pytest.MonkeyPatch) -> None:
    """And the next text to that number is stored as ever."""
    storing = Storing()
    together, _, *others = three(storing, monkeypatch)
    assert all(one.cancel() for one in others)  # type: ignore[attr-defined]

    storing.go_on.set()
    give_up_at = time.monotonic() + PATIENCE_S
    while together._waiting and time.monotonic() < give_up_at:  # type: ignore[attr-defined]
        time.sleep(0.001)
    last = together.submit(replace(TEXT, provider_id="SM3"))  # type: ignore[attr-defined]

    assert last.result(PATIENCE_S) == 2
    assert storing.batches == [["SM0"], ["SM3"]]


@pytest.fixture
def questions() -> Iterator[Asking]:
    """Questions under way."""
    asked = Asking()
    yield asked
    asked.close()


@pytest.mark.parametrize(("answer", "told"), [(Found("SM9"), ["SM9"]), (NotFound(), [])])
def test_only_what_was_found_late_is_told_late(
    questions: Asking, monkeypatch: pytest.MonkeyPatch, answer: Lookup, told: list[str]
) -> None:
    """The message goes again meanwhile; that it was not there changes nothing."""
    monkeypatch.setattr(asking, "WITHIN_S", 0.01)
    let_go, late = threading.Event(), []

    class Slow(ScriptedGateway):
        def look_up(self, _message: Outgoing, _since: datetime) -> Lookup:
            assert let_go.wait(PATIENCE_S)
            return answer

    gateway = cast("Gateway", Slow("first", HandMovedClock(), itertools.count(1)))
    lookup = questions.ask(gateway, Outgoing(ANNA, "OVERDUE", "m1"), BEGIN_AT, late.append)
    let_go.set()
    questions.close()

    assert isinstance(lookup, CannotTell)
    assert late == told


def test_calls_of_a_gateway_have_a_rate_of_their_own_and_every_number_has_a_beginning() -> None:
    """The names under which rates are kept, and whom a gateway without prefixes serves."""
    gateway = ScriptedGateway("first", HandMovedClock(), itertools.count(1))
    of_here = replace(gateway, route=Route(prefixes=("+44", "+353")))

    assert sender_name(gateway, Channel.TEXT) == "first"
    assert sender_name(gateway, Channel.CALL) != "first"
    assert prefixes_of([of_here, gateway]) == ("+44", "+353", "")
