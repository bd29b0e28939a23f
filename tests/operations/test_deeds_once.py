"""A deed of a script under a key: once, also at the same moment, and kept together with what it did or not at all."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from sqlalchemy import select

from service.domain.dive import Dive
from service.domain.dive.commands import CallOff, Command, Extend, RaiseNow
from service.domain.people import Actor, Role, Via
from service.operations import deeds_once
from service.operations.deeds_once import KeyUsed, Once, act_once, file_once
from service.operations.filing import PlanFiled
from service.operations.recording import Applied
from service.operations.retention import erase_dives
from service.store import dives, log
from service.store.deed_keys import Asked
from service.store.tables import DeedKeyRow
from tests.operations.stage import CLUB, Stage, plan

SCRIPT = Actor(Role.STRANGER, "script board", Via.API, key="token-1")
LATER = Extend(SCRIPT, minutes=10)


def once(deed: str = "extend", digest: str = "10", key: str = "k") -> Once:
    """A deed under a key."""
    return Once("token-1", key, Asked(deed, digest))


def kept(stage: Stage) -> list[tuple[str, str]]:
    """The keys that are kept, and of which deed."""
    rows = stage.service.read(
        lambda session: session.execute(select(DeedKeyRow.key, DeedKeyRow.deed).order_by(DeedKeyRow.key)).all()
    )
    return [(row.key, row.deed) for row in rows]


def events(stage: Stage, dive: Dive) -> list[str]:
    """What happened to a dive."""
    found = stage.service.read(lambda session: log.events(session, dive.id))
    return [type(event).__name__ for _, event in found]


def at_once(stage: Stage, dive: Dive, *asked: tuple[Command, Once]) -> list[Any]:
    """What each is answered that comes at the same moment."""
    results: list[Any] = []
    gate = threading.Barrier(len(asked))

    def send(command: Command, under: Once) -> None:
        gate.wait()
        results.append(act_once(stage.service, dive.id, command, under))

    threads = [threading.Thread(target=send, args=one) for one in asked]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    return results


def test_a_deed_that_comes_four_times_at_the_same_moment_is_done_once(stage: Stage) -> None:
    """Whoever comes second waits for the first, and finds its key."""
    dive = stage.dive_in()

    results = at_once(stage, dive, *[(LATER, once())] * 4)

    assert sorted(len(one.events) for one in results) == [0, 0, 0, 1]
    assert events(stage, dive).count("ExtensionAsked") == 1
    assert kept(stage) == [("token-1:k", "extend")]


def test_of_two_deeds_under_one_key_at_the_same_moment_one_is_done(stage: Stage) -> None:
    """The other is told which."""
    dive = stage.dive_in()

    results = at_once(stage, dive, (LATER, once()), (Extend(SCRIPT, minutes=20), once(digest="20")))

    assert [type(one) for one in sorted(results, key=lambda one: isinstance(one, KeyUsed))] == [Applied, KeyUsed]
    assert KeyUsed("extend") in results
    assert events(stage, dive).count("ExtensionAsked") == 1


def test_a_key_is_kept_with_its_deed_or_not_at_all(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the transaction fails after the deed, both are taken back, and the next try does it."""
    dive = stage.dive_in()

    def break_down(*_: object) -> None:
        raise RuntimeError("the process ends here")

    with monkeypatch.context() as broken:
        broken.setattr(deeds_once.deed_keys, "add", break_down)
        with pytest.raises(RuntimeError, match="ends here"):
            act_once(stage.service, dive.id, LATER, once())
    nothing = events(stage, dive).count("ExtensionAsked"), kept(stage)
    act_once(stage.service, dive.id, LATER, once())

    assert nothing == (0, [])
    assert events(stage, dive).count("ExtensionAsked") == 1


def test_an_alarm_under_the_key_of_another_deed_is_raised_each_time(stage: Stage) -> None:
    """Twice rather than never; the key stays that of the first."""
    dive = stage.dive_in()
    act_once(stage.service, dive.id, LATER, once())

    first = act_once(stage.service, dive.id, RaiseNow(SCRIPT), once("raise", ""))

    assert isinstance(first, Applied)
    assert first.dive.alarmed
    assert kept(stage) == [("token-1:k", "extend")]


def test_a_dive_that_is_not_there_has_no_keys(stage: Stage) -> None:
    """None, as without a key."""
    assert act_once(stage.service, "none", LATER, once()) is None


def test_a_plan_under_a_key_is_filed_once_and_another_under_it_is_not(stage: Stage) -> None:
    """Also at the same moment; whoever sends another plan hears that it is in no dive."""
    results: list[Any] = []
    gate = threading.Barrier(3)

    def send(digest: str) -> None:
        gate.wait()
        results.append(file_once(stage.service, CLUB, plan(), SCRIPT, "k", Asked("plan", digest)))

    threads = [threading.Thread(target=send, args=[digest]) for digest in ("x", "x", "x")]
    for one in threads:
        one.start()
    for one in threads:
        one.join()

    assert sorted(one.again for one in results) == [False, True, True]
    assert len({one.dive.id for one in results}) == 1
    assert file_once(stage.service, CLUB, plan(), SCRIPT, "k", Asked("plan", "y")) == KeyUsed("plan")
    assert len(stage.all_dives()) == 1


def test_keys_go_with_the_detail_of_their_dive(unchecked: Stage) -> None:
    """A script may have put a name into one, into that of the plan too."""
    stage = unchecked
    filed = file_once(stage.service, CLUB, plan(), SCRIPT, "Anna Holt", Asked("plan", "x"))
    assert isinstance(filed, PlanFiled)
    act_once(stage.service, filed.dive.id, CallOff(SCRIPT), once(key="Anna Holt"))
    stage.turn()
    assert kept(stage) == [("api:Anna Holt", "plan"), ("token-1:Anna Holt", "extend")]

    service, dive_ids, now = stage.service, [filed.dive.id], stage.clock.at
    service.write(lambda session: erase_dives(service, session, CLUB, dive_ids, "180 days are over", now, set()))

    assert kept(stage) == []
    assert stage.service.read(lambda session: dives.by_request_key(session, CLUB, "api:Anna Holt")) is None
