"""The spool: kept safely and unreadably, in order, within bounds, and never lost by a fault."""

from __future__ import annotations

import errno
import os
import stat
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.operations import spooling
from service.operations.gateway import Blame, DeliveryReceipt, InboundText, ReceiptState, TextPart
from service.operations.spooling import Brought, KeyPress, Spool, SpoolError, UnreadableError

SECRET = "s" * 40
NOW = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
TEXT = InboundText(
    "shore", "SM1", "+447700900001", "+447700900000", "OUT 2 \u20ac\n\u202e", {"Body": "OUT 2", "X": ""}, NOW
)
RECEIPT = DeliveryReceipt("shore", "SM2", ReceiptState.FAILED, "30005", Blame.NUMBER, {"MessageStatus": "failed"}, NOW)
KEY = KeyPress("m1", "1", "shore", "CA1", {"Digits": "1"}, NOW)


@pytest.fixture
def spool(tmp_path: Path) -> Spool:
    """An empty spool."""
    spool = Spool(tmp_path / "spool", SECRET)
    spool.make()
    return spool


def text(body: str, at: datetime = NOW) -> InboundText:
    """A text with these words."""
    return InboundText("shore", f"SM-{body}", "+447700900001", "+447700900000", body, {}, at)


@pytest.mark.parametrize(
    "brought",
    [
        TEXT,
        RECEIPT,
        DeliveryReceipt("shore", "SM2", ReceiptState.UNKNOWN, None, None, {}, NOW),
        KEY,
        InboundText("home", "7", "+447700900001", "+447700900000", "O", {}, NOW, TextPart("88", 1, 2)),
    ],
    ids=["a text", "a receipt", "a receipt without code", "a key", "a part of a text"],
)
def test_what_is_kept_comes_back_as_it_was(spool: Spool, brought: Brought) -> None:
    """Every field of every kind, strange characters too."""
    spool.keep(brought)

    [path] = spool.waiting()
    assert spool.read(path) == brought
    assert type(spool.read(path)) is type(brought)


def test_nobody_else_can_read_it(spool: Spool) -> None:
    """Files and directory are for their owner alone, and neither name nor content tells anything."""
    spool.keep(TEXT)

    [path] = spool.waiting()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(spool.directory.stat().st_mode) == 0o700
    seen = path.name.encode() + path.read_bytes()
    assert not any(word in seen for word in (b"OUT", b"447700900001", b"SM1", b"shore"))


def test_the_first_that_came_is_the_first(spool: Spool) -> None:
    """By the time at which it came, whichever was written first."""
    for minutes in (3, 1, 2, -10_000):
        spool.keep(text(str(minutes), NOW + timedelta(minutes=minutes)))

    bodies = [spool.read(path).body for path in spool.waiting()]  # type: ignore[union-attr]

    assert bodies == ["-10000", "1", "2", "3"]


@pytest.mark.parametrize(
    "damage",
    [
        lambda sealed: sealed[:0],
        lambda sealed: sealed[:-1],
        lambda sealed: sealed[:40] + b"A" + sealed[41:],
        lambda sealed: b"\xff\x00" * len(sealed),
    ],
    ids=["empty", "cut", "changed", "nonsense"],
)
def test_a_damaged_file_is_told_from_a_whole_one(spool: Spool, damage: Callable[[bytes], bytes]) -> None:
    """Half a text is never taken for a text."""
    spool.keep(TEXT)
    [path] = spool.waiting()
    path.write_bytes(damage(path.read_bytes()))

    with pytest.raises(UnreadableError):
        spool.read(path)


def test_another_secret_key_opens_nothing(spool: Spool) -> None:
    """A thief of the disk has nothing, and a planted file is nobody's text."""
    spool.keep(TEXT)
    [path] = spool.waiting()

    with pytest.raises(UnreadableError):
        Spool(spool.directory, "t" * 40).read(path)


def test_a_file_put_aside_does_not_wait_any_more(spool: Spool) -> None:
    """It is still there for a person to look at."""
    spool.keep(TEXT)
    [path] = spool.waiting()

    spool.put_aside(path)

    assert spool.waiting() == []
    assert (spool.directory / "aside" / path.name).exists()


@pytest.mark.parametrize(("name", "limit"), [("FILES_MAX", 3), ("BYTES_MAX", 900)])
def test_a_full_spool_refuses_loudly_and_takes_again_when_it_is_not(
    spool: Spool, monkeypatch: pytest.MonkeyPatch, name: str, limit: int
) -> None:
    """A flood must not fill the disk; what was refused was acknowledged to nobody."""
    monkeypatch.setattr(spooling, name, limit)
    for number in range(3):
        spool.keep(text(str(number)))
    assert not spool.has_room()

    with pytest.raises(SpoolError, match="it holds"):
        spool.keep(text("one too many"))
    assert len(spool.waiting()) == 3

    for path in spool.waiting():
        spool.drop(path)

    spool.keep(TEXT)
    assert len(spool.waiting()) == 1


def test_receipts_fill_half_of_it_and_are_behind_all_else(spool: Spool, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a storm thousands come at once: none of them keeps a finish from being kept, or from being read first."""
    monkeypatch.setattr(spooling, "FILES_MAX", 6)
    for _ in range(3):
        spool.keep(RECEIPT)
    with pytest.raises(SpoolError, match="it holds as many"):
        spool.keep(RECEIPT)

    for later in (1, 2):
        spool.keep(text(str(later), NOW + timedelta(minutes=later)))

    found = [spool.read(path) for path in spool.waiting()]
    assert [one.body for one in found[:2]] == ["1", "2"]  # type: ignore[union-attr]
    assert found[2:] == [RECEIPT] * 3


@pytest.mark.parametrize("step", ["open", "write", "fsync", "rename"])
def test_a_disk_that_fails_leaves_nothing_half_written(
    spool: Spool, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """Refused, whatever step it was; no file is taken for a text, and none is left over."""

    def fail(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    target = Path if step == "rename" else os
    monkeypatch.setattr(target, {"write": "fdopen"}.get(step, step), fail)
    with monkeypatch.context(), pytest.raises(SpoolError, match="No space left"):
        spool.keep(TEXT)
    monkeypatch.undo()

    assert list(spool.directory.iterdir()) == []


def test_a_directory_that_is_gone_refuses(tmp_path: Path) -> None:
    """Nothing is kept nowhere; there is nothing waiting either."""
    spool = Spool(tmp_path / "gone", SECRET)

    with pytest.raises(SpoolError):
        spool.keep(TEXT)
    assert spool.waiting() == []


def test_what_a_killed_process_began_is_no_text_and_goes_in_the_end(spool: Spool) -> None:
    """It may be half of one that is being written just now, so it is left for an hour."""
    old, new = (spool.directory / f"{name}.unfinished" for name in ("old", "new"))
    for path in (old, new):
        path.write_bytes(b"half")
    long_ago = (datetime.now(UTC) - timedelta(hours=2)).timestamp()
    os.utime(old, (long_ago, long_ago))

    assert spool.waiting() == []
    spool.clear_unfinished()

    assert list(spool.directory.iterdir()) == [new]


def test_many_at_once_are_all_kept(spool: Spool) -> None:
    """Threads that write in the same microsecond take no name from each other."""
    threads = [threading.Thread(target=spool.keep, args=(text(str(number)),)) for number in range(40)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    bodies = {spool.read(path).body for path in spool.waiting()}  # type: ignore[union-attr]
    assert bodies == {str(number) for number in range(40)}


def test_one_at_a_time_works_it_off(spool: Spool) -> None:
    """A second one waits, and goes away when the first is not done in time."""
    with spool.alone(0.0) as first:
        assert first
        with spool.alone(0.05) as second:
            assert not second

    with spool.alone(0.0) as third:
        assert third


def hang(spool: Spool) -> None:
    """Whoever has the turn has not shown for longer than it may that it goes on."""
    then = time.time() - spooling.HANGS_AFTER_S - 1
    os.utime(spool.directory / "lock", (then, then))


def test_who_hangs_has_the_turn_no_more(spool: Spool) -> None:
    """Frozen in the middle, it would keep everybody's texts here; the one in its place is alone as any other."""
    with spool.alone(0.0) as frozen:
        assert frozen
        hang(spool)
        with spool.alone(0.0) as second:
            assert second
            with spool.alone(0.05) as third:
                assert not third

    with spool.alone(0.0) as fourth:
        assert fourth


def test_who_goes_on_keeps_the_turn_however_long_it_takes(spool: Spool) -> None:
    """After an outage there may be thousands of texts."""
    with spool.alone(0.0) as first:
        assert first
        hang(spool)
        first.goes_on()
        with spool.alone(0.05) as second:
            assert not second


def test_a_lock_that_nobody_has_is_free_however_old_it_is(spool: Spool) -> None:
    """The last who worked it off did so months ago; of two who come now one has it."""
    with spool.alone(0.0):
        pass
    hang(spool)

    with spool.alone(0.0) as first, spool.alone(0.05) as second:
        assert first
        assert not second
