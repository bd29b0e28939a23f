"""What gateways bring while the database is away: answered within seconds, and acted on once when it is back."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, event
from sqlalchemy import text as sql
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from service.operations import intake as taking_in
from service.operations import spooling
from service.operations.gateway import DeliveryReceipt, InboundText, ReceiptState
from service.operations.intake import TOGETHER_MAX, Intake, drain, drain_quietly
from service.operations.receiving import Way
from service.operations.service import Service
from service.operations.spooling import Brought, KeyPress, Spool, SpoolError
from service.store import log
from service.store.engine import open_engine, writing
from tests.operations.stage import ANNA, BRAM, CLEO, CLUB, FINN, OURS, STRANGER, Stage

SECRET = "s" * 40
SECOND = timedelta(seconds=1)


@pytest.fixture
def spool(tmp_path: Path) -> Spool:
    """An empty spool."""
    spool = Spool(tmp_path / "spool", SECRET)
    spool.make()
    return spool


def brought(stage: Stage, body: str, sid: str = "SM1", sender: str = ANNA, gateway: str = "first") -> InboundText:
    """A text as a gateway brings it now."""
    return InboundText(gateway, sid, sender, OURS, body, {"Body": body}, stage.clock.at)


@contextmanager
def counted_commits(engine: Engine) -> Iterator[list[object]]:
    """One for each commit meanwhile."""
    seen: list[object] = []
    note = seen.append  # the same each time it is named
    event.listen(engine, "commit", note)
    try:
        yield seen
    finally:
        event.remove(engine, "commit", note)


@contextmanager
def away(stage: Stage, port: int = 9) -> Iterator[Service]:
    """The service with a database where nobody listens, or nobody answers."""
    engine = open_engine(f"postgresql://linetender@127.0.0.1:{port}/linetender")
    yield replace(stage.service, engine=engine)
    engine.dispose()


def bodies(spool: Spool) -> list[str]:
    """The words of the texts that wait on the disk, in their order."""
    return [spool.read(path).body for path in spool.waiting()]  # type: ignore[union-attr]


def test_a_finish_while_the_database_is_away_closes_the_dive_when_it_is_back(stage: Stage, spool: Spool) -> None:
    """On the disk at once; acted on once, and in the log with the time at which it came."""
    dive = stage.dive_in()
    came_at = stage.clock.at
    with away(stage) as service:
        assert Intake(service, spool).text(brought(stage, "OUT 2")) is None
    assert bodies(spool) == ["OUT 2"]
    stage.sleep(7)

    assert drain(stage.service, spool) == 1

    assert not stage.dive(dive.id).live
    assert spool.waiting() == []
    [entry] = [one for one in stage.entries(chain=f"club:{CLUB}") if (one.detail or {}).get("way")]
    assert (entry.detail or {})["way"] == "spooled"
    assert (entry.detail or {})["received_at"].startswith(f"{came_at:%Y-%m-%dT%H:%M}")
    [drained] = [one for one in stage.entries(chain="service") if one.kind == "spool_drained"]
    assert (drained.detail or {})["taken"] == 1
    assert drain(stage.service, spool) == 0
    stage.courier.carry()


def test_a_database_that_never_answers_is_given_two_seconds(stage: Stage, spool: Spool) -> None:
    """It takes the connection and says nothing: the gateway still has its answer in time."""
    with socket.create_server(("127.0.0.1", 0)) as silent, away(stage, silent.getsockname()[1]) as service:
        intake = Intake(service, spool)
        began = time.monotonic()
        assert intake.text(brought(stage, "OUT 2")) is None
        assert time.monotonic() - began < 3.0

        # The same when every thread that may wait for it already does.
        texts = [threading.Thread(target=intake.text, args=(brought(stage, str(n)),)) for n in range(20)]
        for one in texts:
            one.start()
        for one in texts:
            one.join()
        assert time.monotonic() - began < 6.0
    assert len(spool.waiting()) == 21


def test_what_is_stored_late_and_lies_on_the_disk_too_counts_once(stage: Stage, spool: Spool) -> None:
    """Patience was lost while somebody kept the log's chain locked; then both copies arrive."""
    dive = stage.dive_in()
    intake = Intake(stage.service, spool, patience_s=0.2)
    with writing(stage.engine) as session:
        log.hold(session, log.club_chain(CLUB))
        assert intake.text(brought(stage, "LATE 20")) is None
        assert bodies(spool) == ["LATE 20"]
    intake._threads.shutdown(wait=True)

    stage.sleep(1)
    drain(stage.service, spool)
    stage.turn()

    assert stage.kinds(dive).count("event:extension_asked") == 1
    assert len([one for one in stage.entries(chain=f"club:{CLUB}") if one.kind == "text_in"]) == 2


def test_without_a_spool_the_fault_is_told(stage: Stage) -> None:
    """Never a false yes: whoever brought it hears that we have it not."""
    with away(stage) as service, pytest.raises(OperationalError):
        Intake(service, None).text(brought(stage, "OUT 2"))


def test_a_full_spool_is_told(stage: Stage, spool: Spool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither database nor disk take it: the same, and loud in the process's log."""
    monkeypatch.setattr(spooling, "FILES_MAX", 0)

    with away(stage) as service, pytest.raises(SpoolError):
        Intake(service, spool).text(brought(stage, "OUT 2"))


def test_a_database_that_is_there_is_used(stage: Stage, spool: Spool) -> None:
    """Nothing lies on the disk for nothing, and the id is given for the answer."""
    dive = stage.dive_in()

    inbound_id = Intake(stage.service, spool).text(brought(stage, "OUT 2"))

    assert inbound_id is not None
    assert spool.waiting() == []
    stage.answer(inbound_id)
    assert not stage.dive(dive.id).live
    stage.courier.carry()


def test_the_fallback_asks_no_database(stage: Stage, spool: Spool) -> None:
    """All kinds go to the disk at once; what nobody signed goes nowhere."""
    with away(stage) as service:
        fallback = Intake(service, spool, disk_only=True)
        assert fallback.text(brought(stage, "OUT 2")) is None
        fallback.receipt(DeliveryReceipt("first", "SM2", ReceiptState.SENT, None, None, {}, stage.clock.at))
        assert fallback.key(KeyPress("m1", "1", "first", "CA1", {}, stage.clock.at)) is None
        fallback.unauthentic(brought(stage, "forged"))

    kinds = {type(spool.read(path)).__name__ for path in spool.waiting()}
    assert kinds == {"InboundText", "DeliveryReceipt", "KeyPress"}


def test_texts_are_brought_in_as_they_came(stage: Stage, spool: Spool) -> None:
    """A start, a delay and a finish mean something in that order only."""
    dive = stage.file()
    with away(stage) as service:
        for number, body in enumerate((f"IN {dive.start_code}", "LATE 20", "OUT 2")):
            stage.clock.at += SECOND
            Intake(service, spool).text(brought(stage, body, f"SM{number}"))

    drain(stage.service, spool)

    kinds = [kind for kind in stage.kinds(dive) if kind in ("event:started", "event:extension_asked", "event:closed")]
    assert kinds == ["event:started", "event:extension_asked", "event:closed"]
    stage.courier.carry()


def test_a_clock_runs_from_when_the_start_came(stage: Stage, spool: Spool) -> None:
    """Not from when we could read it: those who went in would be looked for that much later."""
    dive = stage.file()
    came_at = stage.clock.at + SECOND
    with away(stage) as service:
        stage.clock.at = came_at
        Intake(service, spool).text(brought(stage, f"IN {dive.start_code}"))
        stage.sleep(5)
        Intake(service, spool).text(brought(stage, "AT 47.12001,-20.54002", "SM2"))
    stage.sleep(15)

    drain(stage.service, spool)

    now = stage.dive(dive.id)
    assert now.started_at == came_at
    assert now.due_out_at == came_at + timedelta(minutes=50)
    assert [fix.at for fix in now.fixes] == [came_at + timedelta(minutes=5)]
    stage.courier.carry()


def test_receipts_are_brought_in(stage: Stage, spool: Spool) -> None:
    """What was delivered while the database was away counts as delivered."""
    stage.first.sends_receipts = True
    dive = stage.dive_in()
    [notice] = [taken for taken in stage.journal if taken.to == CLEO]
    receipt = DeliveryReceipt("first", notice.provider_id, ReceiptState.DELIVERED, None, None, {}, stage.clock.at)
    with away(stage) as service:
        Intake(service, spool).receipt(receipt)

    drain(stage.service, spool)

    assert stage.kinds(dive).count("receipt:delivered") == 1
    stage.text(ANNA, "OUT 2")


def test_a_crash_before_the_file_is_dropped_brings_the_same_text(
    stage: Stage, spool: Spool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Committed, and the file still there: the second time it is known."""
    dive = stage.dive_in()
    spool.keep(brought(stage, "LATE 20"))

    def crash(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Spool, "drop", crash)
    with pytest.raises(KeyboardInterrupt):
        drain(stage.service, spool)
    monkeypatch.undo()
    assert len(spool.waiting()) == 1

    drain(stage.service, spool)
    stage.wait(minutes=1)

    assert spool.waiting() == []
    assert stage.kinds(dive).count("event:extension_asked") == 1


def aged(path: Path) -> None:
    """It has lain there for so long that whoever wrote it would have taken it."""
    before = time.time() - spooling.FRESH_FOR.total_seconds()
    os.utime(path, (before, before))


def test_what_one_process_cannot_read_another_may(stage: Stage, spool: Spool) -> None:
    """In the middle of a change of the secret key the keeper still has the old one: the web's texts are the web's."""
    dive = stage.dive_in()
    spool.keep(brought(stage, "OUT 2"))

    assert drain(stage.service, Spool(spool.directory, "o" * 40)) == 0
    assert len(spool.waiting()) == 1
    assert drain(stage.service, spool) == 1

    assert not stage.dive(dive.id).live
    assert spool.set_aside() == []


def test_what_cannot_be_read_is_put_aside_loudly_and_holds_nothing_up(stage: Stage, spool: Spool) -> None:
    """In the log, told to the admins, and kept for a person; the texts behind it are acted on."""
    dive = stage.dive_in()
    spool.keep(brought(stage, "LATE 20"))
    [damaged] = spool.waiting()
    damaged.write_bytes(b"not sealed by us")
    aged(damaged)
    stage.clock.at += SECOND
    spool.keep(brought(stage, "OUT 2", "SM2"))

    assert drain(stage.service, spool) == 1

    assert not stage.dive(dive.id).live
    assert (spool.directory / "aside" / damaged.name).exists()
    [entry] = [one for one in stage.entries(chain="service") if one.kind == "spool_put_aside"]
    assert (entry.detail or {})["file"] == damaged.name
    stage.courier.carry()
    assert any("cannot be read" in body for body in stage.to(FINN))


def test_one_that_breaks_us_stays_and_the_others_go_on(
    stage: Stage, spool: Spool, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Those that were to be stored with it are stored by themselves. It is tried again each time, loudly."""
    dive = stage.dive_in()
    whole = taking_in.receive_together

    def broken(service: Service, texts: list[InboundText], way: Way) -> list[int | None]:
        if any(text.body == "poison" for text in texts):
            raise ValueError("broken on purpose")
        return whole(service, texts, way)

    monkeypatch.setattr(taking_in, "receive_together", broken)
    lie_on_the_disk(stage, spool, "LATE 20", "poison", "OUT 2")

    assert drain(stage.service, spool) == 2

    assert not stage.dive(dive.id).live
    assert stage.kinds(dive).count("event:extension_asked") == 1
    assert bodies(spool) == ["poison"]
    assert "spool_not_taken" in caplog.messages
    monkeypatch.undo()
    assert drain(stage.service, spool) == 1
    stage.courier.carry()


def lie_on_the_disk(stage: Stage, spool: Spool, *bodies: str, sender: str = ANNA) -> None:
    """These came from a phone, a second after each other, and the database was away."""
    for number, body in enumerate(bodies):
        spool.keep(brought(stage, body, f"SM-{sender}-{number}", sender))
        stage.clock.at += SECOND


def test_many_texts_are_brought_in_and_answered_by_the_handful(stage: Stage, spool: Spool) -> None:
    """Found by an hour of chaos: each waited twice for whoever else wrote, and dives fell due before their finish.

    A start and its finish are acted on at once, so that nobody sees a dive that has begun and not its end.
    """
    dive = stage.file()
    lie_on_the_disk(stage, spool, f"IN {dive.start_code}", "OUT 2")
    lie_on_the_disk(stage, spool, *(f"hello {number}" for number in range(TOGETHER_MAX)), sender=STRANGER)

    with counted_commits(stage.engine) as commits:
        assert drain(stage.service, spool, for_s=60) == TOGETHER_MAX + 2

    # Two handfuls, each stored and answered, and the entry of it all.
    assert len(commits) == 5
    assert stage.kinds(dive).index("event:started") < stage.kinds(dive).index("event:closed")
    stage.courier.carry()
    assert stage.to(STRANGER)


def test_what_does_not_go_together_is_brought_in_in_its_order(stage: Stage, spool: Spool) -> None:
    """A key between two texts, a part of a long one, a text to another number: each is known before what follows."""
    dive = stage.dive_in()
    lie_on_the_disk(stage, spool, "LATE 20")
    spool.keep(KeyPress("no such message", "1", "first", "CA1", {}, stage.clock.at))
    stage.clock.at += SECOND
    spool.keep(replace(brought(stage, "hello", "SM2", STRANGER), receiver="+447700900999"))
    stage.clock.at += SECOND
    lie_on_the_disk(stage, spool, "OUT 2", sender=BRAM)

    assert drain(stage.service, spool, for_s=60) == 4

    kinds = stage.kinds(dive)
    assert kinds.index("event:extension_asked") < kinds.index("event:closed")


@pytest.mark.parametrize("fails", ["read", "drop", "put_aside"])
def test_one_at_which_the_disk_fails_stays_and_the_others_go_on(
    stage: Stage, spool: Spool, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch, fails: str
) -> None:
    """One that belongs to another user, since somebody copied it there, must not keep a finish from being heard."""
    dive = stage.dive_in()
    spool.keep(brought(stage, "LATE 20", "SM1"))
    stage.sleep(1)
    spool.keep(brought(stage, "OUT 2", "SM2"))
    first = spool.waiting()[0]
    if fails == "put_aside":
        first.write_bytes(b"torn")
        aged(first)
    real = getattr(Spool, fails)

    def failing(self: Spool, path: Path) -> object:
        if path == first:
            raise PermissionError(13, "Permission denied")
        return real(self, path)

    monkeypatch.setattr(Spool, fails, failing)

    drain_quietly(stage.service, spool)

    assert not stage.dive(dive.id).live
    assert spool.waiting() == [first]
    assert [record.message for record in caplog.records if record.levelname == "ERROR"] == [taking_in.NOT_TAKEN]


def test_a_database_that_goes_away_again_loses_nothing(
    stage: Stage, spool: Spool, caplog: pytest.LogCaptureFixture
) -> None:
    """All of it stays, and only the first is tried; nothing that waits for this is stopped by it."""
    for number in range(3):
        spool.keep(brought(stage, str(number), f"SM{number}"))

    with away(stage) as service:
        drain_quietly(service, spool)

    assert len(spool.waiting()) == 3
    assert caplog.messages.count("spool_not_taken") == 1


def test_a_schema_that_is_not_there_yet_loses_nothing(unchecked: Stage, spool: Spool) -> None:
    """Neither what comes in meanwhile, nor what is brought in too early."""
    stage = unchecked
    with stage.engine.begin() as connection:
        connection.execute(sql("ALTER TABLE inbound_texts RENAME TO inbound_texts_away"))
    try:
        assert Intake(stage.service, spool).text(brought(stage, "OUT 2")) is None
        with pytest.raises(SQLAlchemyError):
            Intake(stage.service, None).text(brought(stage, "OUT 2"))
        drain_quietly(stage.service, spool)
    finally:
        with stage.engine.begin() as connection:
            connection.execute(sql("ALTER TABLE inbound_texts_away RENAME TO inbound_texts"))

    assert bodies(spool) == ["OUT 2"]


def test_a_disk_that_fails_stops_nobody(stage: Stage, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """The sweep behind it goes on, and the process's log says why."""
    nowhere = tmp_path / "a file"
    nowhere.write_text("and no directory")

    drain_quietly(stage.service, Spool(nowhere, SECRET))

    assert "spool_drain_failed" in caplog.messages


def test_two_who_bring_in_at_once_bring_each_text_once(stage: Stage, spool: Spool) -> None:
    """The second waits for the first, and finds nothing left."""
    dive = stage.dive_in()
    spool.keep(brought(stage, "LATE 20"))

    threads = [threading.Thread(target=drain, args=(stage.service, spool)) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert stage.kinds(dive).count("event:extension_asked") == 1
    assert len([one for one in stage.entries(chain="service") if one.kind == "spool_drained"]) == 1
    stage.wait(minutes=1)


class FrozenOnce(Spool):
    """In the hands of a process that is frozen once it has read a text, until `meanwhile` is done."""

    def __init__(self, directory: Path, meanwhile: Callable[[], None]) -> None:
        super().__init__(directory, SECRET)
        self._meanwhile: Callable[[], None] | None = meanwhile

    def read(self, path: Path) -> Brought:
        """Give what it holds, late."""
        found = super().read(path)
        meanwhile, self._meanwhile = self._meanwhile, None
        if meanwhile is not None:
            then = time.time() - spooling.HANGS_AFTER_S - 1
            os.utime(self.directory / "lock", (then, then))
            meanwhile()
        return found


def test_texts_do_not_wait_for_a_process_that_is_frozen_while_it_brings_them_in(
    stage: Stage, spool: Spool, caplog: pytest.LogCaptureFixture
) -> None:
    """Found by an hour of chaos: a web that stood still kept every IN, OUT and SOS on the disk for over a minute.

    When it wakes, what it has in hand is known, and it leaves the rest to whoever has its turn.
    """
    dive = stage.dive_in()
    spool.keep(brought(stage, "LATE 20", "SM1"))
    stage.clock.at += SECOND
    spool.keep(brought(stage, "SOS", "SM2"))
    heard: list[bool] = []

    def another() -> None:
        assert drain(stage.service, spool, wait_s=0.05, for_s=60) == 2
        heard.append(stage.dive(dive.id).alarmed)

    drain(stage.service, FrozenOnce(spool.directory, another), for_s=60)

    assert heard == [True]
    assert spool.waiting() == []
    assert stage.kinds(dive).count("event:extension_asked") == 1
    assert stage.kinds(dive).count("event:alarm_raised") == 1
    assert taking_in.NOT_TAKEN not in caplog.text
    stage.courier.carry()
